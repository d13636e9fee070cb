"""What a remedy acts upon, as a cause names it: tables, columns, functions."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from rowreckon.frozen import frozen

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation


@frozen
class TableName:
    """A relation as the plan or the catalog names it; raw names, not quoted. `schema` is None where unknown."""

    name: str
    schema: str | None = None

    def __str__(self) -> str:
        return f"{self.schema}.{self.name}" if self.schema else self.name


@frozen
class FunctionName:
    """A set-returning function; `arguments` is its signature as the catalog prints it, None where unknown."""

    name: str
    schema: str | None = None
    arguments: str | None = None


@frozen
class Subject:
    """What a remedy would act upon. Names are raw; `expressions` are in the server's spelling, without an alias.

    `fraction` is the share of the table's rows (0 to 1) that the clause really keeps, `distinct` a proven number of
    distinct values, `rows` a proven number of rows, per call or per key value. `pages` are those of an index to be
    built, as modelled; `prefix_of_new` names an existing index whose columns lead the new one. `alias` is the name
    under which the query reads the table, or the view of it. `combinations` is about how many combinations of the
    columns' values there are. `ranged` says that the columns are compared with ends of ranges: `fraction` is then the
    share that a part of the histogram may hold. `keys` are alias and column of both sides of a join, whose rows may be
    kept `each_apart` where nearly all of one side find a partner.
    `looked_up` says that few of many rows are asked for by the `expressions`. `directions` are words that follow a key
    column of a new index (DESC and the like). `of_scan` says that the index serves a scan alone, whatever is joined.
    """

    table: TableName | None = None
    relation: Relation | None = field(default=None, compare=False, repr=False)
    columns: tuple[str, ...] = ()
    expressions: tuple[str, ...] = ()
    fraction: float | None = None
    total_rows: float | None = None
    distinct: float | None = None
    rows: float | None = None
    other_table: TableName | None = None
    other_columns: tuple[str, ...] = ()
    function: FunctionName | None = None
    index: str | None = None
    included: tuple[str, ...] = ()
    predicate: str | None = None
    pages: float | None = None
    prefix_of_new: str | None = None
    partitions: tuple[TableName, ...] = ()
    alias: str | None = None
    combinations: float | None = None
    ranged: bool = False
    keys: tuple[tuple[str, str], ...] = ()
    each_apart: bool = False
    looked_up: bool = False
    directions: tuple[tuple[str, str], ...] = ()
    of_scan: bool = False
    curable: bool = True
    """False where no statistics of PostgreSQL mend it: then it is a note, unless another text of the query does."""

    @property
    def to_act_on(self) -> bool:
        """Whether a change may mend it: of statistics, or of the query's text around its `keys` or its `alias`."""
        return self.curable or bool(self.keys) or self.alias is not None


def is_temporary(table: TableName) -> bool:
    """Whether the name is that of a temporary table, which autovacuum never analyzes."""
    return (table.schema or "").startswith("pg_temp")
