"""The kinds of changes to try, and the one name that each has in every report."""

from typing import Literal

RemedyKind = Literal[
    "refresh_statistics",
    "more_statistics",
    "distinct_count",
    "function_rows",
    "foreign_key",
    "expression_index",
    "new_index",
    "drop_index",
    "query_rewrite",
    "statement_setting",
    "other",
]

TITLES: dict[RemedyKind, str] = {
    "refresh_statistics": "Refresh the statistics",
    "more_statistics": "Gather more statistics",
    "distinct_count": "Set the number of distinct values",
    "function_rows": "Tell the planner how many rows the function returns",
    "foreign_key": "Add a foreign key",
    "expression_index": "Build an index on an expression",
    "new_index": "Build an index",
    "drop_index": "Drop an index",
    "query_rewrite": "Write the query another way",
    "statement_setting": "Change a setting for this statement",
    "other": "Make a change of its own kind",
}
"""`other` stands in documents of version 1, and where a change belongs to none of the kinds."""
