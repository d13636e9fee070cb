"""What is missing to decide, with the command that would bring it; shared by all joins of a plan, each once."""

from __future__ import annotations

from rowreckon.document.audit import Missing
from rowreckon.learned.facts import ColumnName
from rowreckon.sql.keywords import quote_name

_NAMED = 3
ASK = """rowreckon ask PLAN -o ask.sql
psql -X -f ask.sql -o answer.txt  # by whoever may connect; it only reads
rowreckon audit PLAN --facts answer.txt"""
"""How a server's facts are got, where need be by a colleague who may connect."""
_EXPLAIN = """-- runs the query, so use a development copy:
EXPLAIN (ANALYZE, BUFFERS, SETTINGS, FORMAT JSON) SELECT …;"""
_PLAIN_EXPLAIN = "EXPLAIN (VERBOSE, SETTINGS, FORMAT JSON)"

NOT_ANALYZED = Missing(
    what="the actual row counts",
    why="the plan was not executed, so that only its estimates are known",
    how=_EXPLAIN,
)
SETTINGS = Missing(
    what="the planner's settings",
    why="the plan does not list them, so that the defaults of its release were reckoned with",
    how=_EXPLAIN,
)
METHOD_TIMES = Missing(
    what="what the join takes by its other methods",
    why="the catalog was read, and does not price all of them",
    how="# runs the query by each method in turn: use a development copy\nrowreckon sweep QUERIES --contest",
)
VERSION = Missing(
    what="the server's version",
    why="the planner's arithmetic differs between releases, and the plan does not tell which one made it",
    how="SHOW server_version_num",
)


def complete_count(side: str, stopped_by: str | None) -> Missing:
    """A side whose count is only a lower bound."""
    return Missing(
        what=f"the complete number of rows of the {side} side",
        why=f"it was stopped by {stopped_by}" if stopped_by else "it was not read to its end",
        how=f"-- the {side} side alone, which then runs to its end:\nEXPLAIN (ANALYZE, FORMAT JSON) SELECT …;",
    )


def index_there(table: str) -> Missing:
    """An index that files declare of a table, and that may have been dropped since."""
    name = table.rsplit(".", 1)[-1].replace("'", "''")
    return Missing(
        what=f"whether the index that the schema files declare on {table} is there",
        why="the verdict hangs on it, and no plan at hand reads it",
        how=f"SELECT indexname, indexdef FROM pg_catalog.pg_indexes WHERE tablename = '{name}'",
    )


def whole_size(schema: str, name: str) -> Missing:
    """The size of one relation, which would decide most: the plan of another query tells it, and runs nothing."""
    written = f"{quote_name(schema)}.{quote_name(name)}"
    return Missing(
        what=f"the pages and rows of {schema}.{name}",
        why="no plan at hand tells them",
        how=f"-- runs nothing; audit its plan together with this one:\n{_PLAIN_EXPLAIN} SELECT * FROM {written};",
    )


def distinct_values(column: ColumnName, shares: str = "") -> Missing:
    """How many different values a column has: the plan of another query tells it, and runs nothing.

    `shares` says for which share of what is possible the verdict would be the one or the other, where that is known.
    """
    relation, name = column.relation, quote_name(column.column)
    written = f"{quote_name(relation.schema)}.{quote_name(relation.name)}"
    told = f": {shares}" if shares else ", and the verdict hangs on it"
    asked = f"{_PLAIN_EXPLAIN} SELECT {name} FROM {written} GROUP BY {name};"
    return Missing(
        what=f"how many different values {column} has",
        why=f"they tell how often a loop with Memoize reads its inner side{told}",
        how=f"-- runs nothing; audit its plan together with this one:\n{asked}",
    )


def prices(unread: tuple[str, ...], *, asked: bool) -> Missing:
    """What would price a join's other methods: facts of the tables below that no catalog tells of, else the clock.

    `asked`: there is a catalog, of some tables at least.
    """
    if asked and not unread:
        return METHOD_TIMES
    more = f" and {len(unread) - _NAMED} more" if len(unread) > _NAMED else ""
    names = ", ".join(unread[:_NAMED]) + more if unread else "the relations"
    return Missing(
        what=f"the sizes, statistics and indexes of {names}",
        why="they were not all readable" if asked else "the plan alone does not tell them",
        how=ASK,
    )


class MissingList:
    """Collects missing evidence in order, each once, and hands out its index."""

    def __init__(self) -> None:
        self._index: dict[Missing, int] = {}

    def add(self, missing: Missing) -> int:
        """The index of this evidence in the plan's list."""
        return self._index.setdefault(missing, len(self._index))

    def items(self) -> tuple[Missing, ...]:
        """All that was added, in order."""
        return tuple(self._index)
