"""pg_dump's files against the catalogs of the server that they were made of, fact by fact."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

import psycopg
import pytest

from rowreckon.declared.facts import Declared
from rowreckon.declared.reading import SchemaFiles, read_schema_files
from rowreckon.declared.result import declared_of
from rowreckon.server.own.binaries import wheel_root
from tests.declared.catalog_truth import differences, functions_of_files, functions_of_server, of_files, of_server
from tests.declared.scene import FROM_14, FROM_15, MIGRATIONS, RICH
from tests.servers.databases import run_script
from tests.servers.fixtures import MatrixServer

SCHEMAS = ["huts", "Trail Log"]
LIMIT = 64 * 1024 * 1024


def pg_dump(dsn: str, file: Path, *options: str, schemas: Sequence[str] = ("huts", '"Trail Log"')) -> Path:
    """A dump of these schemas (none: all) by the newest pg_dump, which reads all releases since 9.2."""
    program = wheel_root() / "bin" / "pg_dump"
    only = [f"--schema={name}" for name in schemas]
    subprocess.run([program, "--no-password", *only, *options, "-f", file, "-d", dsn], check=True, capture_output=True)
    return file


def everything(files: SchemaFiles) -> Declared:
    """All that files declare."""
    return declared_of(files, {name for _, name in files.schema.tables}, {name for _, name in files.schema.functions})


@pytest.fixture(scope="module")
def rich(reading_database: MatrixServer) -> MatrixServer:
    """A database with one of everything, on each release."""
    script = (
        RICH + (FROM_14 if reading_database.major >= 14 else "") + (FROM_15 if reading_database.major >= 15 else "")
    )
    run_script(reading_database.dsn, script)
    return reading_database


@pytest.mark.oldest_and_newest
def test_a_schema_dump_tells_what_the_catalogs_tell(rich: MatrixServer, tmp_path: Path) -> None:
    """Each relation, column, index, key, statistics object and function; nothing is passed over with a note."""
    files = read_schema_files([pg_dump(rich.dsn, tmp_path / "schema.sql", "--schema-only")], LIMIT)
    declared = everything(files)

    assert files.notes == []
    assert differences(of_files(declared), of_server(rich.dsn, SCHEMAS)) == {}
    assert functions_of_files(declared) == functions_of_server(rich.dsn, SCHEMAS)
    assert all(r.whole for r in declared.relations)
    assert len(declared.relations) >= 11


@pytest.mark.oldest_and_newest
def test_a_dump_with_rows_tells_the_same(rich: MatrixServer, tmp_path: Path) -> None:
    """Rows of COPY are passed over, with quotes and backslashes in them."""
    with_rows = read_schema_files([pg_dump(rich.dsn, tmp_path / "all.sql")], LIMIT)

    assert with_rows.notes == []
    assert differences(of_files(everything(with_rows)), of_server(rich.dsn, SCHEMAS)) == {}


@pytest.mark.oldest_and_newest
def test_migrations_read_and_applied_come_to_the_same(reading_database: MatrixServer, tmp_path: Path) -> None:
    """The server applies them, we read them: the same tables, names made up by the server included."""
    files = []
    for number, script in enumerate(MIGRATIONS):
        files.append(tmp_path / f"{number}.sql")
        files[-1].write_text(script)
        run_script(reading_database.dsn, script)
    found = read_schema_files(files, LIMIT)

    assert found.notes == []
    truth = of_server(reading_database.dsn, ["club", "archive", "vault"])
    truth["club.scraps"]["columns"] = {}  # which only its query tells
    assert differences(of_files(everything(found)), truth) == {}


_STATISTICS = """
select s.attname, s.inherited, s.null_frac, s.avg_width, s.n_distinct, s.correlation, s.most_common_freqs,
       cardinality(s.histogram_bounds::text::text[])
from pg_stats s where s.schemaname = 'huts' and s.tablename = 'visits'
"""


@pytest.mark.oldest_and_newest
def test_a_statistics_dump_tells_sizes_and_columns(rich: MatrixServer, tmp_path: Path) -> None:
    """pg_class and pg_stats, through 18's pg_dump, which reads the statistics of older servers too."""
    with psycopg.connect(rich.dsn, autocommit=True) as connection:
        connection.execute("vacuum analyze huts.visits")
        connection.execute("analyze huts.ranges")
        sizes = connection.execute(
            "select relname, relpages, reltuples, relallvisible, relkind::text from pg_class where relnamespace = "
            "'huts'::regnamespace and (relname in ('visits', 'ranges') or relname ~ '^visits_(once|came)')"
        ).fetchall()
        truth = {row[:2]: row[2:] for row in connection.execute(_STATISTICS)}
    declared = everything(
        read_schema_files(
            [
                pg_dump(rich.dsn, tmp_path / "schema.sql", "--schema-only"),
                pg_dump(rich.dsn, tmp_path / "statistics.sql", "--statistics-only"),
            ],
            LIMIT,
        )
    )
    visits = declared.relation("visits", "huts")
    assert visits is not None

    for name, pages, rows, visible, kind in sizes:
        found = visits.index(name) if kind == "i" else declared.relation(name, "huts")
        assert found is not None
        counted = rows > 0 or (rows == 0 and rich.major >= 14)  # up to 13 a 0 may say that nobody counted
        assert (found.relpages, found.reltuples) == (pages, rows if counted else None), name
        assert kind == "i" or getattr(found, "relallvisible", None) == visible
    told = {(c.name, s.inherited): s for c in visits.columns for s in c.statistics}
    assert told.keys() == truth.keys()
    assert len(told) >= 4
    for key, (nulls, width, distinct, correlation, frequencies, bounds) in truth.items():
        row = told[key]
        assert (row.null_frac, row.avg_width, row.n_distinct) == pytest.approx((nulls, width, distinct), rel=1e-5), key
        assert row.correlation == (None if correlation is None else pytest.approx(correlation, rel=1e-5))
        assert row.most_common_freqs == pytest.approx(tuple(frequencies or ()), rel=1e-4)
        assert row.n_histogram == (bounds or 0)
