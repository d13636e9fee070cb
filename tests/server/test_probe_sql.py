"""Counting queries are single statements, printed from trees; a plan's text that holds more gives none."""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.plan import PlanTree, lay_out, parse_document
from rowreckon.server.executing.probe_sql import probe_statements
from rowreckon.sql.grammar import parse


def scan(alias: str, condition: str, **more: str) -> dict[str, Any]:
    return {"Node Type": "Seq Scan", "Schema": "public", "Relation Name": "hut", "Alias": alias,
            "Filter": condition} | more  # fmt: skip


def tree(plan: dict[str, Any]) -> PlanTree:
    return lay_out(parse_document({"Plan": plan}).plan)


def test_scans_and_joins_are_counted() -> None:
    """Each condition stands under its alias, in a query that stops at the most rows."""
    join = {
        "Node Type": "Hash Join", "Join Type": "Inner", "Hash Cond": "(h.id = g.id)",
        "Plans": [
            scan("h", "(h.region = 3)", **{"Parent Relationship": "Outer"}),
            scan("g", "(lower(g.name) = 'it''s'::text)", **{"Parent Relationship": "Inner"}),
        ],
    }  # fmt: skip
    found = dict(probe_statements(tree(join), most_rows=100))

    assert sorted(found) == [0, 1, 2]
    assert all(len(parse(sql).stmts) == 1 and "LIMIT 100" in sql for sql in found.values())
    assert "h.region = 3" in found[1]
    assert "h.id = g.id" in found[0]


@pytest.mark.parametrize(
    "condition",
    ["(h.region = 3); drop table hut", "E'a'\n'\\' = ' ; drop table hut -- '", "(h.region = (SELECT 1))",
     "(h.region = 3) limit 0) x; drop table hut; select (1", "(h.region = $1)"],
)  # fmt: skip
def test_more_than_a_condition_is_not_counted(condition: str) -> None:
    """No statement is made of it."""
    assert probe_statements(tree(scan("h", condition)), most_rows=100) == ()
