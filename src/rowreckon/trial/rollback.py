"""What a rolled-back trial leaves behind: the exact list, by statement and release.

ANALYZE and CREATE INDEX write a relation's size into pg_class in place, and ANALYZE counts in the cumulative
statistics, both outside their transaction (PostgreSQL's source: `vac_update_relstats` in commands/vacuum.c,
`index_update_stats` in catalog/index.c, `pgstat_report_analyze`). A temporary table's own rows in the
catalogs are dead after the rollback, like all others. Read off servers of 14 to 18.
"""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.remedies.change import tables_of
from rowreckon.sql.filling import read_filling


def analyzed_tables(statements: Sequence[str]) -> tuple[str, ...]:
    """The tables that the statements analyze, as SQL names them."""
    return tables_of(statements, "analyze")


def indexed_tables(statements: Sequence[str]) -> tuple[str, ...]:
    """The tables that the statements build indexes on, as SQL names them."""
    return tables_of(statements, "index")


def left_behind(statements: Sequence[str], server_version: int) -> tuple[str, ...]:
    """One sentence for each kind of thing that stays although the transaction is rolled back."""
    found: list[str] = []
    analyzed, indexed = ", ".join(analyzed_tables(statements)), ", ".join(indexed_tables(statements))
    sizes = "reltuples, relpages and relallvisible" + (" and relallfrozen" if server_version >= 180000 else "")
    if analyzed:
        found.append(
            f"pg_class keeps the {sizes} that ANALYZE writes for {analyzed} and their indexes. Later plans may"
            " differ, while the column statistics are the old ones again"
        )
        found.append(
            f"the cumulative statistics count the ANALYZE of {analyzed}: last_analyze, analyze_count,"
            " n_mod_since_analyze (0), n_live_tup and n_dead_tup are new. Autovacuum's threshold starts over, and"
            " the tables look freshly analyzed"
        )
    if indexed:
        when = " where autovacuum is active for the table" if server_version >= 180000 else ""
        found.append(f"pg_class keeps the {sizes} that CREATE INDEX writes for {indexed}{when}; relhasindex stays true")
    if any(read_filling(statement) is not None for statement in statements):
        found.append(
            "system catalogs such as pg_attribute and pg_statistic keep dead rows of the temporary tables, until"
            " autovacuum or a VACUUM clears them"
        )
    return tuple(found)
