"""What each cause's remedy says of a subject that is known by name only: whole statements, written by hand here.

That they run, and that the undo brings everything back, is tested on live servers in test_sql.py.
"""

from __future__ import annotations

import pytest

from rowreckon.capture import Capture
from rowreckon.causes.registry import BY_CODE
from rowreckon.remedies.change import read_change
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.subject import FunctionName, Subject, TableName

STAYS = TableName("stays", "tours")
GUESTS = TableName("Guest Book", "tours")
CASES: dict[str, tuple[Subject, tuple[str, ...], tuple[str, ...] | None]] = {
    "never_analyzed": (Subject(table=STAYS), ("ANALYZE tours.stays",), None),
    "stale_statistics": (
        Subject(partitions=(STAYS, GUESTS)),
        ("ANALYZE tours.stays", 'ANALYZE tours."Guest Book"'),
        None,
    ),
    "partition_parent_not_analyzed": (Subject(table=GUESTS), ('ANALYZE tours."Guest Book"',), None),
    "column_target_too_low": (
        Subject(table=STAYS, columns=("city",), fraction=0.004),
        ("ALTER TABLE tours.stays ALTER COLUMN city SET STATISTICS 500", "ANALYZE tours.stays"),
        ("ALTER TABLE tours.stays ALTER COLUMN city SET STATISTICS -1", "ANALYZE tours.stays"),
    ),
    "correlated_columns_equality": (
        Subject(table=STAYS, columns=("city", "Region"), fraction=0.0006),
        (
            'CREATE STATISTICS tours."stays_city_Region_stats" (dependencies, mcv) ON city, "Region" FROM tours.stays',
            'ALTER STATISTICS tours."stays_city_Region_stats" SET STATISTICS 2000',
            "ANALYZE tours.stays",
        ),
        ('DROP STATISTICS tours."stays_city_Region_stats"',),
    ),
    "correlated_columns_range": (
        Subject(table=STAYS, columns=("arrived", "left_at")),
        (
            "CREATE STATISTICS tours.stays_arrived_left_at_stats (mcv) ON arrived, left_at FROM tours.stays",
            "ALTER STATISTICS tours.stays_arrived_left_at_stats SET STATISTICS 1000",
            "ANALYZE tours.stays",
        ),
        ("DROP STATISTICS tours.stays_arrived_left_at_stats",),
    ),
    "ndistinct_multi_column": (
        Subject(table=STAYS, columns=("city", "region")),
        (
            "CREATE STATISTICS tours.stays_city_region_ndistinct (ndistinct) ON city, region FROM tours.stays",
            "ANALYZE tours.stays",
        ),
        ("DROP STATISTICS tours.stays_city_region_ndistinct",),
    ),
    "ndistinct_wrong": (
        Subject(table=STAYS, columns=("guest_id",), distinct=60_000.0, total_rows=120_000.0),
        ("ALTER TABLE tours.stays ALTER COLUMN guest_id SET (n_distinct = -0.5)", "ANALYZE tours.stays"),
        ("ALTER TABLE tours.stays ALTER COLUMN guest_id RESET (n_distinct)", "ANALYZE tours.stays"),
    ),
    "join_key_skew": (
        Subject(table=STAYS, columns=("guest_id",), other_table=GUESTS, other_columns=("id",)),
        (
            "ALTER TABLE tours.stays ALTER COLUMN guest_id SET STATISTICS 1000",
            "ANALYZE tours.stays",
            'ALTER TABLE tours."Guest Book" ALTER COLUMN id SET STATISTICS 1000',
            'ANALYZE tours."Guest Book"',
        ),
        (
            "ALTER TABLE tours.stays ALTER COLUMN guest_id SET STATISTICS -1",
            "ANALYZE tours.stays",
            'ALTER TABLE tours."Guest Book" ALTER COLUMN id SET STATISTICS -1',
            'ANALYZE tours."Guest Book"',
        ),
    ),
    "multi_column_join_key": (
        Subject(table=STAYS, columns=("hut", "bed"), other_table=GUESTS, other_columns=("hut", "Bed")),
        (
            "ALTER TABLE tours.stays ADD CONSTRAINT stays_hut_bed_fkey FOREIGN KEY (hut, bed) "
            'REFERENCES tours."Guest Book" (hut, "Bed") NOT VALID',
            "ALTER TABLE tours.stays VALIDATE CONSTRAINT stays_hut_bed_fkey",
        ),
        ("ALTER TABLE tours.stays DROP CONSTRAINT stays_hut_bed_fkey",),
    ),
    "function_row_default": (
        Subject(function=FunctionName("free_beds", "tours", "date"), rows=12.4),
        ("ALTER FUNCTION tours.free_beds(date) ROWS 12",),
        ("ALTER FUNCTION tours.free_beds(date) ROWS 1000",),
    ),
    "missing_join_index": (
        Subject(table=STAYS, columns=("guest_id", "day"), included=("pad",), predicate="(city = 'x')"),
        (
            "CREATE INDEX CONCURRENTLY stays_guest_id_day_pad_where_city_idx ON tours.stays (guest_id, day) "
            "INCLUDE (pad) WHERE city = 'x'",
        ),
        ("DROP INDEX CONCURRENTLY tours.stays_guest_id_day_pad_where_city_idx",),
    ),
    "luring_index": (Subject(table=STAYS, index="stays_day"), ("DROP INDEX CONCURRENTLY tours.stays_day",), None),
}


def _first(code: str, subject: Subject) -> Draft:
    return BY_CODE[code].remedy(subject, Capture(name="rehearsal"))[0]


@pytest.mark.parametrize("code", CASES)
def test_the_statements_are_these(code: str) -> None:
    """In a trial they are the same, without CONCURRENTLY and without NOT VALID."""
    subject, sql, undo = CASES[code]
    draft = _first(code, subject)

    assert draft.sql == sql
    assert draft.undo == undo
    assert all(read_change(statement).kind for statement in (*draft.sql, *draft.sql_trial, *(draft.undo or ())))
    assert not any("CONCURRENTLY" in statement or "NOT VALID" in statement for statement in draft.sql_trial)
    assert draft.transactional is (code not in ("missing_join_index", "luring_index"))
    assert all(len(caution) > 20 and not caution.isupper() for caution in draft.cautions)
    assert draft.undo_note or draft.undo


@pytest.mark.parametrize("code", [c for c in CASES if c != "function_row_default"])
def test_nothing_is_written_for_no_table(code: str) -> None:
    """A subject without the names that the statement needs gets none."""
    assert BY_CODE[code].remedy(Subject(rows=5.0), Capture(name="rehearsal")) == ()
