"""One execution of a nested loop's inner side, priced more exactly than it is printed.

The printed cost per execution is rounded to a cent, which thousands of executions multiply; the join's own total cost
gives it back more exactly.
Source: initial_cost_nestloop and final_cost_nestloop in optimizer/path/costsize.c; releases 13 to 18.
"""

from __future__ import annotations

from rowreckon.cost import CostSettings
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.from_plan.relation_sizes import fewest_tuples

ROUNDING = 0.0051
"""How far a printed cost may lie from the planner's own: half a cent, and what binary numbers add."""
_MORE_KEPT = 2.0
"""How many times more rows may pass a filter than the planner expects (common practice, no source)."""
_LEAST_SCANNED = 0.8
"""The share of a scan that is read for a row with a match where an average of one and a half match."""


def solved_cost(case: JoinAtHand, printed: float, kept: float) -> tuple[float, float]:
    """One execution's cost by the join's total, and how far either way two printed decimals leave it."""
    settings, facts = case.settings, case.facts
    tree = case.reckoned.tree
    join, outer = tree.nodes[facts.node], tree.nodes[facts.outer.child]
    rows, calls = max(facts.inner.planner_rows, 1.0), max(facts.outer.planner_rows, 1.0)
    beyond = float(join.total_cost or 0.0) - float(outer.total_cost or 0.0)
    play = 2.0 * ROUNDING / calls
    if facts.kind in ("Semi", "Anti"):
        return _solved_stopping(settings, facts, printed, beyond, play)
    if facts.inner_unique:
        # next to no outer row is taken to match: all but the first are charged as unmatched, that one next to nothing
        # of the inner rows that pass its own filter as many match the first (compute_semi_anti_join_factors)
        fewest = fewest_tuples(settings, float(tree.nodes[facts.inner.child].startup_cost or 0.0))
        fewest = max(fewest * kept / _MORE_KEPT, 1.0) if kept < 1.0 else fewest
        if facts.output_rows >= 0.5 * fewest:
            return printed, ROUNDING
        if any(c.place != "index" for c in facts.clauses):  # the rows that it finds are looked at
            beyond -= settings.cpu_tuple_cost * rows * calls
        return beyond / calls, play + 2.0 * printed / fewest / calls
    at_join = sum(1 for c in facts.clauses if c.place == "filter")
    per_pair = settings.cpu_tuple_cost + settings.cpu_operator_cost * at_join
    return beyond / calls - per_pair * rows, play


def _solved_stopping(
    settings: CostSettings, facts: JoinFacts, printed: float, beyond: float, play: float
) -> tuple[float, float]:
    """As `solved_cost` for a loop that stops at the first match, where its index finds a row or none.

    What is read for a row with a match is 2 ÷ (matches + 1) of a scan, matches being one to one and a half then. That
    it is the whole scan shows by the two totals agreeing; where they would anyhow, either may be.
    """
    calls = max(facts.outer.planner_rows, 1.0)
    if facts.inner.planner_rows > 1.0 or any(c.place not in ("index", "filter") for c in facts.clauses):
        return printed, ROUNDING
    output = facts.output_rows
    matched = min(output, calls) if facts.kind == "Semi" else max(calls - output, 0.0)
    at_join = sum(1 for c in facts.clauses if c.place == "filter")
    per_match = settings.cpu_tuple_cost + settings.cpu_operator_cost * at_join
    total = (beyond - per_match * matched) / calls
    play += (printed + per_match) / calls if matched <= 1.0 else per_match / calls
    unprinted = (1.0 - _LEAST_SCANNED) * printed * matched / calls
    if unprinted > 2.0 * ROUNDING:
        return total, play
    return total + unprinted / 2.0, play + unprinted / 2.0
