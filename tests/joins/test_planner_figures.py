"""When a re-planned query's figure may stand for a join's other method: only where nothing but the method differs.

The plans are written by hand, each like the executed one but for what a test names. That a switch changes the whole
tree is PostgreSQL's documentation, 'Planner Method Configuration'; 1e10 is disable_cost in optimizer/path/costsize.c.
"""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.capture import Alternative, Capture
from rowreckon.counts import reckon
from rowreckon.document.audit import AskedOf, Method
from rowreckon.joins.facts.sides import Aliases, join_facts
from rowreckon.joins.verdict.planner_figures import PlannerFigure, planner_figures
from rowreckon.plan import lay_out, parse_document

Node = dict[str, Any]


def scan(alias: str, rows: float = 100, cost: float = 10.0, kind: str = "Seq Scan", **more: Any) -> Node:
    return {"Node Type": kind, "Relation Name": alias, "Alias": alias, "Plan Rows": rows, "Total Cost": cost} | more


def join(kind: str, outer: Node, inner: Node, cost: float, rows: float = 50, startup: float = 1.0, **more: Any) -> Node:
    if kind == "Hash Join":
        hashed = {"Node Type": "Hash", "Plan Rows": inner["Plan Rows"], "Total Cost": inner["Total Cost"]}
        inner = hashed | {"Plans": [inner | {"Parent Relationship": "Outer"}]}
    sides = [outer | {"Parent Relationship": "Outer"}, inner | {"Parent Relationship": "Inner"}]
    told = {"Node Type": kind, "Join Type": "Inner", "Plan Rows": rows, "Startup Cost": startup, "Total Cost": cost}
    return told | more | {"Plans": sides}


def figures(executed: Node, *others: Node, asked_of: AskedOf = "server") -> dict[Method, PlannerFigure]:
    """What plans of the same query say of the executed plan's topmost join."""
    reckoned = reckon(lay_out(parse_document({"Plan": executed}).plan))
    alternatives = tuple(
        Alternative(switched_off=(), explain=parse_document({"Plan": other}), asked_of=asked_of) for other in others
    )
    facts = join_facts(reckoned, 0, Aliases(reckoned.tree))
    return planner_figures(Capture(name="x", alternatives=alternatives), reckoned, facts)


EXECUTED = join("Nested Loop", scan("guests"), scan("stays", 3), 200.0)


def test_a_method_over_the_same_sides() -> None:
    """The figure counts, whatever access its single relations have; of several plans the cheaper one's."""
    hashed = join("Hash Join", scan("guests", cost=12.0), scan("stays", 900, 30.0), 150.0)
    dearer = join("Hash Join", scan("guests"), scan("stays"), 170.0)

    assert figures(EXECUTED, dearer, hashed) == {"hash": PlannerFigure(1.0, 150.0)}
    assert figures(EXECUTED, hashed, dearer) == {"hash": PlannerFigure(1.0, 150.0)}
    merged = join("Merge Join", scan("guests"), scan("stays"), 180.0, startup=70.0)
    assert figures(EXECUTED, merged, hashed, asked_of="stand_in") == {
        "merge": PlannerFigure(70.0, 180.0, asked_of="stand_in"),
        "hash": PlannerFigure(1.0, 150.0, asked_of="stand_in"),
    }


def test_sides_may_be_turned() -> None:
    """The same two sides in the other order, told as such."""
    turned = join("Hash Join", scan("stays"), scan("guests"), 140.0)
    assert figures(EXECUTED, turned) == {"hash": PlannerFigure(1.0, 140.0, turned=True)}


def test_other_sides_and_the_same_method_say_nothing() -> None:
    """Not a join of the same tables, nor the method that was executed."""
    assert figures(EXECUTED) == {}
    assert figures(EXECUTED, join("Hash Join", scan("guests"), scan("huts"), 140.0)) == {}
    assert figures(EXECUTED, join("Nested Loop", scan("guests"), scan("stays"), 140.0)) == {}


@pytest.mark.parametrize(
    ("other", "reason"),
    [
        (
            join("Hash Join", scan("guests"), scan("stays"), 1.0e10),
            "the plan still holds a method that was switched off",
        ),
        (
            join("Hash Join", scan("guests"), scan("stays"), 140.0, rows=51),
            "the re-planned join expects another number of rows",
        ),
    ],
)
def test_why_a_figure_does_not_count(other: Node, reason: str) -> None:
    """The reason is told, with whose planner it was and whether the sides were turned; a figure that counts is kept."""
    assert figures(EXECUTED, other) == {"hash": PlannerFigure(None, None, reason=reason)}
    turned = other | {"Plans": _turned(other)}
    assert figures(EXECUTED, turned, asked_of="stand_in") == {
        "hash": PlannerFigure(None, None, turned=True, reason=reason, asked_of="stand_in")
    }
    counts = join("Hash Join", scan("guests"), scan("stays"), 150.0)
    for order in ((other, counts), (counts, other)):
        assert figures(EXECUTED, *order) == {"hash": PlannerFigure(1.0, 150.0)}


def _turned(plan: Node) -> list[Node]:
    outer, hashed = plan["Plans"]
    (inner,) = hashed["Plans"]
    return [inner, hashed | {"Plans": [outer]}]


def test_one_of_the_plans_is_parallel() -> None:
    """What several processes do is not what one does."""
    shared = join("Hash Join", scan("guests") | {"Parallel Aware": True}, scan("stays"), 140.0)
    gather = {"Node Type": "Gather", "Workers Planned": 2, "Plan Rows": 50, "Total Cost": 150.0}
    other = gather | {"Plans": [shared | {"Parent Relationship": "Outer"}]}
    reason = "one plan runs the join in parallel, the other does not"
    assert figures(EXECUTED, other) == {"hash": PlannerFigure(None, None, reason=reason)}


LOWER = join("Hash Join", scan("guests"), scan("huts"), 90.0, rows=80)
ABOVE = join("Nested Loop", LOWER, scan("stays", 3), 400.0)
OUTER_DIFFERS = PlannerFigure(None, None, reason="the outer side was planned differently")


@pytest.mark.parametrize(
    ("lower", "same"),
    [
        (LOWER, True),
        (LOWER | {"Total Cost": 90.005}, True),  # printed costs are rounded to the cent
        (LOWER | {"Total Cost": 90.02}, False),
        (LOWER | {"Plan Rows": 81}, False),
        (join("Merge Join", scan("guests"), scan("huts"), 90.0, rows=80), False),
        (join("Hash Join", scan("guests", 101), scan("huts"), 90.0, rows=80), False),
        ({"Node Type": "Sort", "Plan Rows": 80, "Total Cost": 99.0, "Plans": [LOWER]}, True),  # a way to deliver it
        (scan("guests", 80, 90.0) | {"Plans": [scan("huts") | {"Parent Relationship": "Outer"}]}, False),
    ],
)
def test_a_lower_join_has_to_be_the_same(lower: Node, same: bool) -> None:
    """Node by node, with rows and costs: a join below that was planned otherwise makes another input."""
    if lower["Node Type"] == "Sort":
        lower = lower | {"Plans": [LOWER | {"Parent Relationship": "Outer"}]}
    found = figures(ABOVE, join("Merge Join", lower, scan("stays"), 300.0))
    assert found == {"merge": PlannerFigure(1.0, 300.0) if same else OUTER_DIFFERS}


def test_the_side_that_differs_is_named_as_the_executed_join_has_it() -> None:
    """Also where the re-planned join has its sides turned."""
    above = join("Nested Loop", scan("stays", 3), LOWER, 400.0)
    other = join("Merge Join", LOWER | {"Total Cost": 70.0}, scan("stays"), 300.0)
    reason = "the inner side was planned differently"
    assert figures(above, other) == {"merge": PlannerFigure(None, None, turned=True, reason=reason)}
