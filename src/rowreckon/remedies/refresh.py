"""Refreshing statistics."""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.remedies import checks
from rowreckon.remedies.draft import SAMPLED, SHARE_UPDATE_EXCLUSIVE, Draft, targets
from rowreckon.remedies.quoting import quote_table
from rowreckon.remedies.subject import Subject, TableName, is_temporary

NOTHING_RESTORES = "nothing brings the old statistics back; they describe the table as it was"
NOT_OWNER = "without the right to ANALYZE it (owner, or MAINTAIN from 17) the server warns and skips the table"


def analyze_statements(tables: tuple[TableName, ...]) -> tuple[str, ...]:
    """One ANALYZE for each table."""
    return tuple(f"ANALYZE {quote_table(table)}" for table in tables)


def refreshed(subject: Subject, capture: Capture, why: str) -> tuple[Draft, ...]:
    """ANALYZE of the subject's table or partitions; `why` is the sentence that says what their statistics lack."""
    tables = targets(subject)
    relation = subject.relation
    if not tables:
        return ()
    cautions = [NOT_OWNER]
    if relation is not None and relation.analyzable is False:
        cautions.insert(0, "the role that read the catalog may not ANALYZE this table")
    if any(is_temporary(table) for table in tables):
        cautions.append("a temporary table has to be analyzed by the session that filled it; autovacuum cannot see it")
    if relation is not None and relation.kind == "foreign_table":
        cautions.append("a foreign table's sample is fetched from the remote server, and autovacuum never does it")
    named = ", ".join(str(t) for t in tables)
    return (
        Draft(
            kind="refresh_statistics",
            sql=analyze_statements(tables),
            reason=f"Refresh the statistics of {named}. {why}",
            works=SAMPLED,
            undo_note=NOTHING_RESTORES,
            check_first=None if capture.catalog is not None and relation else checks.analyzed_when(tables),
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=tables,
            cautions=tuple(cautions),
        ),
    )
