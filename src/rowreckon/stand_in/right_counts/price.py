"""What a plan may cost where some of its joins were never measured: an upper bound, to hold against another plan."""

from __future__ import annotations

from typing import Final

from rowreckon.plan.printed import Printed, printed_nodes

from .shapes import METHODS, below, inputs, own_cost

LEAST_FACTOR: Final = 10.0
"""By how much a join that nobody measured may at least be wrong: the q-error from which a count is misestimated."""


def factor_of(q_errors: list[float]) -> float:
    """The plausible range of a join that nobody measured, as a factor: the worst error of the joins that were."""
    return max([LEAST_FACTOR, *q_errors])


def worst_price(plan: Printed, measured: frozenset[frozenset[str]], known: frozenset[str], factor: float) -> float:
    """The plan's cost if every unmeasured join gave `factor` times the rows expected.

    Its own cost, and that of each node above it up to the first join that was measured, then grows by the factor at
    most: methods cost in proportion to their inputs. Spilling to disk, which may cost more, is left out.
    """
    more = 0.0
    for node in printed_nodes(plan):
        if _is_open(node, measured, known):
            more += (factor - 1.0) * own_cost(node)
    return float(plan["Total Cost"]) + more


def _is_open(node: Printed, measured: frozenset[frozenset[str]], known: frozenset[str]) -> bool:
    """Whether a node's own cost hangs on an unmeasured join: it is one, or one feeds it with no measured between."""
    if node["Node Type"] in METHODS and below(node, known) not in measured:
        return True
    return any(_gives_unmeasured(child, measured, known) for child in inputs(node))


def _gives_unmeasured(node: Printed, measured: frozenset[frozenset[str]], known: frozenset[str]) -> bool:
    """Whether the rows that a node gives are those of an unmeasured join."""
    while node["Node Type"] not in METHODS:
        below_it = inputs(node)
        if len(below_it) != 1:
            return False
        node = below_it[0]
    return below(node, known) not in measured
