"""Generated plans for benchmarks: wide, deep and in between, with distinct conditions, in EXPLAIN's own shape."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tests.benchmarks.test_join_speed import plan_of_joins

_BUFFERS = {
    f"{where} {what} Blocks": 0
    for where, kinds in (
        ("Shared", ("Hit", "Read", "Dirtied", "Written")),
        ("Local", ("Hit", "Read", "Dirtied", "Written")),
        ("Temp", ("Read", "Written")),
    )
    for what in kinds
}


def scan(number: int, relationship: str, *, conditions: int) -> dict[str, Any]:
    """A sequential scan whose condition is one of so many different ones."""
    return {
        "Node Type": "Seq Scan",
        "Parent Relationship": relationship,
        "Parallel Aware": False,
        "Async Capable": False,
        "Relation Name": f"bookings_{number % 40}",
        "Alias": f"b{number % 40}",
        "Startup Cost": 0.0,
        "Total Cost": 40.0 + number % 90,
        "Plan Rows": 100 + number % 900,
        "Plan Width": 24,
        "Actual Startup Time": 0.012,
        "Actual Total Time": 0.7,
        "Actual Rows": 100 + number % 900,
        "Actual Loops": 1,
        "Filter": f"(b{number % 40}.nights = {number % conditions})",
        "Rows Removed by Filter": 12,
        **_BUFFERS,
        "Shared Hit Blocks": 14,
    }


def hash_join(number: int, outer: dict[str, Any], inner: dict[str, Any]) -> dict[str, Any]:
    """A hash join of two inputs, accurately estimated."""
    build = {
        "Node Type": "Hash",
        "Parent Relationship": "Inner",
        "Parallel Aware": False,
        "Async Capable": False,
        "Startup Cost": inner["Total Cost"],
        "Total Cost": inner["Total Cost"],
        "Plan Rows": inner["Plan Rows"],
        "Plan Width": 24,
        "Actual Startup Time": 1.0,
        "Actual Total Time": 1.0,
        "Actual Rows": inner["Actual Rows"],
        "Actual Loops": 1,
        "Hash Buckets": 1024,
        "Original Hash Buckets": 1024,
        "Hash Batches": 1,
        "Original Hash Batches": 1,
        "Peak Memory Usage": 40,
        **_BUFFERS,
        "Plans": [{**inner, "Parent Relationship": "Outer"}],
    }
    return {
        "Node Type": "Hash Join",
        "Parent Relationship": "Outer",
        "Parallel Aware": False,
        "Async Capable": False,
        "Join Type": "Inner",
        "Startup Cost": inner["Total Cost"] + 1,
        "Total Cost": outer["Total Cost"] + inner["Total Cost"] + 10,
        "Plan Rows": 500,
        "Plan Width": 48,
        "Actual Startup Time": 1.1,
        "Actual Total Time": 2.5,
        "Actual Rows": 500,
        "Actual Loops": 1,
        "Inner Unique": False,
        "Hash Cond": f"(b{number % 40}.hut_id = b{(number + 1) % 40}.hut_id)",
        **_BUFFERS,
        "Plans": [{**outer, "Parent Relationship": "Outer"}, build],
    }


def plan_with_wrong_joins(nodes: int, wrong: int, *, seed: int = 7) -> dict[str, Any]:
    """About as many nodes and joins as `plan_of` makes, so many of the joins misestimated, each in its own way.

    Those are the joins of `test_join_speed.plan_of_joins` (whose costs are those of a planner), whose `seed` this is:
    members of the Append beside the accurate ones.
    """
    made = plan_of_joins(wrong, seed)["Plan"]
    taken = sum(1 for _ in _nodes_of(made)) - 1
    document = plan_of(nodes - taken, joined=nodes // 2 - taken)
    root = document["Plan"]
    root["Plans"] = [*root["Plans"], *made["Plans"]]
    for key in ("Plan Rows", "Actual Rows"):
        root[key] += made[key]
    return document


def _nodes_of(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield node
    for below in node.get("Plans", ()):
        yield from _nodes_of(below)


def plan_of(nodes: int, *, conditions: int = 1000, joins_deep: int = 100, joined: int | None = None) -> dict[str, Any]:
    """One EXPLAIN object of about so many nodes: an Append over left-deep join trees and single scans.

    `joined` is how many of the nodes stand in join trees, half of them unless given.
    """
    joined = nodes // 2 if joined is None else joined
    members: list[dict[str, Any]] = []
    made = 1
    number = 0
    while made < joined:
        tree = scan(number, "Outer", conditions=conditions)
        for _ in range(min(joins_deep, (joined - made) // 3 + 1)):
            number += 1
            tree = hash_join(number, tree, scan(number, "Outer", conditions=conditions))
        made += 1 + 3 * joins_deep
        members.append({**tree, "Parent Relationship": "Member"})
    while made < nodes:
        number += 1
        made += 1
        members.append(scan(number, "Member", conditions=conditions))
    root = {
        "Node Type": "Append",
        "Parallel Aware": False,
        "Async Capable": False,
        "Startup Cost": 0.0,
        "Total Cost": 1e6,
        "Plan Rows": sum(m["Plan Rows"] for m in members),
        "Plan Width": 24,
        "Actual Startup Time": 0.1,
        "Actual Total Time": 900.0,
        "Actual Rows": sum(m["Actual Rows"] for m in members),
        "Actual Loops": 1,
        **_BUFFERS,
        "Plans": members,
    }
    return {"Plan": root, "Planning Time": 12.0, "Triggers": [], "Execution Time": 950.0}
