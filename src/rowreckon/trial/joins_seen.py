"""The joins of two runs of a query side by side, matched by the tables that they join."""

from __future__ import annotations

from rowreckon.document.audit import Join, JoinSeen, Node, Plan, TrialJoin


def trial_joins(before: Plan, after: Plan) -> tuple[TrialJoin, ...]:
    """Every join of either run; what only one join order has stands alone."""
    after_by_tables = _by_tables(after)
    before_by_tables = _by_tables(before)
    tables = dict.fromkeys((*before_by_tables, *after_by_tables))
    return tuple(
        TrialJoin(tables=key, before=_seen(before_by_tables.get(key)), after=_seen(after_by_tables.get(key)))
        for key in tables
    )


def methods_of(plan: Plan) -> tuple[str, ...]:
    """The join methods of a plan in node order."""
    return tuple(join.method for join in plan.joins)


def joins_kept(plan: Plan) -> tuple[Join, ...]:
    """The plan's joins with what a row ruler is drawn from: what refers to the rest of the plan is left out."""
    return tuple(
        join.model_copy(
            update={
                "costs": {method: cost.model_copy(update={"ways": ()}) for method, cost in join.costs.items()},
                "curve": (),
                "missing": (),
                "origin": (),
                "safe_origins": (),
            }
        )
        for join in plan.joins
    )


def node_like(plan: Plan, node: Node) -> Node | None:
    """The node of another plan of the same query that counts the same rows: same alias, or a join of the same tables.

    Where several do, the one with the largest q-error, so that a mended estimate is not claimed too early.
    """
    same = [n for n in plan.nodes if n.q_error is not None and _alike(n, node)]
    return max(same, key=lambda n: n.q_error or 1.0, default=None)


def _alike(one: Node, other: Node) -> bool:
    if other.alias is not None:
        return one.alias == other.alias
    if (one.join_type is None) != (other.join_type is None):
        return False
    if other.join_type is None and one.node_type != other.node_type:
        return False
    return sorted(one.tables) == sorted(other.tables)


def _by_tables(plan: Plan) -> dict[tuple[str, ...], Join]:
    found: dict[tuple[str, ...], Join] = {}
    for join in plan.joins:
        found.setdefault(tuple(sorted(plan.nodes[join.node].tables)), join)
    return found


def _seen(join: Join | None) -> JoinSeen | None:
    if join is None:
        return None
    return JoinSeen(
        node=join.node,
        method=join.method,
        outer_estimated_rows=join.outer.estimated_rows,
        outer_actual_rows=join.outer.actual_rows,
        q_error=join.q_error,
    )
