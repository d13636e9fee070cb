"""What a rolled-back trial leaves behind: the exact list, by statement and release.

ANALYZE and CREATE INDEX write a relation's size into pg_class in place, and count in the cumulative statistics, both
outside their transaction (PostgreSQL's source: `vac_update_relstats` in commands/vacuum.c, `index_update_stats` in
catalog/index.c, `pgstat_report_analyze`). Read off servers of 14 to 18.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

_TABLE = re.compile(r"analyze\s+(.+)", re.IGNORECASE | re.DOTALL)
_INDEXED = re.compile(r"create\s+(?:unique\s+)?index\s+.*?\son\s+(?:only\s+)?(.+?)\s+(?:using\b|\()", re.I | re.S)


def left_behind(statements: Sequence[str], server_version: int) -> tuple[str, ...]:
    """One sentence for each thing that stays although the transaction is rolled back."""
    found: dict[str, None] = {}
    for statement in statements:
        analyzed = _TABLE.fullmatch(statement)
        indexed = _INDEXED.match(statement)
        if analyzed:
            table = analyzed.group(1).strip()
            found[
                f"{table}: pg_class.reltuples, relpages and relallvisible (with 18 relallfrozen too) of the table and"
                " its indexes keep the values that ANALYZE wrote, so later plans may differ, while its column"
                " statistics are the old ones again"
            ] = None
            found[
                f"{table}: the cumulative statistics count the ANALYZE: last_analyze is set, analyze_count is one more,"
                " n_mod_since_analyze is 0, n_live_tup and n_dead_tup are new, so autovacuum's threshold starts over"
                " and the table looks freshly analyzed"
            ] = None
        elif indexed:
            table = indexed.group(1).strip()
            when = " where autovacuum is active for it" if server_version >= 180000 else ""
            found[
                f"{table}: pg_class.reltuples, relpages and relallvisible of the table keep the values that CREATE"
                f" INDEX wrote{when}, and relhasindex stays true"
            ] = None
    if found:
        found["sequences, and anything that a query's functions do outside the transaction, are not rolled back"] = None
    return tuple(found)
