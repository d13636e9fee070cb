"""What a cause's check hands back: a candidate with its weight, and the finding that it becomes."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from rowreckon.document.audit import Basis, Evidence, Finding
from rowreckon.frozen import frozen

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation

PROVEN = 16.0
"""The evidence leaves hardly room for a rival: the catalog or the plan's own counts show it."""
STRONG = 6.0
"""The evidence fits this cause and contradicts the usual rivals."""
LIKELY = 2.5
"""The pattern is typical, nothing contradicts it."""
POSSIBLE = 1.0
"""The pattern fits, and so does another cause's."""
WEAK = 0.4
"""Thinkable; nothing speaks for it but the absence of something better."""


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
    built, as modelled; `prefix_of_new` names an existing index whose columns lead the new one.
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
    curable: bool = True
    """False where no statistic of PostgreSQL mends it: then it is a note and no remedy."""


@frozen
class Candidate:
    """One cause that may explain an error, with the weight of its evidence against its rivals'."""

    code: str
    weight: float
    basis: Basis
    summary: str
    evidence: tuple[Evidence, ...]
    subject: Subject


@frozen
class CauseFinding:
    """A finding of the audit document, with the typed data that remedies need.

    `factor` is the error that enters at the node; `harms` says whether some join's method suffers from it:
    "crossed" (proven), "undecided" (open), "nothing" (every join that it reaches keeps the cheapest method).
    """

    finding: Finding
    subject: Subject
    factor: float
    harms: str

    @property
    def code(self) -> str:
        """The cause's code, as in the report contract."""
        return self.finding.code


def fact(text: str, value: str | float | int | bool | None, source: str) -> Evidence:
    """One piece of evidence; `source` says where the value stands (plan, catalog, settings)."""
    return Evidence.model_construct(fact=text, value=value, from_=source)
