"""Executions out of a query list: the values that they give, the plan that they belong to, when they turn generic."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rowreckon.capture import Capture
from rowreckon.cli.facts.stand_in import with_queries
from rowreckon.plan.document import parse_document
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.asking import AGREES, WITHOUT_VALUES, asked_stand_in
from rowreckon.stand_in.values.executions import prepared_query, values_of, with_values
from tests.servers.databases import fresh_database

from .test_generic import BY_TIER, turns_at
from .test_same_plans import build, facts_of
from .test_values import SCRIPT

SETS = ["silver", "platinum", *["platinum"] * 4, "gold"]


def _plan() -> Capture:
    """A plan of which only the name matters."""
    return Capture(name="plan.json", explain=parse_document({"Plan": {"Node Type": "Result"}}))


@pytest.mark.parametrize(
    ("execute", "values"),
    [
        ("execute a(1, 'x', null, -2.5, '2026-01-01'::date, true)", ("1", "x", None, "-2.5", "2026-01-01", "true")),
        ("execute a", ()),
        ("execute a(now())", None),
        ("select 1", None),
    ],
)
def test_values_of_an_execution(execute: str, values: tuple[str | None, ...] | None) -> None:
    """Plain literals alone."""
    assert values_of(execute) == values


def test_values_in_the_places_of_parameters() -> None:
    """By number, wherever they stand; one too few leaves no query."""
    query = "select $2, a from t where b = $1 and c < $2::int"
    assert with_values(query, ("x'y", None)) == "SELECT NULL, a FROM t WHERE b = 'x''y' AND c < NULL::int"
    assert with_values(query, ("x",)) is None


def test_the_query_of_a_prepared_statement() -> None:
    """Types that PREPARE names become casts, which say the same."""
    assert prepared_query("prepare a (int, unknown) as select $1, $2, $3") == "SELECT $1::int, $2, $3"
    assert prepared_query("prepare a as select from t where b = $1") == "SELECT FROM t WHERE b = $1"
    assert prepared_query("execute a") is None


def test_one_plan_for_all_executions_of_a_statement(tmp_path: Path) -> None:
    """The list's sets are the sequence; the plan may be that of any."""
    (tmp_path / "q.sql").write_text(f"-- name: tours-of-a-tier\n{BY_TIER};\n")
    (tmp_path / "q.toml").write_text(
        "[tours-of-a-tier]\n" + "".join(f"s{n} = [{json.dumps(tier)}]\n" for n, tier in enumerate(SETS))
    )
    (found,), left = with_queries([_plan()], tmp_path / "q.sql")

    assert left == {}
    assert found.prepared is not None
    assert found.prepared.lower().count("$1") == 1
    assert found.executions == tuple((tier,) for tier in SETS)
    assert "'silver'" in (found.query or "")


@pytest.mark.server
def test_without_its_values_an_execution_is_not_compared(server: str) -> None:
    """Without them the server would plan another query; the note says where they come from."""
    with fresh_database(server) as dsn, connected(dsn) as source:
        build(source, SCRIPT)
        row = source.execute(f"explain (format json) {BY_TIER}".replace("$1", "'platinum'").encode()).fetchone()
        assert row is not None
        capture = Capture(name="p", query=BY_TIER, explain=parse_document(row[0][0]))
        with asked_stand_in([capture], facts_of(source, [BY_TIER]), threshold=10) as asked:
            (found,) = asked.captures

    assert found.notes == (WITHOUT_VALUES,)


@pytest.mark.server
def test_the_plan_of_an_execution_is_found(server: str) -> None:
    """The plan is that of the second set; the turn is that of the server for the same sequence."""
    settings: dict[str, Any] = {"Settings": {"max_parallel_workers_per_gather": "0"}}
    sequence = [(tier,) for tier in SETS]
    with fresh_database(server) as dsn, connected(dsn) as source:
        build(source, SCRIPT)
        with source.transaction(force_rollback=True):
            source.execute("set local max_parallel_workers_per_gather = 0")
            row = source.execute(f"explain (format json) {BY_TIER}".replace("$1", "'platinum'").encode()).fetchone()
        assert row is not None
        explain = parse_document({**row[0][0], **settings})
        capture = Capture(
            name="p", query=with_values(BY_TIER, sequence[0]), explain=explain, settings=settings["Settings"]
        )
        capture = capture.model_copy(update={"prepared": BY_TIER, "executions": tuple(sequence)})
        with asked_stand_in([capture], facts_of(source, [BY_TIER]), threshold=10) as asked:
            (found,) = asked.captures
        turn = turns_at(source, BY_TIER, sequence)

    assert AGREES in found.notes
    assert "'platinum'" in (found.query or "")
    assert found.generic_plan is not None
    assert (found.generic_plan.sequence, found.generic_plan.turns_at) == ("given", turn)
