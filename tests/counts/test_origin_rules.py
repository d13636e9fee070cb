"""Where an error enters above a merge join that ended early, on small plans written by hand.

The rule is the executor's (ExecMergeJoin in executor/nodeMergejoin.c): what is left unread of a side when the other
one ends finds no partner, so that the join's output is that of both sides in full. The estimate of the join is its
inputs' rows times a selectivity (calc_joinrel_size_estimate in costsize.c): right inputs leave the error to the join.
"""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.counts import reckon
from rowreckon.counts.origin import Entering, find_origins
from rowreckon.plan import lay_out, parse_document
from tests.counts.test_reach_rules import inner, node, outer


def _entering(plan: dict[str, Any]) -> Entering | None:
    """The error that enters at the root."""
    return find_origins(reckon(lay_out(parse_document({"Plan": plan}).plan))).here[0]


def _merge(came: float, first: dict[str, Any], second: dict[str, Any], join_type: str = "Inner") -> dict[str, Any]:
    return node("Merge Join", came, 1, first, second, Join_Type=join_type, Inner_Unique=True)


@pytest.mark.parametrize("came", [1000, 10000])
def test_an_error_above_right_sides_is_the_join_s_own(came: float) -> None:
    """10 rows were expected of each node, which stands for up to 10.5; of the inner side as many were read."""
    found = _entering(_merge(came, outer(), inner("Index Scan", 10, 1)))

    assert found is not None
    assert found.factor == pytest.approx(came / 10.5)
    assert not found.reported


def test_a_side_that_is_far_off_may_have_brought_the_error() -> None:
    assert _entering(_merge(1000, outer("Seq Scan", 100), inner("Index Scan", 10, 1))) is None
    assert _entering(_merge(1000, outer(), inner("Index Scan", 100, 1))) is None


def test_a_sort_took_all_rows_in_whatever_is_read_of_it() -> None:
    """Its input says how many there are: ten, as expected, or a hundred."""
    right = inner("Sort", 3, 1, outer("Seq Scan", 10))
    wrong = inner("Sort", 10, 1, outer("Seq Scan", 100))
    found = _entering(_merge(1000, outer(), right))

    assert found is not None
    assert found.factor == pytest.approx(1000 / 10.5)
    assert _entering(_merge(1000, outer(), wrong)) is None


def test_only_an_inner_join_puts_out_nothing_for_what_is_unread() -> None:
    assert _entering(_merge(1000, outer(), inner("Index Scan", 10, 1), "Left")) is None
