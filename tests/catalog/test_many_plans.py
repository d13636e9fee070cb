"""What the server does for the questions about many plans grows with the plans, not with their pairs.

Counted in rows: what every step of a query's plan handled, as EXPLAIN ANALYZE of the server itself tells.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon.catalog import own_code, questions
from rowreckon.catalog.request import FactsRequest, as_json
from rowreckon.catalog.wanted import wanted_facts

from .conftest import Session

FEW, MANY = 40, 160
QUERY = "select h.name, b.guest from hut h join booking b on b.hut_id = h.id where h.altitude > 1200 and b.nights < 9"
_TYPES = "json, json, json, text[], json, json"
_QUESTIONS = {
    "relations": questions.RELATION_QUESTIONS,
    "ends of columns": questions.END_COLUMNS,
    "clauses": questions.CLAUSE_QUESTIONS,
    "pairs": questions.PAIR_QUESTIONS,
    "ends": questions.END_QUESTIONS,
    "texts": own_code.TEXTS_REFUSED,
}


class Asked:
    """The parameters of the questions about so many plans, as the program would have them."""

    def __init__(self, huts: Session, plans: int) -> None:
        self.connection = huts.connection
        request = wanted_facts([huts.plan(QUERY)] * plans)
        known = [
            {"schema": "public", "name": name, "oid": huts.value(f"select '{name}'::regclass::oid::int8")}
            for name in ("hut", "booking")
        ]
        ends = [
            {"relation": known[0]["oid"], "attnum": 1, "type": "integer", "low": "1", "high": "10000"},
            {"relation": known[1]["oid"], "attnum": 2, "type": "integer", "low": "1", "high": "10000"},
        ]
        self.given: list[Any] = [as_json(request, ascii_only=True), json.dumps(known), json.dumps(ends)]
        self.given += [[text.sql for text in request.texts], "[]", "[]"]
        self.request: FactsRequest = request
        self.given[4] = json.dumps(self.run(questions.SCANS)[0][0])
        self.given[5] = json.dumps(self.run(questions.CLAUSES)[0][0])

    def run(self, query: str, explain: str = "") -> list[tuple[Any, ...]]:
        """The rows that the query gives; with its parameters as constants, as a plpgsql EXECUTE has them."""
        with psycopg.ClientCursor(self.connection) as cursor:
            cursor.execute(f"prepare asked({_TYPES}) as {query}".encode())
            cursor.execute(f"{explain} execute asked(%s, %s, %s, %s, %s, %s)".encode(), self.given)
            rows = cursor.fetchall()
            cursor.execute(b"deallocate asked")
        return rows

    def work(self, query: str) -> float:
        """Rows that all steps of the query's plan handed on or left out."""
        ((document,),) = self.run(query, "explain (analyze, timing off, format json)")
        return sum(_handled(node) for node in _nodes(document[0]["Plan"]))


def _nodes(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield node
    for child in node.get("Plans", ()):
        yield from _nodes(child)


def _handled(node: dict[str, Any]) -> float:
    removed = sum(value for key, value in node.items() if key.startswith("Rows Removed by"))
    return float((node["Actual Rows"] + removed) * node["Actual Loops"])


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("what", _QUESTIONS)
def test_work_grows_with_the_plans(huts: Session, what: str) -> None:
    """Four times the plans are not more than five times the work; pairs would be sixteen times as many."""
    few, many = Asked(huts, FEW), Asked(huts, MANY)
    assert len(many.request.clauses) == MANY
    assert many.run(_QUESTIONS[what])

    assert many.work(_QUESTIONS[what]) < few.work(_QUESTIONS[what]) * 5


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("query", [questions.SCANS, questions.CLAUSES], ids=["scans", "clauses"])
def test_scans_and_clauses_are_matched_once(huts: Session, query: str) -> None:
    """The same for what all questions rest on."""
    assert Asked(huts, MANY).work(query) < Asked(huts, FEW).work(query) * 5


def test_a_text_is_read_and_printed_once(huts: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many plans hold it."""
    from rowreckon.sql import expression

    printed: list[object] = []
    print_it = expression.printed_expression

    def counted(node: Any) -> str:
        printed.append(node)
        return print_it(node)

    monkeypatch.setattr(expression, "printed_expression", counted)
    plan = huts.plan(QUERY)

    wanted_facts([plan])
    alone = len(printed)
    wanted_facts([plan] * MANY)

    assert alone > 0
    assert len(printed) == 2 * alone
