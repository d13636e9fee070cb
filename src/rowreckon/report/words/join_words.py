"""What is said of one judged join: the verdict sentence, row visits, margin, costs, the contest."""

from __future__ import annotations

import math
import re

from rowreckon.document.audit import FactLimit, Join, JoinSide, MethodCost
from rowreckon.plural import agreeing
from rowreckon.report.words.borders import Border, deciding_border, inner_differs, next_border
from rowreckon.report.words.escape import clean
from rowreckon.report.words.numbers import (
    bounded_cost,
    capitalised,
    cost,
    count_of,
    listed,
    milliseconds,
    number,
    times,
)
from rowreckon.report.words.sentences import (
    BASIS_WORDS,
    COUNT_WORDS,
    came,
    in_each,
    in_sentences,
    join_type_name,
    method_name,
    per_process,
    tables_of,
    with_others,
)

# A reason that starts with the rows is the verdict sentence over again.
_ROWS_AGAIN = re.compile(r"expected [\d,.]+ outer rows?, ", re.IGNORECASE)

_THERE = " at the actual rows"

_DISABLE_COST = 1.0e10
"""Planner cost added to what is switched off, up to release 17. Source: disable_cost, optimizer/path/costsize.c."""

VERDICT_MEANS = {
    "crossed": "the misestimate carried the join past a switch point",
    "held": "misestimated, but its method is still the cheapest",
    "accurate": "the estimates were close enough",
    "undecided": "the evidence does not decide",
}


_FUZZ = 1.01  # the planner keeps what it has until another path is 1% cheaper


def join_title(join: Join) -> str:
    """`nested loop (left) of huts (outer) with bookings (inner)`."""
    kind = join_type_name(join.join_type)
    name = method_name(join.method) + (f" ({kind})" if kind else "")
    sides = [
        f"{tables_of(s.tables)} ({side})" for side, s in (("outer", join.outer), ("inner", join.inner)) if s.tables
    ]
    return f"{name} of {' with '.join(sides)}" if sides else name


def side_words(side: JoinSide, name: str) -> str:
    """'expected 12 outer rows, got 48,310' in the words that the state of the count permits."""
    parts = []
    expected, actual = per_process(side.estimated_rows, side), per_process(side.actual_rows, side)
    known = actual is not None and expected is not None and side.count == "exact"
    if known and number(actual) == number(expected):
        return f"{count_of(actual, f'{name} row')} came as expected{in_each(side)}"
    if expected is not None:
        parts.append(f"expected {count_of(expected, f'{name} row')}")
    arrived = came(actual, side.count, verb="got")
    if side.count == "not_run":
        arrived = f"the {name} side never ran"
    elif side.count == "not_counted":
        arrived = f"the {name} side's {COUNT_WORDS['not_counted']}"
    elif arrived and not parts:
        arrived += f" {agreeing(number(actual), f'{name} row')}"
    return ", ".join([*parts, arrived] if arrived else parts) + in_each(side)


def rows_factor(side: JoinSide) -> float:
    """How far a side's estimate was off, as a q-error; 1 where what came is not known."""
    if side.estimated_rows is None or side.actual_rows is None or side.count in ("not_run", "not_counted"):
        return 1.0
    low, high = sorted((max(side.estimated_rows, 1.0), max(side.actual_rows, 1.0)))
    return high / low


def rows_words(join: Join) -> str:
    """Both sides where the inner one is off too, else the outer one; a sentence each."""
    outer = side_words(join.outer, "outer")
    if rows_factor(join.inner) >= 2 or not outer:
        return in_sentences((outer, side_words(join.inner, "inner")))
    return outer


def came_as_expected(join: Join) -> bool:
    """Whether `rows_words` says of the outer side alone that as many rows came as were expected."""
    return rows_factor(join.inner) < 2 and " came as expected" in side_words(join.outer, "outer")


def border_figure(border: Border) -> str:
    """`370`, `about 370 (202 to 959)`, or `somewhere between 40 and 3,300` where no one figure stands for it."""
    if not border.placed:
        return f"somewhere between {number(border.low)} and {number(border.high)}"
    if border.is_wide:
        return f"about {number(border.rows)} ({number(border.low)} to {number(border.high)})"
    return number(border.rows)


def _from_words(border: Border, *, above: bool) -> str:
    figure = f"{border_figure(border)}{'' if border.side == 'outer' else ' inner rows'}"
    return f"from {figure} on" if above else f"below {figure}"


def border_words(join: Join) -> str:
    """'from 840 on, a hash join is cheaper', for the border that a crossed join was carried over; else empty."""
    border = deciding_border(join)
    if border is None or join.best_at_actual is None:
        return ""
    words = f"{_from_words(border, above=border.above == join.best_at_actual)}, a {method_name(join.best_at_actual)}"
    if border.side == "outer" and border.inner_at == "actual" and inner_differs(join):
        return f"{words} is cheaper, {with_rows(join.inner, 'inner')}"
    return f"{words} is cheaper"


def with_rows(side: JoinSide, name: str) -> str:
    """`with the 13,976 inner rows that came`: at which count of one side a border along the other one is told."""
    if not side.actual_rows:
        return f"with no {name} row"
    return f"with the {count_of(per_process(side.actual_rows, side), f'{name} row')} that came{in_each(side)}"


def loss_words(join: Join) -> str:
    """'the nested loop costs 38 times the hash join at the actual rows'; empty where the chosen method is best."""
    best = join.best_at_actual
    if best is None or best == join.method or join.loss_factor is None:
        return ""
    factor = loss_factor_words(join)
    return f"the {method_name(join.method)} costs {factor} the {method_name(best)}{_THERE}" if factor else ""


def loss_factor_words(join: Join) -> str:
    """`2.1 times`, or `at least 1.8 times` where the costs are known within bounds; empty where the costs that are
    shown support no factor."""
    mine, best = join.costs.get(join.method), join.costs.get(join.best_at_actual or join.method)
    if join.loss_factor is None or mine is None or best is None:
        return ""
    if mine.at_actual is not None and best.at_actual is not None:
        return times(join.loss_factor)
    least = mine.at_actual if mine.at_actual is not None else mine.at_actual_low
    most = best.at_actual if best.at_actual is not None else best.at_actual_high
    if least is None or most is None or least < 1.1 * most:
        return ""
    return f"at least {times(math.floor(10 * least / most) / 10)}"


def verdict_sentence(join: Join) -> str:
    """The finding at one join: short sentences in a row, the first not capitalised, the last without a full stop."""
    rows = rows_words(join)
    chosen = method_name(join.method)
    match join.verdict:
        case "crossed":
            parts = [rows, border_words(join), loss_words(join)]
            if not any(parts[1:]):
                best = join.best_at_actual
                parts.append(f"{'another method' if best is None else 'a ' + method_name(best)} is cheaper there")
        case "held":
            parts = [rows, f"the {chosen} is still the cheapest", _only_from(join)]
        case "accurate":
            close = "" if came_as_expected(join) else "that is close enough"
            cheapest = f"the {chosen} is the cheapest" if join.best_at_actual == join.method else ""
            parts = [rows, ", and ".join(part for part in (close, cheapest) if part)]
        case _:
            why = reason_words(join)
            parts = [rows, "whether another method is cheaper is undecided" + (f": {why}" if why else "")]
    return in_sentences(parts)


def brief_sentence(join: Join) -> str:
    """The finding in half a line, for a list of many plans."""
    chosen = method_name(join.method)
    if join.verdict == "crossed":
        side, name = (
            (join.inner, "inner") if rows_factor(join.outer) < 2 <= rows_factor(join.inner) else (join.outer, "outer")
        )
        best = join.best_at_actual
        cheaper = f"{'another method' if best is None else 'a ' + method_name(best)} is cheaper there"
        return in_sentences((side_words(side, name), loss_words(join).removesuffix(_THERE) or cheaper))
    if join.verdict == "held":
        return f"misestimated, but the {chosen} is still the cheapest"
    if join.verdict == "accurate":
        return "the estimates were close enough"
    return reason_words(join) or "the evidence does not decide"


def reason_words(join: Join) -> str:
    """The document's reason without what the verdict sentence says already; empty where nothing remains."""
    why = clean(join.why).strip().rstrip(".")
    if join.verdict == "undecided":
        return why.partition("ndecided: ")[2] or why
    return "" if _ROWS_AGAIN.match(why) else why


def _only_from(join: Join) -> str:
    border = next_border(join)
    here = join.outer.actual_rows if join.outer.actual_rows is not None else join.outer.estimated_rows
    if border is None or here is None or (border.below if here < border.rows else border.above) != join.method:
        return ""  # of a side that was not read to its end only the least is known, which may lie beyond the border
    above = border.below == join.method
    other = border.above if above else border.below
    return f"a {method_name(other)} is cheaper only {_from_words(border, above=above)}"


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
