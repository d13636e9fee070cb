"""How far inputs are read that may end early, node by node, on small plans written by hand.

The rules are the executor's: ExecMergeJoin with its mark and restore (executor/nodeMergejoin.c; unique, semi and anti
joins never go back), setop_fill_hash_table and setop_retrieve_sorted (executor/nodeSetOp.c), ExecLimit.
"""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.counts import reckon
from rowreckon.counts.reach import Reach
from rowreckon.counts.timing import own_times
from rowreckon.plan import lay_out, parse_document

AGAIN = "a merge join that goes back over equal keys"
MAYBE_AGAIN = "a merge join that may go back over equal keys"
END = "a merge join that ends with its shorter side"
OTHER_ENDED = "a set operation whose other input ended"


def node(kind: str, came: float = 10, loops: int = 1, *below: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A node as FORMAT JSON prints it, of which 10 rows were expected."""
    told = {"Node Type": kind, "Plan Rows": 10, "Plan Width": 8, "Startup Cost": 0.0, "Total Cost": 1.0}
    told |= {
        "Actual Rows": came,
        "Actual Loops": loops,
        **{key.replace("_", " "): value for key, value in more.items()},
    }
    return told | ({"Plans": list(below)} if below else {})


def inner(kind: str, came: float, loops: int, *below: dict[str, Any]) -> dict[str, Any]:
    return node(kind, came, loops, *below, Parent_Relationship="Inner")


def outer(kind: str = "Seq Scan", came: float = 10, loops: int = 1, *below: dict[str, Any]) -> dict[str, Any]:
    return node(kind, came, loops, *below, Parent_Relationship="Outer")


def reaches(plan: dict[str, Any]) -> list[Reach]:
    """The count state of each node."""
    return [count.reach for count in reckon(lay_out(parse_document({"Plan": plan}).plan)).counts]


def _merge(join_type: str, side: dict[str, Any], *, unique: bool = False) -> Reach:
    plan = node("Merge Join", 10, 1, outer(), side, Join_Type=join_type, Inner_Unique=unique)
    return reaches(plan)[2]


@pytest.mark.parametrize(
    ("join_type", "unique", "expected"),
    [
        ("Inner", False, Reach("reread", AGAIN)),
        ("Left", False, Reach("reread", AGAIN)),
        ("Inner", True, Reach("at_least", END)),
        ("Semi", False, Reach("at_least", END)),
        ("Anti", False, Reach("at_least", END)),
        ("Right", True, Reach("exact")),
        ("Full", True, Reach("exact")),
    ],
)
def test_more_rows_than_were_sorted_were_read_again(join_type: str, unique: bool, expected: Reach) -> None:
    """Twelve rows of ten that were sorted: two came again, unless the join never goes back."""
    assert _merge(join_type, inner("Sort", 12, 1, outer()), unique=unique) == expected


@pytest.mark.parametrize(("kind", "exact"), [("Sort", True), ("Materialize", False)])
def test_as_many_rows_as_were_sorted_are_all(kind: str, exact: bool) -> None:
    """A Sort reads all its input first, so equal counts say that all were handed on. A Materialize stores meanwhile."""
    assert _merge("Inner", inner(kind, 10, 1, outer())) == (Reach("exact") if exact else Reach("at_least", END))
    assert _merge("Inner", inner(kind, 9, 1, outer())) == Reach("at_least", END)
    # five rows in each of two loops are the ten that were sorted once
    assert _merge("Inner", inner(kind, 5, 2, outer())) == (Reach("exact") if exact else Reach("at_least", END))
    assert _merge("Inner", inner(kind, 5, 3, outer())) == Reach("reread", AGAIN)


def test_an_index_scan_may_have_been_read_again() -> None:
    """Nothing below it tells how many rows there are."""
    assert _merge("Inner", inner("Index Scan", 10, 1)) == Reach("reread", MAYBE_AGAIN)
    assert _merge("Semi", inner("Index Scan", 10, 1)) == Reach("at_least", END)
    assert _merge("Inner", inner("Index Scan", 10, 1), unique=True) == Reach("at_least", END)


def test_the_outer_side_of_a_merge_join_is_never_read_again() -> None:
    """It ends with the inner side, unless its rows are kept whatever matches."""
    for join_type, expected in (("Inner", Reach("at_least", END)), ("Left", Reach("exact")), ("Anti", Reach("exact"))):
        plan = node("Merge Join", 10, 1, outer(), inner("Index Scan", 10, 1), Join_Type=join_type)
        assert reaches(plan)[1] == expected


def test_the_inputs_of_a_set_operation() -> None:
    """From 18 it has two: the second may end with the first. Up to 17 an Append has both; hashing reads all."""
    two = node("SetOp", 10, 1, outer(), inner("Seq Scan", 10, 1), Strategy="Sorted", Command="Intersect")
    assert reaches(two)[1:] == [Reach("exact"), Reach("at_least", OTHER_ENDED)]
    limited = node("Limit", 10, 1, two | {"Parent Relationship": "Outer"})
    assert reaches(limited)[2:] == [Reach("at_least", "a LIMIT above it")] * 2
    for strategy, expected in (("Hashed", Reach("exact")), ("Sorted", Reach("at_least", "a LIMIT above it"))):
        one = node("SetOp", 10, 1, outer(), Strategy=strategy, Parent_Relationship="Outer", Command="Intersect")
        assert reaches(node("Limit", 10, 1, one))[2] == expected


@pytest.mark.parametrize(
    ("came", "loops", "expected"),
    [
        (0, 1, Reach("exact")),
        (0, 2, Reach("at_least", "a join that stops at the first match")),
        (1, 1, Reach("at_least", "a join that stops at the first match")),
    ],
)
def test_a_loop_that_stops_at_the_first_match(came: float, loops: int, expected: Reach) -> None:
    """No row of one execution is none; none of several is an average that may have been rounded."""
    plan = node("Nested Loop", 1, 1, outer(), inner("Index Scan", came, loops), Join_Type="Semi")
    assert reaches(plan)[2] == expected


def test_workers_of_a_gather_and_below_it() -> None:
    """As many as were launched, for the Gather and for what stands below it; elsewhere there are none."""
    scan = outer() | {"Parallel Aware": True}
    gather = node("Gather", 10, 1, scan, Workers_Planned=2, Workers_Launched=1, Parent_Relationship="Outer")
    reckoned = reckon(lay_out(parse_document({"Plan": node("Sort", 10, 1, gather)}).plan))
    tree, parallelism = reckoned.tree, reckoned.parallelism

    assert [parallelism.workers(tree, number) for number in range(3)] == [None, 1, 1]
    assert [parallelism.participants(tree, number) for number in range(3)] == [1, 1, 2]
    assert [parallelism.shared[number] for number in range(3)] == [True, True, True]
    assert [parallelism.partial[number] for number in range(3)] == [False, False, True]


@pytest.mark.parametrize(
    ("name", "text", "asks"),
    [
        ("InitPlan 1 (returns $0)", "(id = $0)", True),
        ("InitPlan 1 (returns $0)", "$0", True),
        ("InitPlan 1 (returns $0)", "(id = $01)", False),
        ("InitPlan 1 (returns $1,$2)", "(id = $2)", True),
        ("InitPlan 1 (returns $1)", "(id = $12) AND (k = $1)", True),
        ("InitPlan 1", "(id = (InitPlan 1).col1)", True),
        ("InitPlan 1", "(id = (InitPlan 12).col1)", False),
    ],
)
def test_who_asks_for_a_value_pays_for_it(name: str, text: str, asks: bool) -> None:
    """The 30 ms of an InitPlan ran inside the scan whose filter has its value, by its name up to 16 and since."""
    asked = node("Aggregate", 1, 1, Parent_Relationship="InitPlan", Subplan_Name=name, Actual_Total_Time=30.0)
    scan = outer() | {"Filter": text, "Actual Total Time": 40.0}
    plan = node("Sort", 10, 1, asked, scan, Actual_Total_Time=75.0)

    own = own_times(reckon(lay_out(parse_document({"Plan": plan}).plan)))
    assert own == ([35.0, 30.0, 10.0] if asks else [5.0, 30.0, 40.0])


def test_a_common_table_expression_is_paid_by_its_reader() -> None:
    """The scan of that name pays, not one of another."""
    asked = node("Seq Scan", 1, 1, Parent_Relationship="InitPlan", Subplan_Name="CTE late", Actual_Total_Time=30.0)
    others = [outer("CTE Scan") | {"CTE Name": name, "Actual Total Time": 40.0} for name in ("early", "late")]
    plan = node("Append", 20, 1, asked, *others, Actual_Total_Time=85.0)

    assert own_times(reckon(lay_out(parse_document({"Plan": plan}).plan))) == [5.0, 30.0, 40.0, 10.0]
