"""Finding the same query, and the same join in it, in another audit."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Join, Node, Plan

_TURNED = {"right": "left", "right_semi": "semi", "right_anti": "anti"}
_SERVING = frozenset(("Hash", "Sort", "Incremental Sort", "Materialize", "Memoize", "Gather", "Gather Merge"))


def bare_table(name: str) -> str:
    """A table's name without `public`, which one plan prints and another does not."""
    return name.removeprefix("public.")


def join_key(join: Join) -> tuple[tuple[str, ...], str]:
    """A join by the tables it brings together and its type, whichever side is which and whatever its method."""
    tables = sorted(bare_table(name) for name in (*join.outer.tables, *join.inner.tables))
    return tuple(tables), _TURNED.get(join.join_type, join.join_type)


def node_key(node: Node) -> tuple[str, ...] | None:
    """A node by what it reads; None for nodes that only serve another, whose rows are their child's."""
    if node.node_type in _SERVING:
        return None
    if node.relation or node.alias:
        return ("scan", node.alias or node.relation or "", node.relation or "")
    kind = "join" if "Join" in node.node_type or node.node_type == "Nested Loop" else node.node_type
    return (kind, *sorted(bare_table(name) for name in node.tables))


def query_key(plan: Plan) -> str:
    """The text of the query without its white space, else its id, else empty."""
    if plan.query:
        return " ".join(plan.query.split()).rstrip("; ")
    return plan.query_id or ""


class Matcher:
    """Looks plans of one audit up in another: by query, else by source, each taken once."""

    def __init__(self, other: Audit) -> None:
        self._plans = list(other.plans)
        self._taken: set[int] = set()
        self._by_query: dict[str, list[int]] = {}
        self._by_source: dict[str, list[int]] = {}
        for index, plan in enumerate(self._plans):
            self._by_query.setdefault(query_key(plan), []).append(index)
            self._by_source.setdefault(plan.source, []).append(index)

    def find(self, plan: Plan) -> Plan | None:
        """The other audit's plan of the same query, or None."""
        wanted = query_key(plan)
        same = [i for i in self._by_query.get(wanted, ()) if i not in self._taken] if wanted else []
        named = [i for i in self._by_source.get(plan.source, ()) if i not in self._taken]
        both = [i for i in same if i in named]
        for index in (*both, *same, *named):
            self._taken.add(index)
            return self._plans[index]
        return None

    def verdicts(self, plan: Plan) -> dict[tuple[tuple[str, ...], str], list[str]]:
        """The verdicts that the other audit gave to this plan's joins, by join."""
        other = self.find(plan)
        found: dict[tuple[tuple[str, ...], str], list[str]] = {}
        for join in other.joins if other else ():
            found.setdefault(join_key(join), []).append(join.verdict)
        return found

    join_key = staticmethod(join_key)

    def untaken(self) -> list[Plan]:
        """Plans of the other audit that nothing was matched with."""
        return [plan for index, plan in enumerate(self._plans) if index not in self._taken]
