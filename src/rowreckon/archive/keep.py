"""Keep an archive's folds in a Parquet file or a DuckDB database, and look them up there again.

A Parquet file holds one archive and is written anew; a DuckDB database holds one run after another in its table
`folds`, told apart by `run`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

from rowreckon.archive.folds import FoldSum
from rowreckon.archive.store import FoldStore, Item
from rowreckon.document.audit import FoldBefore
from rowreckon.errors import UnreadableFile, UsageError

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
_BEFORE = ("times", "misestimated", "crossed", "execution_ms", "lost_ms", "q_error_median")


def check_kept(path: Path, option: str) -> None:
    """Raise UsageError unless the name ends in .parquet or .duckdb and DuckDB is installed."""
    if path.suffix.lower() not in (".parquet", ".duckdb"):
        raise UsageError(f"{option} cannot tell a format from {path.name!r}", hint="use .parquet or .duckdb")
    try:
        import duckdb  # noqa: F401
    except ImportError:
        raise UsageError(f"{option} needs DuckDB", hint="pip install 'rowreckon[archive]'") from None


def keep_folds(store: FoldStore, path: Path) -> None:
    """Write all folds to a .parquet file, or add them as a run to a .duckdb database. Raises UsageError."""
    import duckdb

    columns = ", ".join(f"{_quoted(name)}: '{kind}'" for name, kind in _COLUMNS.items())
    with NamedTemporaryFile("w", suffix=".ndjson", encoding="utf-8") as rows:
        for item in store.folds():
            rows.write(json.dumps(_row(*item)) + "\n")
        rows.flush()
        source = f"read_json({_text(rows.name)}, format='newline_delimited', columns={{{columns}}})"
        try:
            if path.suffix.lower() == ".parquet":
                with duckdb.connect() as database:
                    database.execute(f"COPY (SELECT * FROM {source}) TO {_text(str(path))} (FORMAT parquet)")
            else:
                with duckdb.connect(str(path)) as database:
                    _add_run(database, source)
        except duckdb.Error as error:
            raise UsageError(f"{str(path)!r} cannot be written: {_first_line(error)}") from None


def folds_before(path: Path, ranked: Sequence[Item]) -> Mapping[str, FoldBefore]:
    """What was kept of these folds: of a database's last run, where it holds several. Raises UnreadableFile."""
    import duckdb

    if not path.is_file():
        raise UnreadableFile("there is no such file", where=str(path), hint="give one that --keep wrote")
    wanted = [name.hex() for name, _ in ranked]
    names = ", ".join(_quoted(name) for name in _BEFORE)
    try:
        if path.suffix.lower() == ".parquet":
            with duckdb.connect() as database:
                found = _rows(database, names, f"read_parquet({_text(str(path))})", "TRUE", wanted)
        else:
            with duckdb.connect(str(path), read_only=True) as database:
                found = _rows(database, names, "folds", "run = (SELECT max(run) FROM folds)", wanted)
    except duckdb.Error as error:
        raise UnreadableFile(
            f"the kept archive cannot be read: {_first_line(error)}", where=str(path), hint="give one that --keep wrote"
        ) from None
    known = {name: FoldBefore(**dict(zip(_BEFORE, values, strict=True))) for name, *values in found}
    return {name: known.get(name, FoldBefore()) for name in wanted}


def _add_run(database: Any, source: str) -> None:
    columns = ", ".join(f"{_quoted(name)} {kind}" for name, kind in _COLUMNS.items())
    database.execute("BEGIN")
    database.execute(f"CREATE TABLE IF NOT EXISTS folds (run BIGINT, {columns})")
    database.execute(f"INSERT INTO folds SELECT (SELECT coalesce(max(run), 0) + 1 FROM folds), * FROM {source}")
    database.execute("COMMIT")


def _rows(database: Any, names: str, table: str, where: str, wanted: Iterable[str]) -> list[tuple[Any, ...]]:
    query = f"SELECT fingerprint, {names} FROM {table} WHERE {where} AND fingerprint IN (SELECT unnest(?))"
    found: list[tuple[Any, ...]] = database.execute(query, [list(wanted)]).fetchall()
    return found


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


def _quoted(name: str) -> str:
    return f'"{name}"'


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _first_line(error: Exception) -> str:
    return str(error).partition("\n")[0]
