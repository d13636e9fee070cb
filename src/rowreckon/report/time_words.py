"""Where the time goes: the share of the judged joins, and what no judged join accounts for."""

from __future__ import annotations

from dataclasses import dataclass

from rowreckon.report.document import Join, Node, Plan, TimeElsewhere
from rowreckon.report.escape import clean, quote
from rowreckon.report.numbers import milliseconds, number, share
from rowreckon.report.words import node_label

# What stands between a join and its inputs and exists for the join's sake.
_SERVING = frozenset(("Hash", "Sort", "Incremental Sort", "Materialize", "Memoize", "Gather", "Gather Merge"))


_APART = ("InitPlan", "SubPlan")


@dataclass(frozen=True)
class JoinTime:
    """Milliseconds that joins account for: their own time, and that of their sorts, hash tables and input scans."""

    ms: float | None
    of: float | None

    @property
    def share(self) -> str | None:
        """The part of the execution time in words, None where times are missing."""
        return share(self.ms, self.of) if self.ms is not None and self.of else None


@dataclass(frozen=True)
class PlanMap:
    """A plan's nodes by id and by parent, worked out once for many questions."""

    by_id: dict[int, Node]
    children: dict[tuple[int, ...], list[Node]]
    join_nodes: frozenset[int]

    @classmethod
    def of(cls, plan: Plan) -> PlanMap:
        """The map of one plan."""
        children: dict[tuple[int, ...], list[Node]] = {}
        for node in plan.nodes:
            if node.path:
                children.setdefault(node.path[:-1], []).append(node)
        return cls({n.id: n for n in plan.nodes}, children, frozenset(join.node for join in plan.joins))


def join_time(plan: Plan, joins: list[Join], plan_map: PlanMap | None = None) -> JoinTime:
    """Time of the joins given, each node counted once; a side that is itself a join or an aggregate is left out."""
    if plan.execution_ms is None or not joins:
        return JoinTime(None, plan.execution_ms)
    at = plan_map or PlanMap.of(plan)
    seen: dict[int, float | None] = {}
    for join in joins:
        top = at.by_id.get(join.node)
        if top is None:
            continue
        seen[top.id] = top.own_ms
        stack = list(at.children.get(top.path, ()))
        while stack:
            node = stack.pop()
            if node.id in seen or node.id in at.join_nodes or node.parent_relationship in _APART:
                continue
            below = at.children.get(node.path, [])
            if node.node_type in _SERVING:
                stack.extend(below)
            elif "Scan" not in node.node_type and any(n.parent_relationship not in _APART for n in below):
                continue
            elif node.node_type == "Bitmap Heap Scan":
                stack.extend(below)
            seen[node.id] = node.own_ms
    known = [ms for ms in seen.values() if ms is not None]
    return JoinTime(min(sum(known), plan.execution_ms) if known else None, plan.execution_ms)


def elsewhere_sorted(plan: Plan) -> list[TimeElsewhere]:
    """Most time first; facts without a time last, in the document's order."""
    return sorted(plan.time_elsewhere, key=lambda item: -1.0 if item.ms is None else -item.ms)


def elsewhere_place(plan: Plan, item: TimeElsewhere) -> str:
    """`SubPlan 2, 48,000 loops`, or the node, or nothing."""
    node = next((n for n in plan.nodes if n.id == item.node), None) if item.node is not None else None
    if node is None:
        return item.kind.replace("_", " ") if item.kind in ("planning", "jit") else ""
    if item.kind == "subplan" and node.subplan_name:
        loops = f", {number(node.loops)} loops" if node.loops is not None and node.loops != 1 else ""
        return f"{quote(node.subplan_name, 80)}{loops}"
    return node_label(node)


def elsewhere_line(plan: Plan, item: TimeElsewhere) -> str:
    """One line of the list: place, time, fact."""
    place = elsewhere_place(plan, item)
    at = f"{place}: " if place else ""
    time = f" ({milliseconds(item.ms)})" if item.ms is not None else ""
    return f"{at}{clean(item.fact).rstrip('.')}{time}"


def time_sentence(plan: Plan) -> str:
    """'the judged joins account for 4% of the time; most is in SubPlan 2, 48,000 loops', without a full stop."""
    crossed = [join for join in plan.joins if join.verdict == "crossed"]
    subject = crossed or list(plan.joins)
    spent = join_time(plan, subject)
    if not plan.analyzed:
        return "the plan was not run, so nothing is known of its time"
    if plan.execution_ms is None:
        return "how long the query ran is not known"
    named = [item for item in elsewhere_sorted(plan) if item.ms is not None]
    whole = milliseconds(plan.execution_ms)
    if not subject:
        said = f"no join to judge in {whole}"
    elif spent.share is None:
        said = f"the nodes' times were not measured, only the whole: {whole}"
    else:
        what = "crossed" if crossed else "judged"
        one = len(subject) == 1
        said = (
            f"the {what} join{'' if one else 's'} account{'s' if one else ''} for {spent.share} of the time ({whole})"
        )
    if not named or named[0].ms is None:
        return said
    top = named[0]
    place = elsewhere_place(plan, top) or clean(top.fact).rstrip(".")
    most = "most" if (top.ms or 0) > plan.execution_ms / 2 else "the largest part elsewhere"
    return f"{said}; {most} is in {place} ({milliseconds(top.ms)})"
