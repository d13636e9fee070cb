"""Parts that are made without a check are what a check would have made of them: types, order of keys, all fields."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon.auditing import audit
from rowreckon.document.audit import Audit, Join, JoinSide, Node, RowsPerOuter, RowVisits
from rowreckon.document.base import Part
from rowreckon.intake import read_path

SAMPLES = Path(__file__).parent.parent / "sample_plans"


@pytest.fixture(scope="module")
def audited() -> Audit:
    """Every sample plan, of every release and form."""
    files = [path for path in sorted(SAMPLES.iterdir()) if path.suffix in (".json", ".txt")]
    return audit(capture for path in files for capture in read_path(path))


def _parts(audited: Audit, kind: type[Part]) -> list[Part]:
    nodes = [node for plan in audited.plans for node in plan.nodes]
    joins = [join for plan in audited.plans for join in plan.joins]
    inside = [p for j in joins for p in (j.outer, j.inner, j.inner_rows_per_outer, *j.row_visits.values())]
    return [part for part in (*nodes, *joins, *inside) if isinstance(part, kind)]


@pytest.mark.parametrize("kind", [Node, Join, JoinSide, RowsPerOuter, RowVisits])
def test_a_check_changes_nothing(kind: type[Part], audited: Audit) -> None:
    """pydantic's own validation of the same values, as the check outside."""
    parts = _parts(audited, kind)

    assert len(parts) > 40
    for part in parts:
        checked = kind.model_validate(dict(part.__dict__))
        assert checked == part
        assert list(part.__dict__) == list(kind.model_fields)
        assert [type(value) for value in checked.__dict__.values()] == [type(v) for v in part.__dict__.values()]
        assert checked.model_dump_json(by_alias=True) == part.model_dump_json(by_alias=True)
