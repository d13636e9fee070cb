"""The sentences of the ticket's first screen: at most 25 words each, so that they are read at a glance."""

from __future__ import annotations

from typing import Literal

from rowreckon.document.audit import Join, JoinSide, Node, Plan
from rowreckon.report.words.borders import deciding_border
from rowreckon.report.words.escape import quote
from rowreckon.report.words.headline import hardly_matters, joins_by_weight, outcome_words
from rowreckon.report.words.join_figures import is_tied
from rowreckon.report.words.join_words import border_figure, loss_factor_words, rows_factor
from rowreckon.report.words.numbers import capitalised, count_of, listed, milliseconds, number
from rowreckon.report.words.sentences import CAUTIONS, in_each, method_name, node_label, per_process, with_others
from rowreckon.report.words.time_words import plan_map

MOST_WORDS = 25
_OFF = 2.0  # the factor from which on a count is told as off
TOLD_BY_TICKET = ("PostgreSQL", "Database", "Execution", "Run with ANALYZE", "Outcome", "Verdicts rest on")
"""How a plan was measured, as far as the ticket says it."""
SELDOM_WANTED = ("Role", "Search path", "Row security", "Query id", "Planning")
"""How a plan was measured, as far as the shortest report leaves it out."""

TICKET_CAUTIONS = (CAUTIONS[0], CAUTIONS[3])
"""What stands in the shortest report as well; that a change touches other queries stands with the change."""

_COSTS_ARE = {
    "planner": "the planner's own",
    "catalog": "modelled with the catalog's facts",
    "plan": "modelled from the plan alone",
}
_OUTCOMES = {
    "timed_out": "The query was cancelled at its time limit.",
    "failed": "The query failed.",
    "refused": "The query was refused and not run.",
    "skipped": "The query was skipped.",
}


def verdict_words(plan: Plan) -> str:
    """The plan's finding in one or two sentences of at most 25 words together."""
    joins = joins_by_weight(plan)
    if plan.outcome != "ran" and not joins:
        return _OUTCOMES[plan.outcome]
    if not joins:
        return "There is no join to judge." + (f" {_slowest(plan)}" if plan.analyzed else "")
    if not plan.analyzed:
        return "The query was planned but not run. How many rows come is not known, so no join is judged."
    return _fitting(_of_join(joins[0], plan), _others(plan, joins[0]))


def _fitting(said: str, more: str) -> str:
    return f"{said} {more}" if more and len(f"{said} {more}".split()) <= MOST_WORDS else said


def _others(plan: Plan, worst: Join) -> str:
    same = sum(join.verdict == worst.verdict for join in plan.joins) - 1
    if worst.verdict == "accurate" or not same:
        return ""
    return f"{number(same)} more {'join is' if same == 1 else 'joins are'} {worst.verdict}."


def _of_join(join: Join, plan: Plan) -> str:
    rows, by_output = rows_words(join, plan), output_off(join, plan) is not None
    chosen = method_name(join.method)
    best = method_name(join.best_at_actual) if join.best_at_actual and join.best_at_actual != join.method else ""
    match join.verdict:
        case "crossed" if hardly_matters(join):
            percent = max(1, round(100 * ((join.loss_factor or 1.0) - 1)))
            return f"{rows}. A {best} would be {number(percent)}% cheaper, which hardly matters."
        case "crossed":
            return f"{rows}. {capitalised(_cheaper(join, best or 'different join', by_output=by_output))}."
        case "held":
            return f"{rows}. The {chosen} is still the cheapest method."
        case "undecided" if is_tied(join):
            return f"{rows}. Another method would cost the same within the planner's 1%."
        case "undecided" if _expected(join):
            return f"{rows}. The evidence does not decide whether another join method is cheaper."
        case "undecided":
            return f"{rows}. It is not known whether another method than the {chosen} is cheaper."
        case _:
            return f"{_near_enough(rows)}. No join method is in doubt."


def _near_enough(rows: str) -> str:
    """`rows_words`, and why what came is no misestimate."""
    if rows.startswith("At least "):
        return f"{rows}. Reading stopped early, which is no misestimate"
    came, instead, expected = rows.partition(" instead of ")
    return f"{came}, near enough to the {expected} expected" if instead else rows


def _cheaper(join: Join, best: str, *, by_output: bool) -> str:
    """From where on another method is cheaper: a switch point among a side's rows, which the output's are none of."""
    border, loss = deciding_border(join), loss_factor_words(join)
    factor = f"here {loss}" if loss else ""
    if border is None or by_output:
        return f"a {best} is cheaper" + (f", {factor}" if factor else "")
    where = f"{border_figure(border)}{'' if border.side == 'outer' else ' inner rows'}"
    said = f"from {where} on" if border.above == join.best_at_actual else f"below {where}"
    return f"{said}, a {best} is cheaper" + (f", {factor}" if factor else "")


def side_told(join: Join) -> tuple[JoinSide, Literal["outer", "inner"]]:
    """The side of which the headline speaks: the one that was further off."""
    inner = rows_factor(join.inner) > rows_factor(join.outer)
    return (join.inner, "inner") if inner else (join.outer, "outer")


def output_off(join: Join, plan: Plan) -> Node | None:
    """The join's node where its own rows alone are misestimated: both sides delivered about what was expected."""
    if max(rows_factor(join.outer), rows_factor(join.inner)) >= _OFF:
        return None
    node = plan_map(plan).by_id.get(join.node)
    known = node is not None and node.count == "exact" and None not in (node.estimated_rows, node.actual_rows)
    return node if known and (join.q_error or 1.0) >= _OFF else None


def rows_words(join: Join, plan: Plan) -> str:
    """`5,286 outer rows came instead of 83`, of the side that was further off, or of what the join delivered."""
    own = output_off(join, plan)
    if own is not None:
        delivered = count_of(per_process(own.actual_rows, own), "row")
        return (
            f"{delivered} came out of the join{in_each(own)} instead of {number(per_process(own.estimated_rows, own))}"
        )
    side, name = side_told(join)
    expected = number(per_process(side.estimated_rows, side)) if side.estimated_rows is not None else ""
    if side.count == "not_run":
        return f"The {name} side never ran"
    if side.count == "not_counted" or side.actual_rows is None:
        return f"The {name} side's rows were not counted"
    actual = per_process(side.actual_rows, side)
    rows, each = count_of(actual, f"{name} row"), in_each(side)
    if side.count == "at_least":
        return f"At least {rows} came{each}" + (f", {expected} were expected" if expected else "")
    if not expected:
        return f"{rows} came{each}"
    if number(actual) == expected:
        return f"{rows} came{each} as expected"
    return f"{rows} came{each} instead of {expected}"


def _expected(join: Join) -> bool:
    return all(_as_expected(side) for side in (join.outer, join.inner))


def _as_expected(side: JoinSide) -> bool:
    return side.actual_rows is not None and rows_factor(side) < 1.1


def _slowest(plan: Plan) -> str:
    timed = [node for node in plan.nodes if node.own_ms is not None]
    top = max(timed, key=lambda node: node.own_ms or 0.0, default=None)
    if top is None or not top.own_ms:
        return ""
    return f"Most time goes to {node_label(top)}: {milliseconds(top.own_ms)}."


def joined_words(join: Join) -> str:
    """`nested loop of guests with bookings`: which join, for the line above the ruler."""
    sides = [_tables(side) for side in (join.outer, join.inner)]
    named = f" of {sides[0]} (outer) with {sides[1]} (inner)" if all(sides) else ""
    return f"{method_name(join.method)}{named}"


def _tables(side: JoinSide) -> str:
    return listed([quote(name, 60) for name in short_names(side.tables)], 3)


def short_names(names: tuple[str, ...]) -> tuple[str, ...]:
    """Names of tables without the schema that most tables are in."""
    return tuple(name.removeprefix("public.") for name in names)


def basis_words(plan: Plan) -> str:
    """`Costs are modelled from the plan alone.`: what the verdict rests on; empty where it has no figures."""
    joins = joins_by_weight(plan)
    if not joins or not joins[0].costs or not plan.analyzed:
        return ""
    if joins[0].learned_from:
        return f"Costs are modelled from {with_others(joins[0].learned_from)}."
    return f"Costs are {_COSTS_ARE[joins[0].basis]}."


def outcome_line(plan: Plan) -> str:
    """How a run ended that did not end well, with the server's reason; empty where it ran."""
    said = outcome_words(plan)
    return f"{said[:1].upper()}{said[1:]}." if said else ""
