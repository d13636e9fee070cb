"""# cross_table_correlation

## What it finds
A join on a key that is unique on one side, whose rows go together. The rows that filters keep find many more partners,
or far fewer, than rows of the whole tables do.

## Why it hurts
The planner multiplies: rows of one side, rows of the other, and the share of pairs that match in the whole tables. It
has no statistics across tables. A filter on one table that picks the rows with many partners in the other is invisible.

## Evidence it needs
Counts of the plan: the rows of both sides that reached the join, and the pairs that came. From the plan or the catalog:
that one side's key is unique, and the rows of its table. A row finds at most one partner there. The key of a
partitioned table may be unique though no constraint says so: then ANALYZE met no value twice. An overestimate also
needs a foreign key, or as many different keys on both sides: else rows without a partner explain it.

## Remedy
No statistics of PostgreSQL cross tables. What helps, the least invasive first: Write the key's value beside the filter
that picks it, so that common values speak. A sweep asks the server whether the filter leaves one value, and then writes
that text. Or take two steps with a temporary table that is analyzed (not on a standby). Both texts are written where
their rows are proven to be the same: for a chain of inner joins, without LIMIT, WITH and parameters.
A MATERIALIZED subquery fixes the order of joins, but gives no new estimate. A planner setting can be set for one
transaction by SET LOCAL. Last comes a column of the other table that is stored and kept up, with its index. Longer
lists of common values do not help: a unique column has none.

## When it is wrong
Where the tables changed while the query ran, or where a table's row count is old.

## References
Leis et al., "How Good Are Query Optimizers, Really?", PVLDB 9(3), 2015, on correlations across joins.
eqjoinsel_inner in selfuncs.c. PostgreSQL documentation, CREATE STATISTICS (columns of one table), and SET.
"""

from __future__ import annotations

from dataclasses import replace
from math import log
from typing import TYPE_CHECKING, Literal

from rowreckon.causes.finding import PROVEN, STRONG, Candidate, apart, fact
from rowreckon.causes.keys import (
    KeyPair,
    distinct_values,
    is_unique,
    is_unique_by_sample,
    key_pairs,
    only_pair,
)
from rowreckon.causes.restrictions import share_of_clause
from rowreckon.causes.scans import is_base_scan
from rowreckon.causes.site import scan_clauses
from rowreckon.causes.wording import count, rows_sentence
from rowreckon.frozen import frozen
from rowreckon.plan.nodes import JoinNode
from rowreckon.remedies.beyond_statistics import beyond_statistics
from rowreckon.remedies.subject import Subject

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.causes.site import Context, Key, Site
    from rowreckon.remedies.draft import Draft

TITLE = "rows of two tables that go together"

_LEAST = 2.0
"""Factor between the pairs that came and those of the whole tables' share from which on it is told."""

_NEARLY_ALL = 0.9
"""Share of a filtered side's rows that find their partner from which on both sides' keys are the same ones."""

_MOSTLY = 0.5
"""Part of the error, by its logarithm, that the factor has to account for."""


_SAME_NUMBER = 0.02
"""Part by which two numbers of keys or of rows may differ and still be called the same."""

_HELPS = (
    "Writing the key's value in place of its look-up helps, as common values then speak. "
    "So do two steps with an analyzed temporary table. Longer lists do not."
)


@frozen
class _Pairs:
    """Pairs that came, those that the whole tables' share would give, and whether all of it was counted.

    `kept` are the rows that filters leave of the side whose key repeats.
    """

    came: float
    independent: float
    counted: bool
    kept: float


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where counts prove that the rows of both sides do not match as those of the whole tables."""
    if site.kind not in ("join", "lookup") or len(site.joined) != 1:
        return None
    pair = only_pair(key_pairs(site, context))
    if pair is None or pair.left is None or pair.right is None or site.joined[0].parameters:
        return None
    if site.kind == "join" and _whole_tables(site, context, pair.left, pair.right):
        return None  # without a filter there is nothing for rows to go together with
    sides = ((pair.left, pair.right), (pair.right, pair.left))
    for unique, other in sides:
        if is_unique(unique) or _unique_by_plan(site, context, unique):
            pairs = _counts(site, context, pair, unique, other)
            return None if pairs is None else _candidate(site, unique, other, pairs)
    for unique, other in sides:
        if is_unique_by_sample(unique):
            pairs = _counts(site, context, pair, unique, other)
            return None if pairs is None else _candidate(site, unique, other, replace(pairs, counted=False))
    return None


def _whole_tables(site: Site, context: Context, *keys: Key) -> bool:
    """Whether all rows of both keys' tables reach a join, none of them left out by a filter or a join below."""
    sides = (context.tree.outer(site.number), context.tree.inner(site.number))
    return all(n is not None and any(_all_arrive(context, n, key) for key in keys) for n in sides)


def _all_arrive(context: Context, side: int, key: Key) -> bool:
    scans = [n for n in context.scans.get(key.alias, ()) if n in context.tree.subtree(side)]
    rows, there = _counted(context, side), _rows_of(key, context)
    if not scans or rows is None or not there or any(scan_clauses(context.tree, n) for n in scans):
        return False
    return abs(rows - there) <= _SAME_NUMBER * there


def _unique_by_plan(site: Site, context: Context, key: Key) -> bool:
    """Whether the plan says that a row finds one partner at most on this side (Inner Unique), by this key alone.

    The planner also counts a unique index of which a filter fixes the other columns (relation_has_unique_index_for in
    indxpath.c): so the side's scan must have no equality of its own.
    """
    node = context.tree.nodes[site.number]
    inner = context.tree.inner(site.number)
    if not isinstance(node, JoinNode) or not node.inner_unique or inner is None:
        return False
    scans = [n for n in context.tree.subtree(inner) if is_base_scan(context.tree.nodes[n])]
    if len(scans) != 1 or scans[0] not in context.scans.get(key.alias, ()):
        return False
    return not any(clause.operator == "=" for clause in scan_clauses(context.tree, scans[0]))


def _counts(site: Site, context: Context, pair: KeyPair, unique: Key, other: Key) -> _Pairs | None:
    partners = _rows_of(unique, context)
    if not partners:
        return None
    filled = _filled(unique, other)
    as_many = filled is None and _as_many_keys(unique, other, partners)
    if filled is None and site.direction == "over" and not as_many:
        return None
    pairs = (_of_join if site.kind == "join" else _of_lookup)(site, context, other, (filled or 1.0) / partners)
    return replace(pairs, counted=False) if pairs is not None and as_many and site.direction == "over" else pairs


def _as_many_keys(unique: Key, other: Key, partners: float) -> bool:
    """Whether the other side has as many different keys as the unique one, by the statistics: the same, it seems."""
    there = distinct_values(other)
    return there is not None and partners > 1 and abs(there - partners) <= _SAME_NUMBER * partners


def _of_join(site: Site, context: Context, other: Key, share: float) -> _Pairs | None:
    node = context.tree.nodes[site.number]
    if not isinstance(node, JoinNode) or node.join_type != "Inner" or site.own:
        return None
    sides = [_counted(context, n) for n in (context.tree.outer(site.number), context.tree.inner(site.number))]
    came = _counted(context, site.number)
    if came is None or sides[0] is None or sides[1] is None or site.executions != 1:
        return None
    outer = context.tree.outer(site.number)
    repeats = sides[0] if outer is not None and _stands_below(context, outer, other) else sides[1]
    return _Pairs(came, sides[0] * sides[1] * share, counted=True, kept=repeats)


def _stands_below(context: Context, side: int, key: Key) -> bool:
    return any(number in context.scans.get(key.alias, ()) for number in context.tree.subtree(side))


def _of_lookup(site: Site, context: Context, other: Key, share: float) -> _Pairs | None:
    """Rows that each key value found, where the unique side drives: `share` of the other table's rows."""
    if site.alias != other.alias or context.evidence.reckoned.counts[site.number].state != "exact":
        return None
    rows = _rows_of(other, context)
    if not rows or site.in_each_of is not None or len(site.own) > 1:
        return None
    own = share_of_clause(site, context, site.own[0]) if site.own else 1.0
    if own is None:
        return None
    return _Pairs(site.actual, site.executions * rows * own * share, counted=not site.own, kept=rows * own)


def _counted(context: Context, number: int | None) -> float | None:
    """Rows that a node really gave, once: what each of several processes read whole counts for one of them."""
    if number is None:
        return None
    reckoned = context.evidence.reckoned
    here = reckoned.counts[number]
    return None if here.state != "exact" or here.actual is None else here.actual / (reckoned.each_whole(number) or 1)


def _rows_of(key: Key, context: Context) -> float | None:
    """Rows of the key's table: as a scan of the plan proves, else as the server counts them."""
    proven = context.total_of(key.table)
    if proven is not None:
        return (proven.low + proven.high) / 2
    relation = key.relation
    return None if relation is None else float(relation.n_live_tup or relation.reltuples or 0.0)


def _filled(unique: Key, other: Key) -> float | None:
    """Share of the other table's rows that surely have a partner: by a foreign key all that are not null."""
    if unique.relation is None or other.relation is None:
        return None
    one, far = other.relation.column(other.column), unique.relation.column(unique.column)
    if one is None or far is None:
        return None
    declared = any(
        k.validated
        and k.columns == (one.attnum,)
        and k.referenced == unique.relation.oid
        and k.referenced_columns == (far.attnum,)
        for k in other.relation.foreign_keys
    )
    statistics = one.statistics_of(inherited=other.relation.kind == "partitioned_table")
    return (1.0 - (statistics.null_frac if statistics else 0.0)) if declared else None


def _candidate(site: Site, unique: Key, other: Key, pairs: _Pairs) -> Candidate | None:
    factor = apart(pairs.came, pairs.independent)
    same_way = (pairs.came > pairs.independent) == (site.direction == "under")
    if factor < _LEAST or not same_way or log(factor) < _MOSTLY * log(site.factor):
        return None
    more = "more" if site.direction == "under" else "less"
    basis: Literal["catalog", "plan"] = "catalog" if unique.relation is not None else "plan"
    return Candidate(
        code="cross_table_correlation",
        weight=PROVEN if pairs.counted else STRONG,
        basis=basis,
        summary=f"The rows of {other.table} and {unique.table} that reach this join match {count(factor)} times "
        f"{more} often than those of the whole tables. {rows_sentence(site)} No statistics of PostgreSQL cross tables. "
        f"{_HELPS}",
        evidence=(
            fact("pairs that came", round(pairs.came), "plan"),
            fact("pairs by the share of the whole tables", round(pairs.independent, 1), "plan"),
            fact("the side whose key is unique", f"{unique.table}.{unique.column}", basis),
            fact("all of it was counted", pairs.counted, "plan"),
        ),
        subject=Subject(
            table=other.table,
            relation=other.relation,
            columns=(other.column,),
            other_table=unique.table,
            other_columns=(unique.column,),
            keys=((other.alias, other.column), (unique.alias, unique.column)),
            each_apart=pairs.came >= _NEARLY_ALL * pairs.kept,
            curable=False,
        ),
        explains=factor,
    )


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The key's value in the text where a sweep found it, else two steps; in words for a query of another shape."""
    return beyond_statistics(subject, capture)
