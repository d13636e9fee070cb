"""A scan's restrictions sorted by kind, and what the catalog says of their columns and of the table's age."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, Literal

from rowreckon.causes.clause_kinds import ClauseKind, compared_column, kind_of
from rowreckon.frozen import frozen

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context, Site
    from rowreckon.counts.interval import Interval
    from rowreckon.plan.conditions import Clause

_LETS_PASS = 0.9
_FRESH = 0.02  # share of rows modified since ANALYZE below which the statistics count as fresh
_OLD = (
    0.1  # share from which on they count as old, autovacuum's own analyze threshold (autovacuum_analyze_scale_factor)
)


@frozen
class Restriction:
    """One clause on the scanned relation alone."""

    clause: Clause
    kind: ClauseKind
    column: str | None


def restrictions(site: Site) -> list[Restriction]:
    """The clauses on the site's own relation."""
    found: list[Restriction] = []
    for clause in site.own:
        column = compared_column(clause, site.relation)
        found.append(Restriction(clause, kind_of(clause, site.relation), column.column if column else None))
    return found


def telling(site: Site, context: Context, found: list[Restriction]) -> list[Restriction]:
    """The restrictions that keep rows out: one that lets nearly all pass has no part in a product gone wrong."""
    kept = []
    for restriction in found:
        share = share_of_clause(site, context, restriction.clause)
        if share is None or share < _LETS_PASS:
            kept.append(restriction)
    return kept


def columns_of(found: list[Restriction], *kinds: ClauseKind) -> tuple[str, ...]:
    """The plain columns under restrictions of these kinds, in the order of the condition."""
    return tuple(dict.fromkeys(r.column for r in found if r.kind in kinds and r.column is not None))


@frozen
class Age:
    """How old a relation's statistics are, and what says so.

    `old`: the row totals differ. `modified`: only the counters say so, which a load and its ANALYZE in one transaction
    make say as well. `added`: few rows were modified, yet as many as came too many. `fresh` and `unknown` otherwise.
    """

    state: Literal["old", "modified", "added", "fresh", "unknown"]
    fact: str
    value: float | str | None
    source: str


def age_of(site: Site, relation: Relation | None) -> Age:
    """Judge by the scan's row total first, then by the server's counters.

    The planner scales its row count with the file, so that only the count at the last ANALYZE, not the planner's
    total, shows that a table grew.
    """
    if relation is not None:
        return age_of_relation(relation, site.total)
    if site.total is not None and site.planned is not None:
        low, high = site.total.low, site.total.high
        off = site.planned.rows.low > 1.25 * high or site.planned.rows.high < 0.8 * low
        state: Literal["old", "unknown"] = "old" if off else "unknown"
        return Age(state, "rows that the planner took the table to hold", site.planned_rows, "plan")
    return Age("unknown", "no facts of the table at hand", None, "plan")


def age_of_relation(relation: Relation, total: Interval | None) -> Age:
    """By the catalog: rows counted at the last ANALYZE against the rows that a scan really read, then the counters."""
    known = relation.reltuples
    if known is not None and total is not None:
        middle = (total.low + total.high) / 2
        if abs(middle - known) > 0.25 * max(known, middle, 1.0):
            return Age("old", "rows at the last ANALYZE", known, "catalog")
    if relation.n_mod_since_analyze is not None and relation.analyze_count:
        rows = max(known or 0.0, relation.n_live_tup or 0, 1.0)
        part = relation.n_mod_since_analyze / rows
        counted: Literal["modified", "fresh", "unknown"] = (
            "modified" if part >= _OLD else "fresh" if part <= _FRESH else "unknown"
        )
        if counted == "modified" and _as_analyzed(relation, total):
            counted = "unknown"
        return Age(counted, "rows modified since the last ANALYZE", relation.n_mod_since_analyze, "catalog")
    return Age("unknown", "the server counts no modifications of the table", None, "catalog")


def rows_added(site: Site) -> int | None:
    """The rows modified since the last ANALYZE, where they are few of the table and as many as came too many: today's
    rows of a table that grows by a little each day."""
    relation = site.relation
    if relation is None or not relation.analyze_count or site.direction != "under" or site.kind != "scan":
        return None
    modified = relation.n_mod_since_analyze or 0
    few = modified < _OLD * max(relation.reltuples or 0.0, relation.n_live_tup or 0, 1.0)
    return modified if few and modified >= site.actual - site.estimate else None


_SAME_ROWS = 0.01
"""Part by which the rows may differ from those of the last ANALYZE and still be the same table: its own count of a
table larger than the sample is an estimate."""


def _as_analyzed(relation: Relation, total: Interval | None) -> bool:
    """Whether nothing but the counter of modifications speaks for a change since the last ANALYZE.

    A load and its ANALYZE in one transaction leave that counter at the rows loaded: the transaction's changes are added
    to it when it commits, after ANALYZE set it to 0 (pgstat_report_analyze and pgstat_relation.c). The
    counter of live rows is off in the same way. Rows inserted later would add pages, rows updated or deleted leave dead
    ones behind until a VACUUM.
    """
    known = relation.reltuples
    if not known or relation.n_dead_tup is None or relation.pages != relation.relpages:
        return False
    rows = (total.low + total.high) / 2 if total is not None else known
    analyzed = max((t for t in (relation.last_analyze, relation.last_autoanalyze) if t is not None), default=None)
    vacuumed = max((t for t in (relation.last_vacuum, relation.last_autovacuum) if t is not None), default=None)
    if vacuumed is not None and (analyzed is None or vacuumed > analyzed):
        return False
    return abs(rows - known) <= _SAME_ROWS * known and relation.n_dead_tup <= _SAME_ROWS * known


def lacks_statistics(site: Site, columns: tuple[str, ...]) -> bool:
    """Whether the catalog shows a column without statistics, which is another cause's business."""
    if site.relation is None:
        return False
    named = [c for name in columns if (c := site.relation.column(name)) is not None]
    return any(not c.statistics for c in named)


def share_of_clause(site: Site, context: Context, clause: Clause) -> float | None:
    """The selectivity that the planner gives to one clause alone, from the catalog's answers."""
    if context.catalog is None or site.relation is None or site.alias is None:
        return None
    answer = context.catalog.estimate(site.alias, site.relation.oid)
    if answer is None:
        return None
    for part in answer.restrictions:
        if _same(part.condition, clause.text):
            return part.selectivity
    return None


def _same(one: str, other: str) -> bool:
    return one.replace("(", "").replace(")", "").replace(" ", "") == other.replace("(", "").replace(")", "").replace(
        " ", ""
    )


def exceeds(site: Site, context: Context, share: float) -> bool:
    """Whether more rows came than a clause's expected share allows for, the luck of ANALYZE's sample included.

    ANALYZE samples 300 rows for each step of the statistics target; a share that it found in n rows is off by
    sqrt(share / n), and three times that is chance (common practice, no source).
    """
    kept = site.kept
    if kept is None or kept <= 1.5 * share:
        return False
    targets = [c.statistics_target or 0 for r in restrictions(site) if r.column and (c := site.column(r.column))]
    setting = context.catalog.setting("default_statistics_target") if context.catalog is not None else None
    default = int(setting) if isinstance(setting, (int, float)) else 100
    sampled = 300.0 * max([default, *targets])
    rows = site.total_rows or 0.0
    if rows <= sampled:
        return True  # every row was in the sample
    return kept > share + 3 * sqrt(max(share, 1 / sampled) / sampled)


def likeliest_bound(site: Site, context: Context, found: list[Restriction]) -> float | None:
    """The smallest share that one clause alone is expected to keep: together they can't keep more, if that is right."""
    shares = [share_of_clause(site, context, r.clause) for r in found]
    known = [s for s in shares if s is not None]
    return min(known) if known else None
