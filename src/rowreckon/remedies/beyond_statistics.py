"""What helps where rows of two tables go together, which no statistics of PostgreSQL describe."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.remedies.draft import OPEN, Draft
from rowreckon.remedies.key_value import key_value, look_up
from rowreckon.remedies.two_steps import two_steps

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.remedies.subject import Subject


def beyond_statistics(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The query written another way, the least invasive first; in words where its shape proves no other text equal."""
    if _filtered_on_both_sides(subject, capture):
        return two_steps(subject, capture) or key_value(subject, capture) or (_in_words(subject),)
    return key_value(subject, capture) or two_steps(subject, capture) or (_in_words(subject),)


def _filtered_on_both_sides(subject: Subject, capture: Capture) -> bool:
    """Whether each side has a filter: a key's value then stands beside the other's, and both count as independent."""
    if capture.query is None or capture.catalog is None or len(subject.keys) != 2:
        return False
    for (alias, column), table in zip(subject.keys, (subject.table, subject.other_table), strict=True):
        relation = capture.catalog.relation(table.name, table.schema) if table is not None else None
        names = {c.name for c in relation.columns} if relation is not None else set()
        if look_up(capture.query, alias, column, names) is None:
            return False
    return True


def _in_words(subject: Subject) -> Draft:
    tables = tuple(t for t in (subject.table, subject.other_table) if t is not None and t.name)
    return Draft(
        kind="other",
        title="Let the planner see the rows that the filter picks",
        sql=(),
        reason="Look the key's value up first, and write it into the query: common values then speak. Where there are "
        "many values, keep the filtered rows in a temporary table, analyze it, and join that.",
        works=OPEN,
        tables=tables,
        columns=subject.columns,
        cautions=(
            "no statement is written for it: neither the query's text nor the plan tells one that is surely equal",
            "a standby has no temporary tables",
        ),
    )
