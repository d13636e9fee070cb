"""What is kept is what the document says, read back with DuckDB itself."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from rowreckon.archive.audit import audit_archive
from rowreckon.archive.keep import check_kept, folds_before, keep_folds
from rowreckon.archive.store import FoldStore
from rowreckon.errors import UnreadableFile, UsageError
from tests.archive.logs import sample_log


@pytest.mark.parametrize("suffix", ["parquet", "duckdb"])
def test_kept_and_found_again(tmp_path: Path, suffix: str) -> None:
    """Every fold, with its figures; a later archive knows what was before, and what is new."""
    log, later, kept = tmp_path / "huts.log", tmp_path / "later.log", tmp_path / f"it's kept.{suffix}"
    log.write_bytes(sample_log(3))
    later.write_bytes(sample_log(1) + sample_log(1).replace(b'"select ', b'"select distinct '))
    first = audit_archive([str(log)], most_folds=1000, keep=lambda store: keep_folds(store, kept))
    table = f"read_parquet('{str(kept).replace(chr(39), 2 * chr(39))}')" if suffix == "parquet" else "folds"
    with duckdb.connect(":memory:" if suffix == "parquet" else str(kept), read_only=suffix == "duckdb") as database:
        rows = database.execute(
            f"SELECT fingerprint, times, crossed, lost_ms, q_error_median, query FROM {table}"
        ).fetchall()

    assert sorted(rows) == sorted(
        (f.fingerprint, f.times, f.crossed, f.lost_ms, f.q_errors.get("median"), f.query) for f in first.folds
    )

    second = audit_archive([str(later)], most_folds=1000, before=lambda ranked: folds_before(kept, ranked))
    before = [fold.before for fold in second.folds]
    assert all(each is not None for each in before)
    assert any(each is not None and each.times == 0 for each in before)
    for fold in second.folds:
        if fold.before is not None and fold.before.times:
            assert fold.before.times == 3 * fold.times


def test_a_database_holds_run_after_run(tmp_path: Path) -> None:
    """The last run is the one compared with."""
    log, kept = tmp_path / "huts.log", tmp_path / "huts.duckdb"
    for times in (1, 2):
        log.write_bytes(sample_log(times))
        audit_archive([str(log)], keep=lambda store: keep_folds(store, kept))
    with duckdb.connect(str(kept), read_only=True) as database:
        runs = database.execute("SELECT run, min(times) FROM folds GROUP BY run ORDER BY run").fetchall()
    found = audit_archive([str(log)], before=lambda ranked: folds_before(kept, ranked))

    assert runs == [(1, 1), (2, 2)]
    assert all(fold.before is not None and fold.before.times == fold.times for fold in found.folds)


def test_wrong_names_and_files(tmp_path: Path) -> None:
    """One sentence each."""
    with pytest.raises(UsageError, match="cannot tell a format"):
        check_kept(tmp_path / "folds.csv", "--keep")
    with pytest.raises(UnreadableFile, match="no such file"):
        folds_before(tmp_path / "none.parquet", [])
    (tmp_path / "bad.parquet").write_text("no parquet")
    with pytest.raises(UnreadableFile, match="cannot be read"):
        folds_before(tmp_path / "bad.parquet", [])
    with pytest.raises(UsageError, match="cannot be written"):
        keep_folds(FoldStore(), tmp_path / "no folder" / "folds.parquet")
