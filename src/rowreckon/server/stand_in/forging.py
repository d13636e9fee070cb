"""Forging statistics on a stand-in: inside one transaction that is always rolled back, so that none is left behind.

The transaction belongs to the stand-in's superuser, who alone may write statistics; every query in it is planned under
the role that plans, in a read-only subtransaction.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import psycopg
from psycopg import sql

from rowreckon.errors import StatementFailed
from rowreckon.server.connecting.connection import Connection, connected, first_line
from rowreckon.stand_in.facts import SourceColumn, SourceRelation, StandInFacts
from rowreckon.stand_in.figures import Figures

from .filling import MAKER, READER, new_oids
from .planning import Planner, path_of
from .statistics import write_figures

MOST_QUESTIONS: Final = 2_000
"""Most EXPLAINs for one plan; a plan of a dozen relations takes some hundred. No source."""
MOST_SECONDS: Final = 60.0
"""Most time for one plan; one of four relations takes about a second. No source."""


MOST_SECONDS_OF_LIST: Final = 300.0
"""Most time for all plans of a list together. No source."""


class Exhausted(StatementFailed):
    """More questions, or more time, would be needed than one plan, or its list, may take."""


@dataclass
class Allowance:
    """How many seconds all plans of a list may still take together; what one takes is taken off."""

    left: float = MOST_SECONDS_OF_LIST

    @contextlib.contextmanager
    def spent(self) -> Iterator[float]:
        """The seconds that the next plan may take, which are taken off as far as the block takes them."""
        if self.left <= 0:
            raise Exhausted(
                f"the stand-in was not asked further: its list may take {MOST_SECONDS_OF_LIST:.0f} s in all",
                hint="give it fewer plans at once",
            )
        start = time.monotonic()
        try:
            yield min(self.left, MOST_SECONDS)
        finally:
            self.left -= time.monotonic() - start


@dataclass
class Forgery:
    """A stand-in whose statistics may be changed until the block ends that opened it."""

    connection: Connection
    facts: StandInFacts
    settings: Mapping[str, str]
    oids: Mapping[int, int]
    role: str | None = None
    asked: int = 0
    objects: int = 0
    """Statistics objects that were made, each of which has a name with its number."""
    until: float = field(default_factory=lambda: time.monotonic() + MOST_SECONDS)
    _figures: dict[tuple[int, int, bool], Figures] = field(default_factory=dict)
    _rows: dict[int, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """The facts are asked again and again, and those of many partitions are long."""
        self._columns = {(c.relation, c.name): c for c in self.facts.columns if not c.dropped}
        self._given: dict[tuple[int, int, bool], Figures] = {
            (s.relation, s.number, s.inherited): s for s in self.facts.statistics
        }
        self._with_children = {parent for relation in self.facts.relations for parent in relation.parents}

    def document(self, query: str, more: Mapping[str, str] | None = None) -> dict[str, Any]:
        """The plan of a query. Raises StatementRefused, StatementFailed and Exhausted."""
        self.asked += 1
        if self.asked > MOST_QUESTIONS or time.monotonic() > self.until:
            most = f"{MOST_QUESTIONS:,} plans and {MOST_SECONDS:.0f} s, its list {MOST_SECONDS_OF_LIST:.0f} s"
            raise Exhausted(f"right counts were given up: a query may take {most}")
        planner = Planner(self.connection, self.facts.server.major, self.role)
        with self.connection.transaction(force_rollback=True):
            self._take_on(READER)
            return planner.plan(query, {**self.settings, **(more or {})})

    def rows(self, query: str) -> float:
        """How many rows the planner expects of a query."""
        return float(self.document(query)["Plan"]["Plan Rows"])

    def relation(self, name: tuple[str | None, str]) -> SourceRelation | None:
        """The relation of this schema (or the first of the search path) and name."""
        found = [r for r in self.facts.relations if r.name == name[1] and r.oid in self.oids]
        if name[0] is not None:
            return next((r for r in found if r.schema_ == name[0]), None)
        path = [s for s in self.facts.schemas if any(r.schema_ == s for r in found)]
        return next((r for r in found if path and r.schema_ == path[0]), None)

    def column(self, relation: SourceRelation, name: str) -> SourceColumn | None:
        """A column of the source's relation by its name."""
        return self._columns.get((relation.oid, name))

    def figures(self, relation: SourceRelation, number: int) -> Figures:
        """The statistics of a column as they stand; those of a column without any say nothing."""
        inherited = self.has_children(relation)
        key = relation.oid, number, inherited
        known = self._figures.get(key) or self._given.get(key)
        return known or Figures(number=number, inherited=inherited, null_frac=0.0, width=0, distinct=0.0)

    def has_children(self, relation: SourceRelation) -> bool:
        """Whether queries see the relation as a tree, with statistics of all its parts together."""
        return relation.oid in self._with_children

    def write(self, relation: SourceRelation, number: int, figures: Figures) -> bool:
        """Have a column's statistics be these; whether its type takes them."""
        here = self.oids[relation.oid]
        whole = figures.model_copy(update={"number": number, "inherited": self.has_children(relation)})
        try:
            with self.connection.transaction():
                self.connection.execute(
                    "delete from pg_catalog.pg_statistic"
                    " where starelid = %s::oid and staattnum = %s and stainherit = %s",
                    (here, number, whole.inherited),
                )
                write_figures(self.connection, here, number, whole)
        except psycopg.Error:
            return False
        self._figures[relation.oid, number, whole.inherited] = whole
        return True

    def table_rows(self, relation: SourceRelation) -> float:
        """A table's rows as they stand."""
        return self._rows.get(relation.oid, relation.reltuples)

    def set_rows(self, relation: SourceRelation, rows: float) -> None:
        """Have a table's rows be so many, at the pages that its file has."""
        if relation.pages:
            self._rows[relation.oid] = rows
            self.connection.execute(
                "update pg_catalog.pg_class set relpages = %s, reltuples = %s where oid = %s::oid",
                (relation.pages, rows, self.oids[relation.oid]),
            )

    def set_function_rows(self, name: str, rows: float) -> None:
        """Have set-returning functions of this name be expected to give so many rows."""
        self.connection.execute(
            "update pg_catalog.pg_proc set prorows = %s where proname = %s and proretset and oid >= 16384::oid",
            (max(rows, 1.0), name),
        )

    def drop_foreign_keys(self, one: SourceRelation, other: SourceRelation) -> None:
        """Take away the foreign keys between two tables, which override distinct counts."""
        here = [self.oids[one.oid], self.oids[other.oid]]
        for schema, table, constraint in self.connection.execute(_FOREIGN_KEYS, (here, here)).fetchall():
            statement = sql.SQL("alter table {} drop constraint {}").format(
                sql.Identifier(schema, table), sql.Identifier(constraint)
            )
            with contextlib.suppress(psycopg.Error), self.as_maker():
                self.connection.execute(statement, binary=True)

    @contextlib.contextmanager
    def as_maker(self) -> Iterator[None]:
        """A subtransaction under the role that owns the stand-in's objects."""
        with self.connection.transaction():
            self._take_on(MAKER)
            yield
            self.connection.execute("reset role")
            self.connection.execute("select pg_catalog.set_config('search_path', '', true)")

    def _take_on(self, role: str) -> None:
        path = path_of(self.facts.schemas)
        self.connection.execute(sql.SQL("set local role {}").format(sql.Identifier(role)))
        self.connection.execute("select pg_catalog.set_config('search_path', %s, true)", (path,))

    @contextlib.contextmanager
    def tried(self) -> Iterator[Undo]:
        """Changes that are kept unless `undo` is set by the end of the block."""
        before, rows = dict(self._figures), dict(self._rows)
        undo, kept = Undo(), False
        try:
            with self.connection.transaction() as inside:
                yield undo
                if undo.wanted:
                    raise psycopg.Rollback(inside)
            kept = not undo.wanted
        finally:
            if not kept:
                self._figures, self._rows = before, rows


@dataclass
class Undo:
    """Whether what was tried is to be taken back."""

    wanted: bool = False


_FOREIGN_KEYS: Final = """
select n.nspname, t.relname, c.conname from pg_catalog.pg_constraint c
  join pg_catalog.pg_class t on t.oid = c.conrelid join pg_catalog.pg_namespace n on n.oid = t.relnamespace
where c.contype = 'f' and c.conrelid = any(%s::oid[]) and c.confrelid = any(%s::oid[]) order by c.oid
"""


@contextlib.contextmanager
def forgery(
    dsn: str,
    facts: StandInFacts,
    settings: Mapping[str, str],
    role: str | None = None,
    allowed: Allowance | None = None,
) -> Iterator[Forgery]:
    """A stand-in's statistics, free to be changed until the block ends, when all is as it was.

    `dsn` is its superuser's; `settings` are those to plan under, `role` is the source's, None for one that sees
    everything; `allowed` is the time of a whole list. Raises CannotConnect, StatementFailed and Exhausted.
    """
    with (allowed or Allowance()).spent() as seconds, connected(dsn) as connection:
        try:
            with forged(connection, facts, settings, role, seconds) as found:
                yield found
        except psycopg.Error as error:
            raise StatementFailed(
                f"the stand-in's statistics could not be changed: {first_line(error)}", sqlstate=error.sqlstate
            ) from None


@contextlib.contextmanager
def forged(
    connection: Connection, facts: StandInFacts, settings: Mapping[str, str], role: str | None, seconds: float
) -> Iterator[Forgery]:
    """The statistics that a superuser's open transaction sees; what is changed of them lasts as long as the block.

    `seconds` is how long it may be asked.
    """
    with connection.transaction(force_rollback=True):
        connection.execute("reset role")
        connection.execute("select pg_catalog.set_config('search_path', '', true)")
        oids = new_oids(connection, facts)
        yield Forgery(connection, facts, settings, oids, role, until=time.monotonic() + seconds)
