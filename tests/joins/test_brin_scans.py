"""A join over a BRIN index's bitmap scan that processes share: its cost is a live server's own, of 13 and 18."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases
from rowreckon.plan import lay_out

from .live import Connection, capture, judge, kept_or_live, live_and_kept

TABLES = """
create table hut(id int primary key, kind int, label text);
insert into hut select g, g % 20, 'hut ' || g from generate_series(1, 1000) g;
create table reading(hut int, at int, degrees int, pad text);
insert into reading select g % 1000 + 1, g / 10, g % 40, repeat('r', 60) from generate_series(1, 80000) g;
create table shuffled as select * from reading order by at + (hut * 37) % 900;
create index on reading using brin (at) with (pages_per_range = 16);
create index on shuffled using brin (at) with (pages_per_range = 8);
"""
SHARED = {
    "jit": "off",
    "max_parallel_workers_per_gather": "2",
    "min_parallel_table_scan_size": "0",
    "parallel_setup_cost": "10",
    "random_page_cost": "1.1",
    "enable_nestloop": "off",
    "enable_mergejoin": "off",
}


@pytest.fixture(scope="module", params=live_and_kept(__file__, releases.MODELLED))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with huts and readings."""
    with kept_or_live(request, "", TABLES) as session:
        session.execute("vacuum analyze")
        yield session


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("condition", ["r.at between 3000 and 4500", "r.at > 6000 and r.degrees < 10"])
@pytest.mark.parametrize("table", ["reading", "shuffled"])
def test_whole_ranges_are_read(connection: Connection, table: str, condition: str) -> None:
    """The index gives whole ranges of pages, more of them the less the table lies in the column's order."""
    query = f"select count(*) from {table} r join hut h on h.id = r.hut where h.kind = 3 and {condition}"
    captured = capture(connection, query, settings=SHARED)
    assert captured.explain is not None
    scans = {(node.node_type, node.parallel_aware) for node in lay_out(captured.explain.plan).nodes}
    (join,) = judge(captured)

    assert ("Bitmap Heap Scan", True) in scans
    assert join.residual == pytest.approx(1.0, abs=1e-3)
