"""Keep an archive's folds in a Parquet file or a DuckDB database, and look them up there again.

A Parquet file holds one archive and is written anew; a DuckDB database holds one run after another in its table
`folds`, told apart by `run`.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

from rowreckon.archive.folds import FoldSum
from rowreckon.archive.store import FoldStore, Item
from rowreckon.document.audit import FoldBefore
from rowreckon.errors import UnreadableFile, UsageError
from rowreckon.files import shown, try_file, write_in_folder

_COLUMNS = {
    "fingerprint": "VARCHAR",
    "query_id": "VARCHAR",
    "query": "VARCHAR",
    "times": "BIGINT",
    "misestimated": "BIGINT",
    "crossed": "BIGINT",
    "execution_ms": "DOUBLE",
    "lost_ms": "DOUBLE",
    "first": "VARCHAR",
    "last": "VARCHAR",
    "q_error_min": "DOUBLE",
    "q_error_median": "DOUBLE",
    "q_error_p95": "DOUBLE",
    "q_error_max": "DOUBLE",
}
_ATTACH = "ATTACH ? AS kept (TYPE duckdb)"
_ATTACH_TO_READ = "ATTACH ? AS kept (TYPE duckdb, READ_ONLY)"
_ADD_RUN = (
    "BEGIN",
    "CREATE TABLE IF NOT EXISTS kept.main.folds AS SELECT CAST(NULL AS BIGINT) AS run, * FROM come LIMIT 0",
    "INSERT INTO kept.main.folds SELECT (SELECT coalesce(max(run), 0) + 1 FROM kept.main.folds), * FROM come",
    "COMMIT",
)
_LAST_RUN = """
CREATE TEMP VIEW last_run AS
SELECT * FROM kept.main.folds WHERE run = (SELECT max(run) FROM kept.main.folds)
"""
_WANTED = """
SELECT CAST(fingerprint AS VARCHAR), CAST(times AS BIGINT), CAST(misestimated AS BIGINT), CAST(crossed AS BIGINT),
    CAST(execution_ms AS DOUBLE), CAST(lost_ms AS DOUBLE), CAST(q_error_median AS DOUBLE)
FROM last_run WHERE fingerprint IN (SELECT unnest(?)) LIMIT ?
"""
_NO_EXTENSIONS: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
# in the order in which `_WANTED` names them
_BEFORE = ("times", "misestimated", "crossed", "execution_ms", "lost_ms", "q_error_median")


def check_kept(path: Path, option: str) -> None:
    """Raise UsageError unless the name ends in .parquet or .duckdb and DuckDB is installed."""
    if path.suffix.lower() not in (".parquet", ".duckdb"):
        raise UsageError(f"{option} cannot tell a format from {path.name!r}", hint="use .parquet or .duckdb")
    try:
        import duckdb  # noqa: F401
    except ImportError:
        raise UsageError(f"{option} needs DuckDB", hint="pip install 'rowreckon[archive]'") from None


def check_keepable(path: Path) -> None:
    """What `check_kept` does for `--keep`, and try the place, leaving nothing behind there. Raises UsageError."""
    check_kept(path, "--keep")
    try_file(path, "--keep")
    if _grows(path):
        for part in (path, path.with_name(f"{path.name}.wal")):
            if part.is_symlink():
                raise UsageError(
                    f"--keep: {shown(part)!r} is a link, and a database is not written through one",
                    hint="name the database itself",
                )


def keep_folds(store: FoldStore, path: Path) -> None:
    """Write all folds to a .parquet file, or add them as a run to a .duckdb database. Raises UsageError.

    Both can be read by their owner only: folds hold the texts of queries. A database that is there grows within a
    transaction of its own; everything else is written beside its place and moved there when it is whole.
    """
    import duckdb

    check_keepable(path)
    try:
        with NamedTemporaryFile("w", suffix=".ndjson", encoding="utf-8") as rows:
            for item in store.folds():
                rows.write(json.dumps(_row(*item)) + "\n")
            rows.flush()
            if _grows(path):
                path.chmod(0o600)
                _add_run(path, rows.name)
            elif path.suffix.lower() == ".parquet":
                write_in_folder(path, lambda beside: _write_parquet(beside, rows.name))
            else:
                write_in_folder(path, lambda beside: _add_run(beside, rows.name))
    except (duckdb.Error, OSError, _NotKept) as error:
        raise UsageError(f"{shown(path)!r} cannot be written: {_reason(error)}") from None


def _grows(path: Path) -> bool:
    """Whether the run is added to a database that is there."""
    return path.suffix.lower() == ".duckdb" and os.path.lexists(path)


def _come(database: Any, rows: str) -> Any:
    """The rows written for keeping, as a relation of DuckDB's."""
    return database.read_json(rows, format="newline_delimited", columns=_COLUMNS)


def _write_parquet(path: Path, rows: str) -> None:
    import duckdb

    with duckdb.connect() as database:
        _come(database, rows).write_parquet(str(path))


def folds_before(path: Path, ranked: Sequence[Item]) -> Mapping[str, FoldBefore]:
    """What was kept of these folds: of a database's last run, where it holds several. Raises UnreadableFile."""
    import duckdb

    if not path.is_file():
        raise UnreadableFile("there is no such file", where=str(path), hint="give one that --keep wrote")
    wanted = [name.hex() for name, _ in ranked]
    try:
        if path.suffix.lower() == ".parquet":
            with duckdb.connect(config=_NO_EXTENSIONS) as database:
                database.read_parquet(str(path)).create_view("last_run")
                found = _rows(database, wanted)
        else:
            with _beside(path) as database:
                database.execute(_LAST_RUN)
                found = _rows(database, wanted)
    except (duckdb.Error, _NotKept) as error:
        raise UnreadableFile(
            f"the kept archive cannot be read: {_reason(error)}", where=str(path), hint="give one that --keep wrote"
        ) from None
    known = {name: FoldBefore(**dict(zip(_BEFORE, values, strict=True))) for name, *values in found}
    return {name: known.get(name, FoldBefore()) for name in wanted}


class _NotKept(Exception):
    """What a file holds is nothing that `--keep` writes; the message says what."""


@contextmanager
def _beside(path: Path, *, rows: str | None = None) -> Iterator[Any]:
    """A database in memory, with the kept one beside it as `kept`: to read, or to add `rows`, put in the table `come`.

    A kept database may be anybody's. Its views could read files and addresses, and its macros could stand for functions
    of ours: views are refused, its macros are not looked up from here, and once it is attached no other file, address
    or extension is within reach. Raises duckdb.Error, and _NotKept where its folds are no table of plain columns.
    """
    import duckdb

    with duckdb.connect(config=_NO_EXTENSIONS) as database:
        database.execute(_ATTACH_TO_READ if rows is None else _ATTACH, [str(path)])
        if rows is not None:
            _come(database, rows).create("come")
        database.execute("SET enable_external_access = false")
        database.execute("SET lock_configuration = true")
        kinds = database.execute(
            "SELECT table_type FROM information_schema.tables"
            " WHERE table_catalog = 'kept' AND table_schema = 'main' AND table_name = 'folds'"
        ).fetchall()
        computed = database.execute(
            "SELECT column_name FROM information_schema.columns WHERE is_generated = 'ALWAYS'"
            " AND table_catalog = 'kept' AND table_schema = 'main' AND table_name = 'folds'"
        ).fetchall()
        if any(kind != "BASE TABLE" for (kind,) in kinds) or computed:
            raise _NotKept("its folds are computed, where --keep writes a table")
        yield database


def _add_run(path: Path, rows: str) -> None:
    with _beside(path, rows=rows) as database:
        for statement in _ADD_RUN:
            database.execute(statement)


def _rows(database: Any, wanted: Sequence[str]) -> list[tuple[Any, ...]]:
    """The wanted folds, each once. Raises _NotKept where one is there twice or has figures that no fold has."""
    one_too_many = len(wanted) + 1
    found: list[tuple[Any, ...]] = database.execute(_WANTED, [list(wanted), one_too_many]).fetchall()
    if len({name for name, *_ in found}) < len(found):
        raise _NotKept("a fold stands in it twice")
    if not all(map(_possible, found)):
        raise _NotKept("its figures are none of a fold's")
    return found


def _possible(row: tuple[Any, ...]) -> bool:
    """Whether counts are whole numbers and times are finite, none of them negative."""
    _, *figures = row
    counts = (value for name, value in zip(_BEFORE, figures, strict=True) if _COLUMNS[name] == "BIGINT")
    return all(value is not None for value in counts) and all(
        value is None or (math.isfinite(value) and value >= 0) for value in figures
    )


def _row(fingerprint: bytes, fold: FoldSum) -> dict[str, Any]:
    errors = fold.errors.figures()
    worst = fold.worst
    return {
        "fingerprint": fingerprint.hex(),
        "query_id": None if worst is None else worst.query_id,
        "query": None if worst is None else worst.query,
        "times": fold.times,
        "misestimated": fold.misestimated,
        "crossed": fold.crossed,
        "execution_ms": fold.execution_us / 1000 if fold.timed else None,
        "lost_ms": fold.lost_us / 1000,
        "first": fold.first,
        "last": fold.last,
        **{f"q_error_{name}": errors.get(name) for name in ("min", "median", "p95", "max")},
    }


def _reason(error: Exception) -> str:
    """What went wrong, without the kind of error that DuckDB writes before it and the lines behind."""
    said = str(error).partition("\n")[0]
    kind, colon, rest = said.partition(": ")
    return rest if colon and kind.endswith("Error") else said
