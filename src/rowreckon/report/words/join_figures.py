"""The figures behind one judged join's verdict, in words: margin, row visits, costs, the contest, what may turn it."""

from __future__ import annotations

from rowreckon.document.audit import FactLimit, Join, MethodCost
from rowreckon.report.words.escape import clean
from rowreckon.report.words.numbers import bounded_cost, capitalised, cost, listed, milliseconds, number, times
from rowreckon.report.words.sentences import BASIS_WORDS, in_sentences, method_name, with_others

_DISABLE_COST = 1.0e10
"""Planner cost added to what is switched off, up to release 17. Source: disable_cost, optimizer/path/costsize.c."""

_FUZZ = 1.01  # the planner keeps what it has until another path is 1% cheaper


def is_tied(join: Join) -> bool:
    """Whether a join is undecided because another method costs the same at the actual rows, as far as the planner tells
    costs apart: no evidence is missing that could decide more."""
    if join.verdict != "undecided" or join.missing:
        return False
    known = {method: each.at_actual for method, each in join.costs.items() if each.at_actual}
    mine = known.pop(join.method, None)
    least = min(known.values(), default=None)
    return mine is not None and least is not None and least / _FUZZ <= mine <= least * _FUZZ


def margin_words(join: Join) -> str:
    """How far the outer rows may move from the estimate before the lead changes; empty where it is not known."""
    if join.margin is None:
        return ""
    if join.verdict == "undecided" and join.outer.actual_rows is not None:
        return ""  # what the evidence does not decide has no border to be far from
    up, down = join.margin.up, join.margin.down
    if up is None and down is None:
        return "No number of outer rows would make another method the cheapest."
    ways = []
    if up is not None:
        ways.append(f"{times(up)} their estimate")
    if down is not None:
        ways.append(f"{times(down)} fewer than estimated")
    return f"Another method is cheapest once the outer rows are {' or '.join(ways)}."


def visits_words(join: Join) -> str:
    """The plain count of rows or row pairs that each method touches, at the estimate and at the actual rows."""
    parts = []
    for method, visits in sorted(join.row_visits.items()):
        if visits.at_estimate is None and visits.at_actual is None:
            continue
        at = []
        if visits.at_estimate is not None:
            at.append(f"{number(visits.at_estimate)} at the estimate")
        if visits.at_actual is not None:
            at.append(f"{number(visits.at_actual)} at the actual rows")
        parts.append(f"{capitalised(method_name(method))}: {', '.join(at)}.")
    return " ".join(["Row visits count each row and each pair of rows that a method touches.", *parts]) if parts else ""


def per_outer_words(join: Join) -> str:
    """Inner rows for each outer row, expected and come."""
    per = join.inner_rows_per_outer
    if per is None or (per.estimated is None and per.actual is None):
        return ""
    if per.estimated is not None and per.actual is not None and number(per.estimated) == number(per.actual):
        return f"Inner rows for each outer row: {number(per.actual)}, as expected."
    parts = [f"expected {number(per.estimated)}"] if per.estimated is not None else []
    parts += [f"came {number(per.actual)}"] if per.actual is not None else []
    return f"Inner rows for each outer row: {', '.join(parts)}."


def residual_words(join: Join) -> str:
    """How near the model comes to the cost that the server printed for the chosen method."""
    rests = f"the cost model over {with_others(join.learned_from)}" if join.learned_from else BASIS_WORDS[join.basis]
    basis = f"Costs and switch points rest on {rests}"
    if join.asked_of == "stand_in":
        basis += ". What other methods cost at the estimates, a planner says that was asked on a stand-in"
    above = ""
    if join.costs_above:
        above = " The costs hold what sorts or groups the join's rows above it, as far as that depends on the method."
    if join.residual is None:
        return f"{basis}. The plan prints no cost to check the model against.{above}"
    return f"{basis}. By it the {method_name(join.method)} costs {join.residual:.4f} times what the plan prints.{above}"


def turning_words(join: Join) -> tuple[str, ...]:
    """How far each learned size may move before the verdict turns, a sentence each."""
    return tuple(_turning(limit) for limit in join.turns_at)


def _turning(limit: FactLimit) -> str:
    low, high = limit.from_, limit.to
    fact = clean(limit.fact)
    if low is None and high is None:
        return f"The verdict stays as far as the {fact} were moved, ten times fewer and more."
    if low is None or high is None:
        bound = f"from {number(low)} on" if low is not None else f"up to {number(high or 0.0)}"
        return f"The verdict stays for {fact} {bound}; beyond, it may turn."
    return f"The verdict stays for {fact} from {number(low)} to {number(high)}; beyond, it may turn."


def contest_words(join: Join) -> str:
    """What the clock said where the methods were really run; 'faster' is said here only."""
    if not join.contest:
        return ""
    timed = {
        method: float(value)
        for method, value in join.contest.items()
        if isinstance(value, int | float) and not isinstance(value, bool)
    }
    ran = sorted(timed.items(), key=lambda item: (item[1], item[0]))
    if not ran:
        return "The methods were run, but none ended within its time limit."
    parts = [f"{method_name(method)} {milliseconds(value)}" for method, value in ran]
    said = [f"Run for real and timed: {listed(parts)}"]
    if join.contest.get("timed_out"):
        said.append("another ran into its time limit")
    if len(ran) > 1:
        though = ""
        if join.best_at_actual and ran[0][0] != join.best_at_actual:
            though = f", although the {method_name(join.best_at_actual)} is cheaper by the model"
        said.append(f"the {method_name(ran[0][0])} was faster{though}")
    return f"{in_sentences(said)}."


def excluded_words(join: Join) -> list[str]:
    """Why a method is out of the question."""
    return [f"No {method_name(m)}: {clean(reason).rstrip('.')}." for m, reason in sorted(join.excluded.items())]


def _at_actual(join: Join, method: str, figures: MethodCost) -> str:
    """The cost at the actual rows; where the model gives no bound, the one that the verdict gives."""
    if (figures.at_actual, figures.at_actual_low, figures.at_actual_high) != (None, None, None):
        return bounded_cost(figures.at_actual, figures.at_actual_low, figures.at_actual_high)
    mine = join.costs.get(join.method)
    known = mine.at_actual if mine is not None else None
    if known is None or method == join.method:
        return bounded_cost(None, None, None)
    if join.verdict == "crossed" and method == join.best_at_actual:
        return bounded_cost(None, None, known)
    return bounded_cost(None, known / _FUZZ if join.best_at_actual == join.method else None, None)


def _unbuilt_words(figures: MethodCost) -> str:
    """What the cheapest way with an index that is not there would cost; empty where none was priced. No verdict rests
    on it."""
    priced = [way for way in figures.ways if way.hypothetical]
    if not priced:
        return ""
    known = [way.at_actual for way in priced if way.at_actual is not None]
    return f"{f'{cost(min(known))} at the actual rows ' if known else ''}with an index not yet built"


def cost_rows(join: Join) -> list[tuple[str, str, str, str]]:
    """Method, cost at the estimate, cost at the actual rows, remarks; the executed method first."""
    rows = []
    for method, figures in sorted(join.costs.items(), key=lambda item: (item[0] != join.method, item[0])):
        remarks = []
        if method == join.method:
            remarks.append("executed")
        if method == join.best_at_actual:
            by_model = "" if figures.comparable else ", by the model"
            remarks.append(f"cheapest at the actual rows{by_model}")
        if (figures.at_estimate or 0.0) >= _DISABLE_COST:
            remarks.append("with the planner's penalty for a method that is switched off")
        if not figures.comparable:
            reason = clean(figures.not_comparable_reason or "the forced plan changed more than this join")
            remarks.append(f"the server's own figure is left out: {reason}")
        if unbuilt := _unbuilt_words(figures):
            remarks.append(unbuilt)
        rows.append(
            (
                capitalised(method_name(method)),
                bounded_cost(figures.at_estimate, figures.at_estimate_low, figures.at_estimate_high),
                _at_actual(join, method, figures),
                "; ".join(remarks),
            )
        )
    return rows
