"""What the server prints as text inside an answer: read, or refused in a sentence when somebody changed it."""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.catalog.answer_columns import extended_statistics_of
from rowreckon.errors import BrokenPlan

RELATION = {"oid": 16400, "kind": "r"}


def _row(**changed: Any) -> dict[str, Any]:
    return {
        "relation": 16400,
        "schema": "public",
        "name": "huts_places",
        "inherited": False,
        "kinds": ["d", "f"],
        "columns": [3, 4],
        "expressions": None,
        "statistics_target": None,
        "n_distinct": None,
        "dependencies": None,
        "most_common_freqs": None,
        "definition": "CREATE STATISTICS huts_places ON region, city FROM huts",
        **changed,
    }


def test_as_a_server_prints_them() -> None:
    """The forms of https://www.postgresql.org/docs/18/planner-stats.html, section 14.2.2."""
    row = _row(
        n_distinct='{"1, 2": 33178, "1, 5": 33178, "2, 5": 27435, "1, 2, 5": 33178}',
        dependencies='{"1 => 5": 1.000000, "5 => 1": 0.423130}',
    )
    (made,) = extended_statistics_of({"extended_statistics": [row]}, [RELATION], {})[16400]
    assert [(g.columns, g.n_distinct) for g in made.n_distinct][-1] == ((1, 2, 5), 33178)
    assert [(d.determinant, d.dependent, d.degree) for d in made.dependencies] == [((1,), 5, 1.0), ((5,), 1, 0.42313)]


@pytest.mark.parametrize(
    "text", ['[{"3, 4": 27}', "[1]", '"x"', "7", '{"3, x": 27}', '{"": 27}', "[" * 100_000, "\u0661"]
)
@pytest.mark.parametrize("field", ["n_distinct", "dependencies"])
def test_changed_by_somebody(field: str, text: str) -> None:
    """One sentence that names the statistics object."""
    with pytest.raises(BrokenPlan, match=f"the {field} of the statistics object huts_places"):
        extended_statistics_of({"extended_statistics": [_row(**{field: text})]}, [RELATION], {})
