"""The typed tree against every plan that servers of 12 to 18 make: read, and rebuilt from typed fields without loss.

Source: the servers themselves, over the generated statements and option sets of tests/reading/generator.py.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import psycopg
import pytest

from rowreckon.plan.base import ExplainPart, PlanNode
from rowreckon.plan.document import parse_document
from rowreckon.plan.nodes import FAMILIES, OtherNode
from rowreckon.plan.tree import lay_out
from rowreckon.reading.raw import RawPlan
from rowreckon.reading.text import read_plans
from tests.reading.generator import combinations, create_tables, explain
from tests.servers.fixtures import MatrixServer

# The one foreign data wrapper and every extension may print keys of its own: those are kept as unknown by design.
FOREIGN_KEYS = {"Foreign File", "Foreign File Size", "Foreign Program"}


@pytest.mark.oldest_and_newest
def test_every_plan_is_rebuilt_from_typed_fields(reading_database: MatrixServer) -> None:
    """For each statement under each option set: same document, same number types, and no key left untyped."""
    plans = mended = 0
    node_types: Counter[str] = Counter()
    unknown: Counter[str] = Counter()
    with psycopg.connect(reading_database.dsn, autocommit=True) as connection:
        extras = create_tables(connection)
        for statement, options in combinations(reading_database.major, extras):
            text = explain(connection, statement, options, "raw json")
            for raw in read_plans(text):
                assert isinstance(raw, RawPlan)
                # EXPLAIN ANALYZE of some MERGE statements prints no valid JSON on 15 to 18: mended, and said.
                document = raw.document if raw.notes else json.loads(text)[0]
                typed = parse_document(raw.document)
                back = typed.to_explain()
                assert back == document, f"{statement.name} under {options.name}"
                assert json.dumps(back, sort_keys=True) == json.dumps(document, sort_keys=True)
                plans += 1
                mended += bool(raw.notes)
                unknown.update(_unknown_below(typed))
                for node in lay_out(typed.plan).nodes:
                    node_types[node.node_type] += 1
                    unknown.update(_unknown_below(node))
                    assert not isinstance(node, OtherNode), node.node_type
    missing = set(FAMILIES) - set(node_types) - _absent(reading_database.major)
    reached = f"{plans} plans, {mended} mended, {len(node_types)} node types"
    print(f"{reading_database.major}: {reached}; not reached: {sorted(missing)}")

    assert plans > 500
    assert not set(unknown) - FOREIGN_KEYS
    assert missing <= {"Custom Scan"}, "no server reaches a custom scan without an extension of that kind"


def _unknown_below(part: ExplainPart) -> list[str]:
    """Keys without a type in a node and in the objects within it, its child nodes left out."""
    keys = list(part.unknown_keys)
    for value in part.__dict__.values():
        for inner in value if isinstance(value, tuple) else (value,):
            if isinstance(inner, ExplainPart) and not isinstance(inner, PlanNode):
                keys.extend(_unknown_below(inner))
    return keys


def _absent(major: int) -> set[str]:
    since = {"Incremental Sort": 13, "Memoize": 14, "Tid Range Scan": 14}
    return {node_type for node_type, first in since.items() if major < first}


@pytest.mark.parametrize("value", [{"Depth": 3}, [1, 2], "text", None, 1.5])
def test_an_unknown_key_is_kept_and_named(value: Any) -> None:
    """A key of a later release or of an extension is neither lost nor fatal, wherever it stands."""
    node = {"Node Type": "Seq Scan", "Relation Name": "huts", "Alias": "h", "Future Key": value}
    document = {"Plan": {"Node Type": "Future Node", "Future Key": value, "Plans": [node]}, "Future Top": value}
    typed = parse_document(document)

    assert typed.to_explain() == document
    assert typed.unknown_keys == {"Future Top": value}
    assert typed.plan.unknown_keys == {"Future Key": value}
    assert isinstance(typed.plan, OtherNode)
