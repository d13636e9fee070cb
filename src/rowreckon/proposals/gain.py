"""What a remedy may bring back: measured time at stake, times what the cost model says of it."""

from __future__ import annotations

from collections.abc import Iterable
from math import fsum

from rowreckon.causes import CauseFinding
from rowreckon.causes.executed_way import loss_of
from rowreckon.causes.limited import below_limit
from rowreckon.document.audit import Join
from rowreckon.elsewhere import nodes_of_join
from rowreckon.frozen import frozen
from rowreckon.proposals.plan_audit import PlanAudit

_OPEN = 0.5
"""Share of the time at stake taken as the expectation where the model could not compare the methods."""

_ROUNDING_MS = 0.0005
"""Half of the last digit of the times that EXPLAIN prints as averages over loops: many short loops hide that much."""


@frozen
class Gain:
    """Time that may come back in one plan, ms: `high` at most, `expected` for the ranking; None without timing.

    `share` is `expected` in parts of the plan's own time, or of its cost where nothing was timed.
    """

    high: float | None
    expected: float | None
    share: float
    cost_ratio: float | None


def gain_of(audit: PlanAudit, finding: CauseFinding) -> Gain:
    """The gain that one finding's remedy promises in its plan."""
    if finding.harms == "time" and not finding.finding.joins and finding.finding.node is not None:
        return _of_scan(audit, _dear(audit, finding), finding.factor)
    joins = audit.joins_at(finding.finding.joins)
    high = expected = 0.0
    timed = False
    ratios: list[float] = []
    shares: list[float] = []
    seen: set[int] = set()
    for join in joins:
        ratio = _ratio(audit, join, finding)
        if ratio is not None:
            ratios.append(ratio)
        saved = None if ratio is None else 1 - 1 / max(ratio, 1.0)
        nodes = [n for n in _at_stake(audit, join, finding) if n not in seen]
        seen.update(nodes)
        shares.append(saved if saved is not None else _OPEN)
        if all(audit.own_ms[n] is None for n in nodes):
            continue
        timed = True
        spent = _spent(audit, nodes)
        hidden = sum(audit.reckoned.tree.nodes[n].loops * _ROUNDING_MS for n in nodes)
        if saved is None:
            high += spent + hidden
            expected += spent * _OPEN
            continue
        # The modelled costs hold both inputs, whose share of the time no other method saves.
        below = _spent(audit, audit.reckoned.tree.subtree(join.node))
        high += min((below + hidden) * saved, spent + hidden)
        expected += min(below * saved, spent)
    whole = audit.execution_ms
    cost_ratio = round(max(ratios), 2) if ratios else None
    if not timed or not whole:
        return Gain(None, None, max(shares, default=_OPEN), cost_ratio)
    if not joins:
        return Gain(None, None, 0.0, None)
    return Gain(min(high, whole), min(expected, whole), min(expected / whole, 1.0), cost_ratio)


def _dear(audit: PlanAudit, finding: CauseFinding) -> int:
    """The node below which the time may come back: all that a LIMIT reads where an order is to be given up."""
    node = finding.finding.node or 0
    return below_limit(audit.reckoned.tree, node) if finding.code == "luring_index" else node


def _of_scan(audit: PlanAudit, node: int, ratio: float) -> Gain:
    """What a scan's own time may fall to where it costs so many times less."""
    saved, nodes = 1 - 1 / max(ratio, 1.0), audit.reckoned.tree.subtree(node)
    whole = audit.execution_ms
    if not whole or all(audit.own_ms[n] is None for n in nodes):
        return Gain(None, None, saved, round(ratio, 2))
    hidden = sum(audit.reckoned.tree.nodes[n].loops * _ROUNDING_MS for n in nodes)
    spent = _spent(audit, nodes)
    return Gain(min((spent + hidden) * saved, whole), min(spent * saved, whole), min(spent * saved / whole, 1.0), ratio)


def _at_stake(audit: PlanAudit, join: Join, finding: CauseFinding) -> Iterable[int]:
    """The nodes whose time may come back: what a method costs, and all below the join where a way to read a side does.

    An index that is not there yet takes the place of a scan, whichever side of the join that scan stood on.
    """
    if finding.code == "missing_join_index":
        return audit.reckoned.tree.subtree(join.node)
    return nodes_of_join(audit.reckoned, join.node)


def _spent(audit: PlanAudit, nodes: Iterable[int]) -> float:
    return fsum(audit.own_ms[n] or 0.0 for n in nodes)


def _ratio(audit: PlanAudit, join: Join, finding: CauseFinding) -> float | None:
    """Modelled cost of the join as it ran over what it would be after the cure; None where the model can't tell."""
    if finding.harms == "time":
        return finding.factor
    if join.verdict in ("held", "accurate"):
        return 1.0
    return loss_of(join, audit.reckoned.tree)
