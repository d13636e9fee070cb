"""What the server prints as text inside an answer: read, or refused in a sentence when somebody changed it."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from rowreckon.catalog.answers.catalogs import catalogs_from_answer
from rowreckon.catalog.answers.columns import extended_statistics_of
from rowreckon.catalog.ask import read_answers
from rowreckon.errors import BrokenPlan, InputTooLarge, UsageError

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


@pytest.mark.parametrize("plans", [2_000_000_000, 2e9, 2.0, "2", -1, True, None])
def test_a_number_of_plans_that_nobody_asked_about(plans: object) -> None:
    """Refused before anything is made for each of them."""
    with pytest.raises(ValidationError, match="plans"):
        catalogs_from_answer({"request": {"plans": plans}}, plans=1)


def test_another_number_of_plans() -> None:
    """An answer to other plans is told before it is read."""
    with pytest.raises(UsageError, match="the answer is about 2 plans, the input holds 1"):
        catalogs_from_answer({"request": {"plans": 2}}, plans=1)


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_more_lines_than_any_answer_has(end: str) -> None:
    """Refused in a sentence, since each line kept by itself takes many times its own size."""
    with pytest.raises(InputTooLarge, match="more than 1,000,000 lines"):
        read_answers('{"facts_md5": "0", "answer": {' + end * 1_000_001)
