"""A captured plan of more levels than a recursion can go down is handed on as it was printed."""

from __future__ import annotations

from typing import Any

from rowreckon.capture import Capture
from rowreckon.plan.document import parse_document
from rowreckon.plan.printed import printed_levels, printed_nodes
from rowreckon.server.stand_in.changes.foretelling import listed_queries
from rowreckon.stand_in.compare import plan_differences

from .test_value_places import FACTS

NODE = {"Plan Rows": 1, "Plan Width": 4, "Startup Cost": 0.0, "Total Cost": 1.25}


def chain(levels: int) -> dict[str, Any]:
    """Limits one above the other over a scan."""
    plan: dict[str, Any] = {"Node Type": "Seq Scan", "Relation Name": "huts", "Alias": "h", **NODE}
    for _ in range(levels - 1):
        plan = {"Node Type": "Limit", **NODE, "Plans": [plan]}
    return plan


def test_a_deep_plan_is_listed_as_it_was_printed() -> None:
    plan = chain(3_000)
    capture = Capture(name="a query", query="select from huts h", explain=parse_document({"Plan": plan}))
    (listed,) = listed_queries([capture], {}, FACTS)
    assert listed.captured is not None
    assert plan_differences(plan, listed.captured) == ()
    assert printed_levels(listed.captured) == 3_000


def test_nodes_come_in_the_order_of_explain() -> None:
    """Pre-order: a node before what is beneath it, the outer side before the inner."""
    plan = {"Node Type": "Hash Join", "Plans": [chain(2), {"Node Type": "Hash", "Plans": [{"Node Type": "Result"}]}]}
    kinds = [node["Node Type"] for node in printed_nodes(plan)]
    assert kinds == ["Hash Join", "Limit", "Seq Scan", "Hash", "Result"]
    assert printed_levels(plan) == 3
