"""Where the time goes: the share of the judged joins, and what no judged join accounts for."""

from __future__ import annotations

from rowreckon.document.audit import Join, Node, Plan, TimeElsewhere
from rowreckon.frozen import frozen
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.numbers import milliseconds, number, share
from rowreckon.report.words.once import once_a_plan
from rowreckon.report.words.sentences import node_label

# What stands between a join and its inputs and exists for the join's sake.
_SERVING = frozenset(("Hash", "Sort", "Incremental Sort", "Materialize", "Memoize"))


_APART = ("InitPlan", "SubPlan")


@frozen
class JoinTime:
    """Milliseconds that joins account for: their own, their inner sides' access, their sorts and stores."""

    ms: float | None
    of: float | None

    @property
    def share(self) -> str | None:
        """The part of the execution time in words, None where times are missing."""
        return share(self.ms, self.of) if self.ms is not None and self.of else None


@frozen
class PlanMap:
    """A plan's nodes by id and by parent (see `plan_map`)."""

    by_id: dict[int, Node]
    children: dict[tuple[int, ...], list[Node]]
    join_nodes: frozenset[int]


@once_a_plan
def plan_map(plan: Plan) -> PlanMap:
    """The map of one plan."""
    children: dict[tuple[int, ...], list[Node]] = {}
    for node in plan.nodes:
        if node.path:
            children.setdefault(node.path[:-1], []).append(node)
    return PlanMap({n.id: n for n in plan.nodes}, children, frozenset(join.node for join in plan.joins))


def judged_joins(plan: Plan) -> list[Join]:
    """The joins whose time a report speaks of: the crossed ones, else all that are not accurate."""
    crossed = [join for join in plan.joins if join.verdict == "crossed"]
    return crossed or [join for join in plan.joins if join.verdict != "accurate"]


def join_time(plan: Plan, joins: list[Join]) -> JoinTime:
    """Time of the joins given, each node counted once: the join's own, its inner side's access down to the next join,
    the sorts and stores on both sides; not what a side would have cost under any method."""
    if plan.execution_ms is None or not joins:
        return JoinTime(None, plan.execution_ms)
    at = plan_map(plan)
    seen: dict[int, float | None] = {}
    for join in joins:
        top = at.by_id.get(join.node)
        if top is None:
            continue
        seen[top.id] = top.own_ms
        for side in _inputs(at, top):
            node: Node | None = side
            while node is not None and node.id not in at.join_nodes:
                if not (node.node_type in _SERVING or side.parent_relationship == "Inner"):
                    break
                seen[node.id] = node.own_ms
                below = _inputs(at, node)
                node = below[0] if len(below) == 1 else None
    known = [ms for ms in seen.values() if ms is not None]
    return JoinTime(min(sum(known), plan.execution_ms) if known else None, plan.execution_ms)


def _inputs(at: PlanMap, node: Node) -> list[Node]:
    return [child for child in at.children.get(node.path, ()) if child.parent_relationship not in _APART]


def elsewhere_sorted(plan: Plan) -> list[TimeElsewhere]:
    """Most time first; facts without a time last, in the document's order."""
    return sorted(plan.time_elsewhere, key=lambda item: -1.0 if item.ms is None else -item.ms)


def elsewhere_place(plan: Plan, item: TimeElsewhere) -> str:
    """`SubPlan 2, 48,000 loops`, or the node, or nothing."""
    node = plan_map(plan).by_id.get(item.node) if item.node is not None else None
    if node is None:
        return {"planning": "planning", "jit": "compiling (JIT)"}.get(item.kind, "")
    if item.kind == "subplan" and node.subplan_name:
        loops = f", {number(node.loops)} loops" if node.loops is not None and node.loops != 1 else ""
        return f"{quote(node.subplan_name, 80)}{loops}"
    return node_label(node)


def elsewhere_line(plan: Plan, item: TimeElsewhere) -> str:
    """One line of the list: place, time, fact."""
    place = elsewhere_place(plan, item)
    node = plan_map(plan).by_id.get(item.node) if item.node is not None else None
    # The fact often names the node itself; then the place would say it twice.
    named = node is not None and item.fact.startswith((node.node_type, node.subplan_name or node.node_type))
    at = f"{place}: " if place and not named else ""
    time = f" ({milliseconds(item.ms)})" if item.ms is not None else ""
    return f"{at}{clean(item.fact).rstrip('.')}{time}"


def time_sentence(plan: Plan) -> str:
    """'the judged joins account for 4% of the time. Most is in SubPlan 2, 48,000 loops', without a full stop."""
    subject = judged_joins(plan)
    spent = join_time(plan, subject)
    if not plan.analyzed:
        return "the query was only planned, so nothing is known of its time"
    if plan.execution_ms is None:
        return "how long the query ran is not known"
    named = [item for item in elsewhere_sorted(plan) if item.ms is not None]
    whole = milliseconds(plan.execution_ms)
    if not plan.joins:
        said = f"no join to judge in {whole}"
    elif not subject:
        said = f"no join was misestimated, so none explains the {whole}"
    elif spent.share is None:
        said = f"the nodes' times were not measured, only the whole: {whole}"
    else:
        what = "crossed" if subject[0].verdict == "crossed" else "judged"
        one = len(subject) == 1
        said = (
            f"the {what} join{'' if one else 's'} account{'s' if one else ''} for {spent.share} of the time ({whole})"
        )
    if not named or named[0].ms is None:
        return said
    top = named[0]
    place = elsewhere_place(plan, top) or clean(top.fact).rstrip(".")
    largest = "The largest part elsewhere" if subject else "The largest part"
    most = "Most" if (top.ms or 0) > plan.execution_ms / 2 else largest
    return f"{said}. {most} is in {place} ({milliseconds(top.ms)})"
