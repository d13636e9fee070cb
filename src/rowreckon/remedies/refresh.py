"""Refreshing statistics: ANALYZE, and how often the server does it by itself."""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.causes import CauseFinding, TableName
from rowreckon.causes.scans import is_temporary
from rowreckon.remedies import checks
from rowreckon.remedies.draft import SHARE_UPDATE_EXCLUSIVE, Draft, catalog_of, targets
from rowreckon.remedies.quoting import quote_table

NOTHING_RESTORES = "nothing brings the old statistics back; they describe the table as it was"
NOT_OWNER = "without the right to ANALYZE the table (owner, or MAINTAIN from 17) the server only warns and skips it"

_SCALE_FACTOR = 0.1  # autovacuum_analyze_scale_factor's default
_LOWER_FACTOR = 0.02
_THRESHOLD = 50  # autovacuum_analyze_threshold's default


def analyze_statements(tables: tuple[TableName, ...]) -> tuple[str, ...]:
    """One ANALYZE for each table."""
    return tuple(f"ANALYZE {quote_table(table)}" for table in tables)


def build_refresh(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """ANALYZE of the table, and a lower threshold where the server's own would not have come in time."""
    tables = targets(finding)
    relation = finding.subject.relation
    if not tables:
        return ()
    cautions = [NOT_OWNER]
    if relation is not None and relation.analyzable is False:
        cautions.insert(0, "the role that read the catalog may not ANALYZE this table")
    if any(is_temporary(table) for table in tables):
        cautions.append("a temporary table has to be analyzed by the session that filled it; autovacuum cannot see it")
    if relation is not None and relation.kind == "foreign_table":
        cautions.append("a foreign table's sample is fetched from the remote server, and autovacuum never does it")
    why = {
        "never_analyzed": "The planner has no statistics of it and took default shares.",
        "stale_statistics": "Its statistics describe the table as it was before the rows that the query reads.",
    }.get(finding.code, "Its statistics are missing or old.")
    named = ", ".join(str(t) for t in tables)
    drafts = [
        Draft(
            kind="refresh_statistics",
            sql=analyze_statements(tables),
            reason=f"Refresh the statistics of {named}. {why}",
            works=0.95,
            undo_note=NOTHING_RESTORES,
            check_first=None if catalog_of(capture) is not None and relation else checks.analyzed_when(tables),
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=tables,
            cautions=tuple(cautions),
        )
    ]
    threshold = _autovacuum(finding)
    if threshold is not None:
        drafts.append(threshold)
    return tuple(drafts)


def _autovacuum(finding: CauseFinding) -> Draft | None:
    """A lower analyze threshold, where the modifications that misled the planner were too few for the server's own."""
    relation, table = finding.subject.relation, finding.subject.table
    if finding.code != "stale_statistics" or relation is None or table is None:
        return None
    if relation.kind not in ("table", "materialized_view") or relation.persistence == "temporary":
        return None
    modified, rows = relation.n_mod_since_analyze, relation.reltuples
    if modified is None or rows is None or rows < 10_000 or modified >= _THRESHOLD + _SCALE_FACTOR * rows:
        return None
    name = quote_table(table)
    return Draft(
        kind="other",
        sql=(f"ALTER TABLE {name} SET (autovacuum_analyze_scale_factor = {_LOWER_FACTOR})",),
        undo=(f"ALTER TABLE {name} RESET (autovacuum_analyze_scale_factor)",),
        undo_note="RESET returns to the server's own value; a value set for the table before is not known here",
        reason=f"The {modified:,} modified rows of {table} were too few for autovacuum to analyze it, so it will be "
        "stale again.",
        works=0.2,
        lock=SHARE_UPDATE_EXCLUSIVE,
        tables=(table,),
        cautions=("autovacuum will work on this table more often; it mends nothing before its next run",),
    )


def build_parent_refresh(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """ANALYZE of the partitioned table as a whole."""
    table = finding.subject.table
    if table is None or not table.name:
        return ()  # the plan names partitions only; `missing` tells how to find their parent
    return (
        Draft(
            kind="refresh_statistics",
            sql=analyze_statements((table,)),
            reason=f"Analyze {table} as a whole. Autovacuum analyzes its partitions only, and joins and groupings use "
            "the whole table's statistics.",
            works=0.95,
            undo_note=NOTHING_RESTORES,
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=(table,),
            cautions=(NOT_OWNER, "repeat it after large loads: nothing else refreshes the parent's statistics"),
        ),
    )
