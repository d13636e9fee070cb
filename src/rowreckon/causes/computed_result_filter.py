"""# computed_result_filter

## What it finds
A filter on what the query itself computes: HAVING count(*) > 20, the sum of a subquery or WITH query, row_number() = 1.

## Why it hurts
ANALYZE describes columns of tables. Nothing describes the result of an aggregate or a window function. The planner
takes a third of the rows for an inequality, 0.5% for an equality, and half for a truth value, whatever comes. Where a
window function stops by itself (Run Condition), it takes all.

## Evidence it needs
Counts of the plan: the groups or rows before the filter, which were expected well enough, and those that passed it. The
share expected is the default.

## Remedy
No statistics help: ANALYZE of the tables leaves the estimate as it is. Two steps do: the result in a temporary table
that is analyzed, and the rest of the query on that (not on a standby). They are written out where a WITH query or a
subquery in the outermost FROM computes the result. A materialized view that is analyzed after each
refresh serves many queries. Where the filter is about the first rows of each group, a lateral subquery with LIMIT from
a table of the groups has right counts.

## When it is wrong
Where the number of groups is wrong as well, that is mended first.

## References
PostgreSQL documentation, "Row Estimation Examples". selfuncs.h (DEFAULT_INEQ_SEL, DEFAULT_NUM_DISTINCT),
examine_simple_variable in selfuncs.c (no statistics through aggregates), cost_agg in costsize.c.
"""

from __future__ import annotations

from math import log
from typing import TYPE_CHECKING

from rowreckon.causes.defaults import betrays, default_selectivity
from rowreckon.causes.finding import PROVEN, STRONG, Candidate, apart, fact
from rowreckon.causes.scans import is_base_scan
from rowreckon.causes.wording import rows_sentence, share
from rowreckon.plan.nodes import AggregateNode, CteScanNode, SubqueryScanNode
from rowreckon.remedies.kept_result import kept_result
from rowreckon.remedies.subject import Subject

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.causes.site import Context, Site
    from rowreckon.remedies.draft import Draft

TITLE = "a filter on what the query computes"

_MOSTLY = 0.5
"""Part of the error, by its logarithm, that the share has to account for."""

_COMPUTES = frozenset({"Aggregate", "WindowAgg", "Unique", "SetOp", "ProjectSet"})
_HELPS = (
    "Two steps with an analyzed temporary table that holds the result help. ANALYZE of the tables below it does not."
)


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where a filter on computed rows was taken to keep a default share, and kept another."""
    if site.node.node_type == "WindowAgg":
        return _stopped_early(site, context)
    taken = default_selectivity(site.own) if site.own and not site.unread else None
    if taken is None or any(clause.subplans or clause.parameters for clause in site.own):
        return None
    before = _groups(site) if isinstance(site.node, AggregateNode) else _rows_below(site, context, taken)
    return _candidate(site, context, taken, before, tuple(clause.text for clause in site.own))


def _stopped_early(site: Site, context: Context) -> Candidate | None:
    """A window function that drops rows by the filter on it: the planner takes all that feed it to pass."""
    feeding = _stopped_window(context, site.number)
    counts = context.evidence.reckoned.counts
    if feeding is None or counts[feeding].state != "exact":
        return None
    before = counts[feeding].actual
    return _candidate(
        site, context, 1.0, before and before / site.executions, (str(getattr(site.node, "run_condition", "")),)
    )


def _candidate(
    site: Site, context: Context, taken: float, before: float | None, filters: tuple[str, ...]
) -> Candidate | None:
    if before is None or before <= 0:
        return None
    kept = site.actual / site.executions
    factor = apart(taken * before, kept)
    same_way = (kept > taken * before) == (site.direction == "under")
    if not same_way or log(factor) < _MOSTLY * log(site.factor):
        return None
    return Candidate(
        code="computed_result_filter",
        weight=PROVEN if log(factor) >= 0.9 * log(site.factor) else STRONG,
        basis="plan",
        summary=f"The filter is on what the query computes, which no statistics describe. It was taken to keep "
        f"{share(taken)}, and kept {share(kept / before)}. {rows_sentence(site)} {_HELPS}",
        evidence=(
            *(fact("filter", text, "plan") for text in filters),
            fact("share taken without statistics", round(taken, 6), "PostgreSQL's selfuncs.h"),
            fact("rows before the filter", round(before), "plan"),
            fact("rows that passed it", round(kept), "plan"),
        ),
        subject=Subject(alias=_known_as(site, context), curable=False),
        explains=factor,
    )


def _known_as(site: Site, context: Context) -> str | None:
    """The name under which the query reads what is computed: of the subquery or WITH query above the site or at it."""
    tree, number = context.tree, site.number
    while number >= 0:
        node = tree.nodes[number]
        if isinstance(node, SubqueryScanNode):
            return node.alias
        if isinstance(node, CteScanNode) and number == site.number:
            return node.cte_name
        if node.subplan_name is not None:
            return node.subplan_name.removeprefix("CTE ") if node.subplan_name.startswith("CTE ") else None
        number = tree.parent[number] if len(tree.inputs(tree.parent[number])) == 1 else -1
    return None


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """Two steps around the subquery or the WITH query, where the query's shape allows them."""
    return kept_result(subject, capture)


def _groups(site: Site) -> float | None:
    """Groups before HAVING, as the plan counted them."""
    return site.groups_came if site.node.rows_removed_by_filter is not None else None


def _rows_below(site: Site, context: Context, taken: float) -> float | None:
    """Rows that a subquery or a WITH query gave, where the filter's estimate is the default share of those expected."""
    number = _computed_at(site, context)
    if number is None or site.node.rows_removed_by_filter is None:
        return None
    counts = context.evidence.reckoned.counts
    expected = counts[number].estimate
    if expected is None or not betrays(site.estimate / site.executions, expected, taken, exactly=True):
        return None
    feeding = _stopped_window(context, number)
    if feeding is not None:
        return counts[feeding].actual if counts[feeding].state == "exact" else None
    return (site.actual + site.node.rows_removed_by_filter * float(site.node.loops)) / site.executions


def _stopped_window(context: Context, number: int) -> int | None:
    """What feeds a window function that drops rows by the filter itself (Run Condition, from release 15 on)."""
    node = context.tree.nodes[number]
    below = context.tree.inputs(number)
    return below[0] if getattr(node, "run_condition", None) and len(below) == 1 else None


def _computed_at(site: Site, context: Context) -> int | None:
    """The node that gives the rows of a Subquery Scan or CTE Scan, if it or one below computes them."""
    tree = context.tree
    if site.node.node_type == "Subquery Scan":
        inputs = tree.inputs(site.number)
        top = inputs[0] if len(inputs) == 1 else None
    elif site.node.node_type == "CTE Scan":
        name = f"CTE {getattr(site.node, 'cte_name', None)}"
        top = next((n for n, node in enumerate(tree.nodes) if node.subplan_name == name), None)
    else:
        return None
    if top is None or is_base_scan(tree.nodes[top]):
        return None
    return top if any(tree.nodes[n].node_type in _COMPUTES for n in tree.subtree(top)) else None
