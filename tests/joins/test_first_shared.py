"""Where a LIMIT takes the first rows, in an order, of what processes share: not all that they could do has a price.

Source: generate_useful_gather_paths in optimizer/path/allpaths.c: a sort may stand at any place below a Gather Merge.
"""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.joins.facts.wanted_above import first_shared
from rowreckon.plan import lay_out, parse_document


def _plan(*above: str) -> Any:
    """A join of two tables below these nodes, the uppermost first."""
    scan = {"Node Type": "Seq Scan", "Relation Name": "hut", "Alias": "h", "Plan Rows": 9}
    plan: dict[str, Any] = {"Node Type": "Nested Loop", "Join Type": "Inner", "Plan Rows": 9, "Plans": [scan, scan]}
    for name in reversed(above):
        plan = {"Node Type": name, "Plan Rows": 9, "Plans": [plan | {"Parent Relationship": "Outer"}]}
    return lay_out(parse_document({"Plan": plan}).plan)


@pytest.mark.parametrize(
    ("above", "shared"),
    [
        (("Limit", "Gather Merge", "Sort"), True),
        (("Limit", "Sort", "Gather"), True),
        (("Limit", "Gather Merge"), True),
        (("Limit", "Gather"), False),
        (("Limit", "Sort"), False),
        (("Sort", "Gather"), False),
        (("Limit", "Aggregate", "Gather Merge"), False),
    ],
)
def test_which_joins_are_shared_for_first_rows(above: tuple[str, ...], shared: bool) -> None:
    """A LIMIT, an order and a Gather have to stand above, and nothing that reads all rows for its own sake."""
    assert first_shared(_plan(*above), len(above)) is shared
