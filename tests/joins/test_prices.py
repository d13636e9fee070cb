"""That a cost which is only bounded from below changes nothing: each lead is the one that all costs give."""

from __future__ import annotations

from math import inf
from pathlib import Path

import pytest

from rowreckon.auditing import audit_capture
from rowreckon.captures.capture_file import read_written
from rowreckon.joins.above.top import Joined, Weighing
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.verdict.prices import Prices, kept_within
from rowreckon.joins.ways.model import JoinModel

CAPTURES = Path(__file__).parents[1] / "report" / "captures"


@pytest.mark.parametrize("name", ["stale-statistics", "correlated-columns"])
def test_every_lead_is_that_of_all_costs(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Joins below grouping and ordering, at every point at which their lines are sounded."""
    met: list[tuple[JoinModel, Point]] = []
    weighed: list[Joined] = []
    begin, weigh = Prices.__init__, Weighing.beyond_grouping

    def noted(self: Prices, model: JoinModel, point: Point) -> None:
        met.append((model, point))
        begin(self, model, point)

    def counted(self: Weighing, joined: Joined) -> object:
        weighed.append(joined)
        return weigh(self, joined)

    with monkeypatch.context() as patched:
        patched.setattr(Prices, "__init__", noted)
        audit_capture(read_written(CAPTURES / f"{name}.capture.json")[0])

    topped = [(model, point) for model, point in met if model.top is not None]
    assert len(topped) > 10
    monkeypatch.setattr(Weighing, "beyond_grouping", counted)
    for model, point in topped:
        found = Prices(model, point).lead()
        paths = model.paths(point)
        cost, first = min((path.total_cost, n) for n, (_, path) in enumerate(paths))
        method = paths[first][0]
        after = min((path.total_cost for other, path in paths if other != method), default=inf)
        assert (found.method, found.cost, found.next) == (method, cost, after)
        for factor in (1.0, 2.0, 20.0):
            near = [n for n, (_, path) in enumerate(paths) if path.total_cost <= factor * cost]
            assert kept_within([Prices(model, point)], factor) == near

    weighed.clear()
    for model, point in topped:
        Prices(model, point).lead()
    assert 0 < len(weighed) < sum(len(model.deciding()) for model, _ in topped) / 2
