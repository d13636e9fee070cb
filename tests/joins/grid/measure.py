"""One case on one server: what the model says beside what the planner says."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import psycopg
from psycopg import sql

from rowreckon.capture import Alternative, Capture
from rowreckon.counts import find_origins, reckon
from rowreckon.counts.parallel import find_parallelism
from rowreckon.declared.agreement import agreeing, with_seen
from rowreckon.declared.reading import SchemaFiles
from rowreckon.declared.result import declared_of
from rowreckon.document.audit import Join
from rowreckon.joins import judge_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.joins.facts.sides import METHODS, Aliases, join_facts
from rowreckon.joins.verdict.planner_figures import planner_figures
from rowreckon.plan import PlanTree, lay_out, parse_document
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.nodes import AggregateNode, IncrementalSortNode, JoinNode, LimitNode, ScanNode, SortNode
from rowreckon.plan.tree import alias_of
from rowreckon.server.sweeping.facts import read_catalogs

from .cases import Case

SWITCHES = {"nested_loop": "enable_nestloop", "hash": "enable_hashjoin", "merge": "enable_mergejoin"}
_TIMEOUT = "20s"
FUZZ = 1.01
"""What the planner takes for equal, and the contract for no crossing."""

Flip = tuple[str, str, float]
Sides = tuple[frozenset[str], frozenset[str]]


@dataclass
class Measured:
    """One join of one case: the model's figures on one basis beside the server's."""

    case: str
    sides: Sides
    basis: str
    method: str
    verdict: str
    truth: str | None
    printed: float
    modelled: float | None
    others: dict[str, tuple[float, float | None]] = field(default_factory=dict)
    flips: list[Flip] = field(default_factory=list)
    points: list[tuple[str, str, float, float, float]] = field(default_factory=list)
    confirmed: list[bool] = field(default_factory=list)
    flips_known: bool = False
    best: str | None = None
    tied: bool = False
    lost: float | None = None
    why: str = ""

    @property
    def join(self) -> str:
        """The join's two sides by their aliases."""
        return " x ".join("*".join(sorted(side)) for side in self.sides)


def measure(
    connection: psycopg.Connection[Any], case: Case, *, flips: bool = True, files: SchemaFiles | None = None
) -> list[Measured]:
    """Both bases of every join of a case; an empty list where the query takes too long.

    With schema `files` there are two more: the plan with these, and with other plans that show every index to be there.
    """
    switched = {method: settings_for(case.settings, connection) for method in SWITCHES}
    with connection.transaction(force_rollback=True):
        apply_settings(connection, settings_for(case.settings, connection))
        try:
            with connection.transaction():
                document = explained(connection, case.query, "analyze, buffers, verbose, timing off, ")
        except psycopg.errors.QueryCanceled:
            return []
        tree = lay_out(document.plan)
        catalog = read_catalogs(connection, [tree], trust="own_list")[0]
        right = lay_out(explained(connection, case.right).plan)
        alternatives: list[Alternative] = []
        for method in SWITCHES:
            apply_settings(connection, switched[method] | {s: "off" for m, s in SWITCHES.items() if m != method})
            other = explained(connection, case.query, "verbose, ")
            off = tuple(s for m, s in SWITCHES.items() if m != method)
            alternatives.append(Alternative(switched_off=off, explain=other))
        apply_settings(connection, dict.fromkeys(SWITCHES.values(), "on"))
        live = _flips(connection, case) if flips and case.flip is not None else None
        rows = _measure_both(connection, case, document, catalog, tree, right, tuple(alternatives), live, files)
    return rows


def _measure_both(
    connection: psycopg.Connection[Any],
    case: Case,
    document: ExplainDocument,
    catalog: object,
    tree: PlanTree,
    right: PlanTree,
    alternatives: tuple[Alternative, ...],
    live: tuple[list[Flip], float, float] | None,
    files: SchemaFiles | None,
) -> list[Measured]:
    base = Capture(
        name=case.name,
        query=case.query,
        server_version=connection.info.server_version,
        settings=document.settings,
        explain=document,
    )
    found: list[Measured] = []
    captures = {"catalog": base.model_copy(update={"catalog": catalog}), "plan": base, **_with_files(base, tree, files)}
    for basis, capture in captures.items():
        for row in _compare(basis, capture, tree, right, alternatives, case, live):
            if row.flips_known:
                row.confirmed = [_flips_there(connection, case, p[0], p[1], p[2]) for p in row.points]
            rival = row.method if row.truth != row.method else row.best
            if row.truth is not None and rival not in (None, row.truth):
                lost = against(connection, case, right, row, rival)
                row.tied = lost is not None and lost <= FUZZ
                row.lost = lost if row.truth != row.method else None
            found.append(row)
    return found


def _with_files(base: Capture, tree: PlanTree, files: SchemaFiles | None) -> dict[str, Capture]:
    """The plan with schema files, and with other plans that show every index of theirs to be there."""
    if files is None:
        return {}
    names = {node.relation_name for node in tree.nodes if isinstance(node, ScanNode) and node.relation_name}
    left = agreeing(declared_of(files, names), tree)
    assert left.notes == (), left.notes
    shown = {(r.schema_, r.name, i.name): "another" for r in left.declared.relations for i in r.indexes}
    return {
        "files": base.model_copy(update={"declared": left.declared}),
        "shown": base.model_copy(update={"declared": with_seen(left.declared, shown)}),
    }


def against(
    connection: psycopg.Connection[Any], case: Case, right: PlanTree, row: Measured, rival: str | None
) -> float | None:
    """What the rival method costs by the server, its estimate made right, over what the one costs that it takes there.

    Switching a method off may change the joins below, and their order. What the join adds to the cost of a side that it
    reads once stays the same: it depends on that side's rows only. So it is put on top of the sides that the server
    takes, in the order as written where its own has no such join. Where one of both runs in several processes, whole
    plans of one join are compared.
    """
    assert row.truth is not None
    taken = _join_over(right, row.sides)
    for order in ({}, {"join_collapse_limit": "1"}):
        with connection.transaction(force_rollback=True):
            apply_settings(connection, {SWITCHES[row.truth]: "off"} | order)
            without = lay_out(explained(connection, case.right).plan)
        other = _join_over(without, row.sides)
        if taken is None or other is None or METHODS[without.nodes[other].node_type] != rival:
            continue
        if find_parallelism(right).partial[taken] != find_parallelism(without).partial[other]:
            if len(right.joins()) == 1 == len(without.joins()):
                return _cost(without, 0) / _cost(right, 0)
            continue
        here, there = _read_once(without, other), _read_once(right, taken)
        cost = _cost(without, other) + sum(there[side] - here[side] for side in here.keys() & there.keys())
        return cost / _cost(right, taken)
    return None


def _read_once(plan: PlanTree, join: int) -> dict[frozenset[str], float]:
    """What the sides cost that a join reads once."""
    sides = [plan.outer(join)]
    if METHODS[plan.nodes[join].node_type] != "nested_loop":
        sides.append(plan.inner(join))
    return {_aliases(plan, side): _cost(plan, side) for side in sides if side is not None}


def _flips_there(connection: psycopg.Connection[Any], case: Case, below: str, above: str, rows: float) -> bool:
    """Whether the live planner changes from one method to the other within 2% (or a row) of a row count.

    Where pages come in steps it changes back and forth, and a search from afar ends at any of these changes.
    """
    assert case.flip is not None
    template = case.flip

    def at(literal: int) -> tuple[str, float]:
        return _method_and_rows(connection, template.format(n=literal), case.outer)

    around = (min(rows * 0.98, rows - 1.0), max(rows * 1.02, rows + 1.0)), (rows - 1.0, rows)
    for before, behind in around:
        low, high = _literal(at, before), _literal(at, behind) + (behind > rows)
        if at(low)[0] == below and at(high)[0] == above:
            return True
    return False


def _literal(at: Callable[[int], tuple[str, float]], rows: float) -> int:
    """The largest literal for which the planner expects no more rows than these."""
    low, high = max(int(rows * 0.7), 1), int(rows * 1.4) + 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if at(middle)[1] <= rows else (low, middle)
    return low


def _compare(
    basis: str,
    capture: Capture,
    tree: PlanTree,
    right: PlanTree,
    alternatives: tuple[Alternative, ...],
    case: Case,
    live: tuple[list[Flip], float, float] | None,
) -> list[Measured]:
    reckoned = reckoned_of(capture)
    joins = judge_joins(capture, reckoned, find_origins(reckoned)).joins
    asked = capture.model_copy(update={"alternatives": alternatives})
    aliases = Aliases(tree)
    found: list[Measured] = []
    for join in joins:
        figures = planner_figures(asked, reckoned, join_facts(reckoned, join.node, aliases))
        printed = float(tree.nodes[join.node].total_cost or 0)
        sides = sides_of(tree, join.node)
        row = Measured(
            case=case.name,
            sides=sides,
            basis=basis,
            method=join.method,
            verdict=join.verdict,
            best=join.best_at_actual,
            truth=method_over(right, sides, tree, join.node, case),
            modelled=None if join.residual is None else join.residual * printed,
            printed=printed,
            why=join.why,
        )
        for method, figure in figures.items():
            if figure.total_cost is not None:
                server = _put_in_order(tree, join.node, alternatives, sides, figure.total_cost)
                modelled = join.costs[method].at_estimate if method in join.costs else None
                if modelled is not None and reckoned.parallelism.partial[join.node]:
                    modelled -= _on_top(join, printed)
                row.others[method] = (server, modelled)
        if live is not None and len(joins) == 1 and _drives(join, tree, case.outer):
            row.flips, row.flips_known = live[0], True
            least, most = live[1:]
            row.points = [
                (p.from_, p.to, p.outer_rows or 0.0, p.low or 0.0, p.high or 0.0)
                for p in join.switch_points
                if p.along == "outer" and p.inner_at == "estimate" and least < (p.outer_rows or 0.0) <= most
            ]
        found.append(row)
    return found


_IN_ORDER = (SortNode, IncrementalSortNode, LimitNode)


def _put_in_order(
    tree: PlanTree, number: int, alternatives: tuple[Alternative, ...], sides: Sides, total: float
) -> float:
    """What a method costs with the sort and the LIMIT above it, where the query asks for such of the join's rows.

    Grouping by hashing needs no order: it counts only where the executed plan sorts as well.
    """
    for plan in (lay_out(alternative.explain.plan) for alternative in alternatives):
        at = _join_over(plan, sides)
        if at is None or _cost(plan, at) != total:
            continue
        top = _ordered_top(plan, at)
        grouped = top > 0 and isinstance(plan.nodes[plan.parent[top]], AggregateNode)
        if _below_join(plan, at) or (grouped and _ordered_top(tree, number) == number):
            return total
        return _cost(plan, top)
    return total


def _below_join(plan: PlanTree, number: int) -> bool:
    at = number
    while at > 0:
        at = plan.parent[at]
        if isinstance(plan.nodes[at], JoinNode):
            return True
    return False


def _ordered_top(plan: PlanTree, number: int) -> int:
    at = number
    while at > 0 and isinstance(plan.nodes[plan.parent[at]], _IN_ORDER):
        at = plan.parent[at]
    return at


def _flips(connection: psycopg.Connection[Any], case: Case) -> tuple[list[Flip], float, float]:
    """Every change of the planner's method as the outer rows grow, in the rows that the planner then expects;
    and the least and the most rows that a literal can make it expect."""
    assert case.flip is not None
    template = case.flip
    seen: dict[int, tuple[str, float]] = {}

    def method(rows: int) -> tuple[str, float]:
        if rows not in seen:
            seen[rows] = _method_and_rows(connection, template.format(n=rows), case.outer)
        return seen[rows]

    steps = [n for n in (1, 3, 6, 20, 60, 200, 600, 2000, 6000, 20000) if n < case.most_rows] + [case.most_rows]
    found: list[Flip] = []
    for low, high in itertools.pairwise(steps):
        _bisect(method, low, high, found)
    return found, method(steps[0])[1], method(steps[-1])[1]


def _method_and_rows(connection: psycopg.Connection[Any], query: str, alias: str) -> tuple[str, float]:
    """The plan's one join method and the expected rows of the varied relation.

    Below a Gather the plan prints a process's share in whole rows, and on the inner side of a nested loop those of one
    execution: there the rows are those of the plan without it.
    """
    plan = lay_out(explained(connection, query).plan)
    joins = plan.joins()
    if len(joins) != 1:
        return "none", 0.0
    method = METHODS[plan.nodes[joins[0]].node_type]
    if any(find_parallelism(plan).partial):
        with connection.transaction(force_rollback=True):
            apply_settings(connection, {"max_parallel_workers_per_gather": "0"})
            plan = lay_out(explained(connection, query).plan)
    if method == "nested_loop" and alias in _aliases(plan, plan.inner(plan.joins()[0])):
        with connection.transaction(force_rollback=True):
            apply_settings(connection, {"enable_nestloop": "off", "max_parallel_workers_per_gather": "0"})
            plan = lay_out(explained(connection, query).plan)
    rows = [float(node.plan_rows or 0) for node in plan.nodes if alias_of(node) == alias]
    return (method, rows[0]) if rows else ("none", 0.0)


def _bisect(method: Callable[[int], tuple[str, float]], low: int, high: int, found: list[Flip]) -> None:
    below, above = method(low)[0], method(high)[0]
    if below == above or "none" in (below, above) or len(found) > 6:
        return
    while high - low > 1:
        middle = (low + high) // 2
        here = method(middle)[0]
        if here == below:
            low = middle
        elif here == above:
            high = middle
        else:
            _bisect(method, low, middle, found)
            _bisect(method, middle, high, found)
            return
    found.append((below, above, method(high)[1]))


def _leader(case: Case) -> bool:
    return case.settings.get("parallel_leader_participation", "on") == "on"


def _on_top(join: Join, printed: float) -> float:
    """What the model puts on top of a join below a Gather, beyond the join's own cost."""
    shown = join.costs[join.method].at_estimate
    return 0.0 if shown is None or join.residual is None else shown - join.residual * printed


def _drives(join: Join, tree: PlanTree, alias: str) -> bool:
    """Whether the executed join read the varied relation as its outer side."""
    return any(alias_of(tree.nodes[n]) == alias for n in tree.subtree(join.outer.node))


def method_over(right: PlanTree, sides: Sides, tree: PlanTree, node: int, case: Case) -> str | None:
    """The method that the right query's plan has over the same two inputs.

    None where it has no such join, or where its estimates of the inputs and the output did not become right: then it
    tells nothing about what right estimates would bring.
    """
    number = _join_over(right, sides)
    if number is None:
        return None
    output = reckon(tree, leader_takes_part=_leader(case)).counts[node].actual
    divisor = find_parallelism(right, leader_takes_part=_leader(case)).divisor(number)
    expected = (right.nodes[number].plan_rows or 0) * divisor
    if output is None or not _near(expected, output):
        return None
    return METHODS[right.nodes[number].node_type]


def _join_over(plan: PlanTree, sides: Sides) -> int | None:
    """The join of these two inputs, whichever is the outer one."""
    return next((n for n in plan.joins() if set(sides_of(plan, n)) == set(sides)), None)


def _near(expected: float, actual: float) -> bool:
    """Whether an estimate is right, to a quarter or two rows."""
    return abs(expected - actual) <= max(0.25 * actual, 2.0)


def sides_of(tree: PlanTree, number: int) -> Sides:
    return _aliases(tree, tree.outer(number)), _aliases(tree, tree.inner(number))


def _aliases(tree: PlanTree, at: int | None) -> frozenset[str]:
    span = tree.subtree(at) if at is not None else range(0)
    return frozenset(a for n in span if (a := alias_of(tree.nodes[n])) is not None)


def _cost(tree: PlanTree, number: int) -> float:
    return float(tree.nodes[number].total_cost or 0.0)


def settings_for(settings: Mapping[str, str], connection: psycopg.Connection[Any]) -> dict[str, str]:
    kept = {k: v for k, v in settings.items() if k != "enable_memoize" or connection.info.server_version >= 140000}
    return {"jit": "off", "statement_timeout": _TIMEOUT, **dict.fromkeys(SWITCHES.values(), "on"), **kept}


def apply_settings(connection: psycopg.Connection[Any], settings: Mapping[str, str]) -> None:
    for name, value in settings.items():
        connection.execute(sql.SQL("set local {} = {}").format(sql.Identifier(name), sql.Literal(value)))


def explained(connection: psycopg.Connection[Any], query: str, options: str = "") -> ExplainDocument:
    row = connection.execute(f"explain ({options}settings, format json) {query}".encode()).fetchone()
    assert row is not None
    return parse_document(row[0][0])
