"""What a file's plan may be asked about is all that a plan of one's own may, but for what the lists leave out.

The plans are those of the reading's generator and the sample plans: conditions as servers of 13 to 18 print them.
"""

from __future__ import annotations

import json
from pathlib import Path

import psycopg
import pytest

from rowreckon.catalog.facts import Catalog
from rowreckon.catalog.wanted import wanted_facts
from rowreckon.plan import PlanTree, lay_out, parse_document
from rowreckon.plan.nodes import ScanNode
from rowreckon.server.sweeping.facts import read_catalogs
from tests.reading.generator import create_tables, explain, option_sets, statements
from tests.servers.fixtures import MatrixServer

SAMPLES = Path(__file__).parents[2] / "sample_plans"


def told(catalogs: tuple[Catalog, ...]) -> dict[str, set[tuple[object, ...]]]:
    """What the planner told, each entry with the number of its plan."""
    found: dict[str, set[tuple[object, ...]]] = {
        "conditions": set(),
        "columns": set(),
        "clauses": set(),
        "pairs": set(),
    }
    for number, catalog in enumerate(catalogs):
        for e in catalog.relation_estimates:
            found["conditions"].update((number, e.alias, r.condition, r.selectivity) for r in e.restrictions)
            found["columns"].update((number, e.alias, column) for column in e.columns if e.columns_complete)
        for c in catalog.join_clauses:
            key = (number, c.left.expression, c.operator, c.right.expression)
            found["clauses"].add((*key, c.selectivity, c.semi_selectivity, c.ascending is None, c.can_merge))
        found["pairs"].update((number, p.left_alias, p.right_alias, p.rows) for p in catalog.join_pairs)
    return found


@pytest.mark.oldest_and_newest
def test_a_files_plans_are_answered_as_ones_own(matrix_database: MatrixServer) -> None:
    """Conditions, columns, clauses and pairs are the same to the digit; each that is not asked is named."""
    with psycopg.connect(matrix_database.dsn, autocommit=True) as connection:
        extras = create_tables(connection)
        connection.execute("analyze")
        planned = [o for o in option_sets(matrix_database.major) if not o.analyze]
        options = [next(o for o in planned if ("verbose" in o.words) == verbose) for verbose in (False, True)]
        trees: list[PlanTree] = []
        for statement in statements(matrix_database.major, extras):
            for option in options:
                documents = explain(connection, statement, option, "json")
                trees.extend(lay_out(parse_document(d).plan) for d in documents)
        from_file, own = (read_catalogs(connection, trees, trust=trust) for trust in ("file", "own_list"))

    here, there = told(from_file), told(own)
    unasked = {m.what for catalog in from_file for m in catalog.missing if "not asked" in m.why}
    for kind, entries in there.items():
        lost = entries - here[kind]
        print(f"{matrix_database.major} {kind}: {len(entries) - len(lost)} of {len(entries)} as one's own")
        assert len(entries) > 10
        assert here[kind] <= entries
        assert all(kind == "conditions" and "random()" in str(entry) for entry in lost), lost
    assert any("random()" in what for what in unasked)


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.json")), ids=lambda path: path.name)
def test_the_sample_plans_are_asked_whole(path: Path) -> None:
    """All that stands on its own is asked: what is left out names a subplan or a value from elsewhere."""
    document = json.loads(path.read_text())
    tree = lay_out(parse_document(document[0] if isinstance(document, list) else document).plan)
    request = wanted_facts([tree])

    assert {r.name for r in request.relations} >= {n.relation_name for n in tree.nodes if isinstance(n, ScanNode)} - {
        None
    }
    assert all("from elsewhere" in entry.why for entry in request.not_asked)
    assert all("$" in text or "Plan" in text for relation in request.relations for text in relation.left_out)
