"""What the planner would have done had it known the row counts: a stand-in is asked, with statistics forged for it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Final

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.plan import MOST_LEVELS, MovedFacts, RightCounts
from rowreckon.errors import StatementFailed, StatementRefused
from rowreckon.frozen import frozen
from rowreckon.plan.printed import Printed, called, printed_levels, printed_nodes
from rowreckon.plan.same import in_outline
from rowreckon.plural import agreeing
from rowreckon.plural import counted as told_number
from rowreckon.server.stand_in.forging import Allowance, Forgery, forgery
from rowreckon.server.stand_in.moving import Moving
from rowreckon.server.stand_in.planning import explainable
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.permitted import NotPermitted
from rowreckon.stand_in.right_counts.executed import Counted, counted, relations_below
from rowreckon.stand_in.right_counts.executed_price import assembled_price
from rowreckon.stand_in.right_counts.part_queries import inner_only, ordered_query
from rowreckon.stand_in.right_counts.price import factor_of, worst_price
from rowreckon.stand_in.right_counts.shapes import (
    METHODS,
    joins_of,
    methods_of,
    nesting,
    order_of,
    starts_from,
)

from .counting import Count, counted_on_source
from .fitting import Fitted, Query, fit_all, query_of

_ROUNDS: Final = 3
"""How often counts of a new plan's joins are taken, each time followed by another plan; no source."""
_DISABLED: Final = 1e9
"""Costs from here on hold the penalty of a method that is switched off, up to 17."""
_SCANS: Final = ("enable_seqscan", "enable_indexscan", "enable_bitmapscan", "enable_material", "enable_memoize")
_FIXED: Final = {"join_collapse_limit": "1", "from_collapse_limit": "1"}


@frozen
class Foretold:
    """The plan with right counts as the document holds it, and which counts could not be made right, in notes."""

    right_counts: RightCounts
    notes: tuple[str, ...]


def ask_right_counts(
    query: str,
    executed: Printed,
    reckoned: ReckonedTree,
    facts: StandInFacts,
    settings: Mapping[str, str],
    dsn: str,
    role: str | None = None,
    allowed: Allowance | None = None,
    count: Count | None = None,
) -> Foretold:
    """Forge a stand-in's statistics until they give what the plan counted, and have the query planned.

    `executed` is the captured plan under EXPLAIN's own keys, `dsn` that of the stand-in's superuser, `role` the
    source's under which to plan, None for one that sees everything, `allowed` the time of a whole list; `count` counts
    a part's query on the source itself. Afterwards all statistics are as they were. Raises StatementRefused and
    StatementFailed where the query can't be asked about.
    """
    try:
        text, _ = explainable(query)
        with forgery(dsn, facts, settings, role, allowed) as forged:
            return _asked(text, executed, reckoned, forged, count)
    except NotPermitted as error:
        raise StatementRefused(
            f"right counts were not asked for: the query {error.reason}", hint="give it as one plain SELECT"
        ) from None
    except RecursionError:
        raise StatementRefused("right counts were not asked for: the query, or its plan, nests too deep") from None


def _asked(text: str, executed: Printed, reckoned: ReckonedTree, forged: Forgery, count: Count | None) -> Foretold:
    _check_levels(executed)
    taken_apart = query_of(text, forged.facts, relations_below(reckoned.tree, frozenset())[0])
    # groups matter where a subquery of the FROM clause hands them on
    found = counted(reckoned, taken_apart.known)
    counts = [c for c in found if c.kind != "groups" or taken_apart.grouped(c.aliases) is not None]
    more: list[Counted] = []
    for _ in range(_ROUNDS):
        fitted = fit_all(forged, taken_apart, [*counts, *more])
        foretold = forged.document(text)["Plan"]
        _check_levels(foretold)
        new = counted_on_source(taken_apart, foretold, [*counts, *more], count) if count is not None else []
        if not new:
            break
        more += new
    price = _price_of_executed(forged, text, taken_apart, executed, foretold)
    moved = Moving(forged, text, foretold).limits(in_outline)
    return _told(executed, foretold, price, fitted, counts, more, reckoned, taken_apart.known, moved)


def _check_levels(plan: Printed) -> None:
    if printed_levels(plan) > MOST_LEVELS:
        raise NotPermitted(f"has a plan of more than {MOST_LEVELS} levels")


def _price_of_executed(forged: Forgery, text: str, query: Query, executed: Printed, foretold: Printed) -> float | None:
    """What the executed plan costs at the right counts; None where the planner can't be led to it.

    It is led by switching methods off, and by writing the order of joins. Where no single plan then is the executed
    one, its joins' prices are put together from several.
    """
    cheapest = float(foretold["Total Cost"])
    if in_outline(foretold) == in_outline(executed):
        return cheapest
    pool: list[Printed] = []
    for plan in _led(forged, text, query, executed):
        if in_outline(plan) == in_outline(executed):
            return max(float(plan["Total Cost"]), cheapest)
        pool.append(plan)
    price = assembled_price(executed, pool, query.known)
    # what the planner chose is the cheapest that it knows, so that a smaller sum is of parts that don't go together
    return None if price is None else max(price, cheapest)


def _led(forged: Forgery, text: str, query: Query, executed: Printed) -> Iterator[Printed]:
    """Plans with methods switched off: the executed plan's methods first."""
    used = frozenset(METHODS[join.method] for join in joins_of(executed, query.known))
    every = [frozenset(chosen) for size in (1, 2, 3) for chosen in combinations(METHODS.values(), size)]
    for asked, fixed in _orders(text, query, executed):
        for methods in sorted(every, key=lambda chosen: chosen != used):
            for scans in ((), *combinations(_SCANS, 1)) if methods == used else ((),):
                off = dict.fromkeys((*(m for m in METHODS.values() if m not in methods), *scans), "off")
                with contextlib.suppress(StatementFailed):
                    # a plan that can't be made so, or no time for more of them: the price is of what was found
                    plan = forged.document(asked, {**fixed, **off})["Plan"]
                    if not _has_disabled(plan):
                        yield plan


def _orders(text: str, query: Query, executed: Printed) -> Iterator[tuple[str, Mapping[str, str]]]:
    """The query as it stands, and with the executed order of joins written down."""
    yield text, {}
    level = query.levels[0]
    items = {item.inside: item.alias for item in level.items.values()}
    order = nesting(executed, items, query.known)
    if order is None or isinstance(order, str) or not inner_only(level):
        return
    try:
        yield ordered_query(query.tree, level, order), _FIXED
    except NotPermitted:
        return


def _has_disabled(plan: Printed) -> bool:
    return float(plan["Total Cost"]) >= _DISABLED or any(node.get("Disabled") for node in printed_nodes(plan))


def _told(
    executed: Printed,
    foretold: Printed,
    price: float | None,
    fitted: Fitted,
    counts: list[Counted],
    more: list[Counted],
    reckoned: ReckonedTree,
    known: frozenset[str],
    moved: MovedFacts,
) -> Foretold:
    probed = frozenset(each.aliases for each in more)
    measured = frozenset(count.aliases for count in counts if count.kind == "join") | probed
    unmeasured = tuple(join.node for join in joins_of(foretold, known) if join.aliases not in measured)
    errors = [reckoned.counts[c.node].q_error for c in counts if c.kind == "join"]
    factor = factor_of([e for e in errors if e is not None])
    other_order = order_of(foretold, known) != order_of(executed, known)
    wins = not other_order or not unmeasured
    if not wins and price is not None:
        wins = worst_price(foretold, measured, known, factor) < price
    methods = methods_of(executed, known)
    changed = any(methods.get(s, m) != m for s, m in methods_of(foretold, known).items())
    cost = float(foretold["Total Cost"])
    ratio = price / cost if wins and price is not None and cost > 0 else None
    starts = starts_from(foretold, known)
    not_reached = {node: why for node, why in fitted.not_reached.items() if node >= 0}
    found = RightCounts(
        order_changed=other_order if wins else None,
        methods_changed=changed,
        starts_from=starts if starts != starts_from(executed, known) else None,
        cost_ratio=ratio,
        reached=tuple(node for node in fitted.reached if node >= 0),
        not_reached=tuple(sorted(not_reached)),
        why_not_reached=tuple(why for _, why in sorted(not_reached.items())),
        probed=tuple(join.node for join in joins_of(foretold, known) if join.aliases in probed),
        unmeasured=unmeasured,
        unmeasured_factor=factor if unmeasured else None,
        plan=dict(foretold),
        moved_facts=moved,
    )
    return Foretold(found, _left(not_reached, executed))


def _left(not_reached: Mapping[int, str], executed: Printed) -> tuple[str, ...]:
    """How many counts could not be made right, and why of the first."""
    if not not_reached:
        return ()
    number, reason = min(not_reached.items())
    told = f"{called(executed, number)} keeps its estimate on the stand-in: {reason}"
    more = len(not_reached) - 1
    return (told, f"so {agreeing(str(more), 'does', 'do')} {told_number(more, 'more node')}") if more else (told,)
