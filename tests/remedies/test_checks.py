"""The queries to run before a remedy: PostgreSQL's own grammar reads each, and prints it as it is written here.

That they run, and what they answer, is tested on live servers in test_sql.py.
"""

from __future__ import annotations

import pytest

from rowreckon.remedies import checks
from rowreckon.remedies.subject import FunctionName, TableName
from rowreckon.sql.grammar import parse, printed

STAYS = TableName("stays", "tours")
BOOK = TableName("Guest's book", "tours")
ANYWHERE = TableName("stays", None)
QUERIES = {
    "when": checks.analyzed_when([STAYS, BOOK]),
    "objects": checks.statistics_objects([ANYWHERE]),
    "settings": checks.column_settings([STAYS], ["city", "Region"]),
    "indexes": checks.indexes([STAYS, ANYWHERE]),
    "matches": checks.matches(STAYS, "guest", BOOK, "Id"),
    "leakproof": checks.leakproof_operators(BOOK, ["city", "region"]),
    "functions": checks.functions(FunctionName("nights", "tours")),
    "functions anywhere": checks.functions(FunctionName("nights", None)),
    "parents": checks.partition_parents([STAYS]),
}


@pytest.mark.parametrize("query", QUERIES.values(), ids=QUERIES)
def test_the_grammar_prints_it_as_it_stands(query: str) -> None:
    """No other parser stands between: what it reads is all that there is."""
    assert printed(parse(query)) == query


def test_names_are_looked_for_as_they_are_known() -> None:
    """Each name once, quoted; a schema only where every table's is known."""
    both = "WHERE c.relname IN ('stays', 'Guest''s book') AND n.nspname IN ('tours') AND"
    assert both in QUERIES["when"]
    assert "WHERE c.relname IN ('stays') AND c.relkind" in QUERIES["objects"]
    assert "WHERE c.relname IN ('stays') AND c.relkind" in QUERIES["indexes"]
    assert "a.attname IN ('city', 'Region')" in QUERIES["settings"]
    assert "a.attname IN ('city', 'region')" in QUERIES["leakproof"]
    assert 'FROM tours.stays a JOIN tours."Guest\'s book" b ON a.guest = b."Id"' in QUERIES["matches"]
    assert "WHERE p.proname = 'nights' AND n.nspname = 'tours' AND" in QUERIES["functions"]
    assert "WHERE p.proname = 'nights' AND p.proretset" in QUERIES["functions anywhere"]
