"""The worst plan of a fold is judged with what those of all listed folds tell of its tables; a live server's plans."""

from __future__ import annotations

import json

import pytest

from rowreckon.archive.audit import audit_archive
from rowreckon.archive.work import Options
from tests.joins.live import SERIAL, apply, filled

TABLES = """
create table huts (id int, hut int, steep int, wet int, note text);
insert into huts select g, g * 7919 % 4000 + 1, g * 31 % 200, g * 31 % 200, repeat('n', 20)
  from generate_series(1, 60000) g;
create index huts_hut on huts (hut);
create table guests (id int, hut int, born int, city int, note text);
insert into guests select g, g * 104729 % 4000 + 1, g * 31 % 200, g * 31 % 200, repeat('g', 60)
  from generate_series(1, 20000) g;
"""
JOIN = "select g.id, t.note from guests g join huts t on t.hut = g.hut where g.born < 6 and g.city < 6"
WHOLE = "select g.id, t.note from guests g join huts t on t.hut = g.hut"


@pytest.fixture(scope="module")
def plans(database: str, tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Files of a join whose loop leaves its table's size open, and of another that reads both tables whole."""
    folder = tmp_path_factory.mktemp("plans")
    files: list[str] = []
    with filled(database, TABLES) as connection, connection.transaction(force_rollback=True):
        apply(connection, SERIAL)
        for name, query in (("join", JOIN), ("whole", WHOLE)):
            row = connection.execute(
                f"explain (analyze, verbose, settings, buffers, format json) {query}".encode()
            ).fetchone()
            assert row is not None
            path = folder / f"{name}.json"
            path.write_text(json.dumps(row[0]))
            files.append(str(path))
    return files


def test_a_fold_that_is_not_shown_tells_of_its_tables(plans: list[str]) -> None:
    """With one plan shown the other still decides it, as it does for both in an audit of the files."""
    alone = audit_archive(plans[:1], most_plans=1)
    both = audit_archive(plans, most_plans=1)

    assert [plan.source for plan in both.plans] == plans[:1]
    assert alone.plans[0].joins[0].learned_from == ()
    assert both.plans[0].joins[0].learned_from == (plans[1],)
    assert audit_archive(plans, Options(unit_bytes=1), jobs=2, most_plans=1).to_json() == both.to_json()
