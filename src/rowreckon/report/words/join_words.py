"""What is said of one judged join: its title, the rows of its sides, the sentence of its verdict."""

from __future__ import annotations

import math
import re

from rowreckon.document.audit import Join, JoinSide
from rowreckon.plural import agreeing
from rowreckon.report.words.borders import Border, deciding_border, inner_differs, next_border
from rowreckon.report.words.escape import clean
from rowreckon.report.words.numbers import (
    count_of,
    number,
    times,
)
from rowreckon.report.words.sentences import (
    COUNT_WORDS,
    came,
    in_each,
    in_sentences,
    join_type_name,
    method_name,
    per_process,
    tables_of,
)

# A reason that starts with the rows is the verdict sentence over again.
_ROWS_AGAIN = re.compile(r"expected [\d,.]+ outer rows?, ", re.IGNORECASE)

_THERE = " at the actual rows"

VERDICT_MEANS = {
    "crossed": "the misestimate carried the join past a switch point",
    "held": "misestimated, but its method is still the cheapest",
    "accurate": "the estimates were close enough",
    "undecided": "the evidence does not decide",
}


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


def short_sentence(join: Join) -> str:
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
