"""Two plans compared node by node: what counts as a difference, on documents in EXPLAIN's own keys."""

from __future__ import annotations

from rowreckon.stand_in.compare import PlanDifference, plan_differences

LEAF = {"Node Type": "Seq Scan", "Relation Name": "huts", "Alias": "h", "Startup Cost": 0.0, "Total Cost": 12.5}
TREE = {
    **{"Node Type": "Hash Join", "Join Type": "Inner", "Startup Cost": 1.0, "Total Cost": 20.0, "Plan Rows": 7},
    "Plans": [LEAF, {**LEAF, "Node Type": "Hash", "Plans": [LEAF]}],
}


def test_equal_plans() -> None:
    """Actual rows, times and buffers are no part of the plan; a schema that only one side prints is none either."""
    assert plan_differences(TREE, TREE) == ()
    assert plan_differences({**TREE, "Actual Rows": 9, "Schema": "public", "Shared Hit Blocks": 3}, TREE) == ()


def test_each_difference_is_told_with_its_node() -> None:
    """Nodes are counted in pre-order; a cent, a row, an index and another method count."""
    other = {**LEAF, "Total Cost": 12.51, "Index Name": "huts_pkey"}
    found = plan_differences(TREE, {**TREE, "Plans": [LEAF, {**LEAF, "Node Type": "Hash", "Plans": [other]}]})

    assert found == (
        PlanDifference(3, "Index Name", "None", "huts_pkey"),
        PlanDifference(3, "Total Cost", "12.5", "12.51"),
    )


def test_nothing_is_told_below_another_node() -> None:
    """Below another method the trees have nothing in common."""
    assert plan_differences(TREE, {**TREE, "Node Type": "Nested Loop", "Plans": [LEAF, LEAF]}) == (
        PlanDifference(0, "Node Type", "Hash Join", "Nested Loop"),
    )
    assert plan_differences(TREE, {**TREE, "Plans": [LEAF]}) == (PlanDifference(0, "Plans", "2", "1"),)
