"""The SQL for what only a superuser may read, or whoever was given the right: nothing of it is read without.

Parameters are those of `queries.py`.  Before 17 no view shows the statistics of ranges; a GIN index's counters stand in
its first page alone, which is read as it is on disk.
Layout: src/include/access/ginblock.h, GinMetaPageData behind a page header of 24 bytes; the same from 13 to 18.
"""

from __future__ import annotations

from typing import Final

RANGES_SHOWN_FROM: Final = 170000
"""The first release whose pg_stats shows the statistics of ranges (server_version_num)."""

MAY_READ_STATISTICS: Final = "has_table_privilege('pg_catalog.pg_statistic', 'SELECT')"
MAY_READ_FILES: Final = "has_function_privilege('pg_catalog.pg_read_binary_file(text, bigint, bigint)', 'EXECUTE')"

_LENGTHS, _BOUNDS = 6, 7
"""STATISTIC_KIND_RANGE_LENGTH_HISTOGRAM and STATISTIC_KIND_BOUNDS_HISTOGRAM (src/include/catalog/pg_statistic.h)."""


def _slot(kind: int, part: str) -> str:
    return (
        f"(select s.j->>('sta{part}' || n) from generate_series(1, 5) n"
        f" where (s.j->>('stakind' || n))::int = {kind} limit 1)"
    )


RANGE_STATISTICS: Final = f"""
select coalesce(json_agg(json_build_object('relation', s.relation, 'number', s.number, 'inherited', s.inherited,
  'ranges', {_slot(_BOUNDS, "values")}, 'range_lengths', {_slot(_LENGTHS, "values")},
  'empty_ranges', ({_slot(_LENGTHS, "numbers")}::jsonb->>0)::float8) order by s.relation, s.number, s.inherited), '[]')
from (select t.starelid::int8 as relation, t.staattnum as number, t.stainherit as inherited, to_jsonb(t) as j
  from pg_statistic t join pg_attribute a on a.attrelid = t.starelid and a.attnum = t.staattnum
  where a.attrelid = any($2) and a.attrelid <> all($3) and a.atttypid <> all($4) and ($1->>'with_values')::bool
    and {_LENGTHS} in (t.stakind1, t.stakind2, t.stakind3, t.stakind4, t.stakind5)) s
"""


def _whole(offset: int, length: int) -> str:
    """A whole number of the page, its lowest byte first."""
    return " + ".join(f"get_byte(p.page, {offset + n})::int8 * {256**n}::int8" for n in range(length))


_GIN: Final = 2742
"""The OID of the access method gin (src/include/catalog/pg_am.dat)."""
_PENDING, _TOTAL, _ENTRY, _DATA, _ENTRIES = 36, 48, 52, 56, 64

GIN_COUNTERS: Final = f"""
select coalesce(json_agg(json_build_object('index', p.oid::int8, 'pending_pages', {_whole(_PENDING, 4)},
  'total_pages', {_whole(_TOTAL, 4)}, 'entry_pages', {_whole(_ENTRY, 4)}, 'data_pages', {_whole(_DATA, 4)},
  'entries', {_whole(_ENTRIES, 7)}) order by p.oid), '[]')
from (select c.oid, pg_read_binary_file(pg_relation_filepath(c.oid), 0, 72) as page
  from pg_index i join pg_class c on c.oid = i.indexrelid
  where i.indrelid = any($2) and c.oid <> all($3) and c.relkind = 'i' and c.relam = {_GIN}
    and pg_relation_size(c.oid) > 0) p
where octet_length(p.page) = 72
"""
