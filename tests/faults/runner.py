"""Runs the library on a live server: capture, audit, try the first remedy for real, measure again."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import psycopg

from rowreckon.auditing import audit
from rowreckon.capture import Capture
from rowreckon.document.audit import Audit, Finding, Node, Plan, Remedy
from rowreckon.plan import lay_out, parse_document
from rowreckon.server.lists.querylist import split_named
from rowreckon.server.sweeping.facts import read_catalogs

from .fault import Fault

EXPLAIN = "explain (analyze, buffers, verbose, settings, format json) "
Connection = psycopg.Connection[Any]


@dataclass(frozen=True)
class Effect:
    """What the first remedy did: the q-error at the finding's node, the pages that a run touches, the methods."""

    q_error_before: float
    q_error_after: float
    pages_before: int
    pages_after: int
    methods_before: tuple[str, ...]
    methods_after: tuple[str, ...]

    @property
    def helped(self) -> bool:
        """The bar: the q-error at the node under 3, or a run touches less than two thirds of the pages."""
        return self.q_error_after < 3 or self.pages_before >= 1.5 * self.pages_after


@dataclass(frozen=True)
class Outcome:
    """One fault, run."""

    fault: Fault
    audit: Audit
    effect: Effect | None

    @property
    def plan(self) -> Plan:
        """The audited plan."""
        return self.audit.plans[0]

    @property
    def codes(self) -> tuple[str, ...]:
        """The causes found, best first."""
        return tuple(dict.fromkeys(f.code for f in self.plan.findings))

    def place(self) -> int | None:
        """The place of the right cause among those found, from 1; None if it is not there."""
        right = {self.fault.cause, *self.fault.also}
        return next((n for n, code in enumerate(self.codes, start=1) if code in right), None)


@contextmanager
def session_for(fault: Fault, dsn: str) -> Iterator[Connection]:
    """A session in a schema of its own in which the fault is seeded; the schema is dropped afterwards."""
    schema = f"f_{uuid.uuid4().hex[:8]}"
    with psycopg.connect(dsn, autocommit=True) as builder:
        builder.execute(f"create schema {schema}".encode())
        builder.execute(f"set search_path = {schema}".encode())
        for _, statement in split_named(fault.setup):  # one by one: each is a transaction of its own
            if statement.lower().startswith("analyze"):
                flush_counters(builder)  # else the rows inserted before it count as modified after it
            builder.execute(statement.encode())
        builder.execute(f"grant usage on schema {schema} to public".encode())
        flush_counters(builder)
    try:
        with psycopg.connect(dsn, autocommit=True) as connection:
            connection.execute(f"set search_path = {schema}".encode())
            for statement in (*fault.settings, *fault.before):
                connection.execute(statement.encode())
            yield connection
    finally:
        with psycopg.connect(dsn, autocommit=True) as cleaner:
            cleaner.execute(f"drop schema {schema} cascade".encode())


def flush_counters(connection: Connection) -> None:
    """Make the session's modification counters visible to others; up to 14 a collector takes half a second."""
    if connection.info.server_version >= 150000:
        connection.execute("select pg_stat_force_next_flush()")
        connection.execute("select 1")
    else:
        connection.execute("select pg_sleep(1.2)")


def capture(connection: Connection, query: str, *, name: str = "fault", catalog: bool = True) -> Capture:
    """The query's plan, executed, with the catalog's facts as this session's role may read them."""
    row = connection.execute((EXPLAIN + query).encode()).fetchone()
    assert row is not None
    document = parse_document(row[0][0])
    facts = read_catalogs(connection, [lay_out(document.plan)], trust="own_list")[0] if catalog else None
    return Capture(
        name=name,
        query=query,
        server_version=connection.info.server_version,
        settings=document.settings or {},
        explain=document,
        catalog=facts,
    )


def run_fault(fault: Fault, dsn: str, *, catalog: bool = True, try_remedy: bool = True) -> Outcome:
    """Seed the fault, audit its query, and try the first remedy proposed."""
    with session_for(fault, dsn) as connection:
        query = query_of(fault, connection)
        result = audit([capture(connection, query, catalog=catalog)], threshold=fault.threshold)
        effect = None
        if try_remedy and result.remedies:
            effect = try_first(connection, fault, query, result)
        return Outcome(fault=fault, audit=result, effect=effect)


def query_of(fault: Fault, connection: Connection) -> str:
    """The fault's query with its literal filled in."""
    if fault.literal is None:
        return fault.query
    row = connection.execute(fault.literal.encode()).fetchone()
    assert row is not None
    return fault.query.replace("{literal}", row[0])


def try_first(connection: Connection, fault: Fault, query: str, result: Audit) -> Effect:
    """Apply the first remedy's trial statements for real and run the query again."""
    remedy = result.remedies[0]
    plan = result.plans[0]
    finding = plan.findings[remedy.findings[0].finding]
    before = pages(connection, query)
    apply(connection, remedy)
    after_plan = audit([capture(connection, query, catalog=False)]).plans[0]
    return Effect(
        q_error_before=q_error_at(plan, plan, finding),
        q_error_after=q_error_at(after_plan, plan, finding),
        pages_before=before,
        pages_after=pages(connection, query),
        methods_before=tuple(j.method for j in plan.joins),
        methods_after=tuple(j.method for j in after_plan.joins),
    )


def apply(connection: Connection, remedy: Remedy) -> None:
    """Run the remedy's trial statements as the tables' owner."""
    row = connection.execute("select current_user").fetchone()
    connection.execute("reset role")
    for statement in remedy.sql_trial:
        connection.execute(statement.encode())
    if row is not None and row[0] != connection.info.user:
        connection.execute(f"set role {row[0]}".encode())


def pages(connection: Connection, query: str) -> int:
    """Pages that a run touches, in memory or not, those of temporary files included: the same in every run."""
    row = connection.execute(("explain (analyze, buffers, timing off, format json) " + query).encode()).fetchone()
    assert row is not None
    root = row[0][0]["Plan"]
    kinds = ("Shared Hit", "Shared Read", "Local Hit", "Local Read", "Temp Read", "Temp Written")
    return sum(int(root[f"{kind} Blocks"]) for kind in kinds)


def q_error_at(plan: Plan, first: Plan, finding: Finding) -> float:
    """The q-error of the node like the finding's: same alias, or same kind of node over the same tables."""
    node = first.nodes[finding.node or 0]
    same = [n for n in plan.nodes if _corresponds(n, node) and n.q_error_low is not None]
    return max((n.q_error_low or 1.0 for n in same), default=1.0)


def _corresponds(one: Node, other: Node) -> bool:
    if other.alias is not None:
        return one.alias == other.alias
    kind = "join" if other.join_type is not None else other.node_type
    mine = "join" if one.join_type is not None else one.node_type
    return mine == kind and set(one.tables) == set(other.tables)
