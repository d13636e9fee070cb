"""What an executed plan counted: the rows of its scans, joins and groups that the planner should have known.

Only counts of nodes that ran to their end, for all rows at once, are taken: an inner side that ran again for each outer
row says nothing of its relation as a whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Literal

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import (
    AggregateNode,
    AppendNode,
    BitmapIndexScanNode,
    FunctionScanNode,
    GatherNode,
    JoinNode,
    ScanNode,
)
from rowreckon.plan.tree import PlanTree, alias_of
from rowreckon.sql.tree import every_message, kind_of, strings
from rowreckon.stand_in.scope import ColumnOfQuery, Scope

from .conditions import Pair

Kind = Literal["scan", "join", "groups"]


@frozen
class Counted:
    """A row count of the executed plan, by its relations' aliases.

    `rows` is for one execution. For a scan of one `table`, `table_rows` are all rows of it and `index_rows` those that
    its index conditions gave, None where the plan does not tell; `index_columns` are those that these read. For a join,
    `outer` and `inner` are the relations of its sides and `pairs` the columns that it holds equal, outer first.
    """

    node: int
    kind: Kind
    aliases: frozenset[str]
    rows: float
    table: str | None = None
    table_rows: float | None = None
    index_rows: float | None = None
    index_columns: frozenset[str] = frozenset()
    outer: frozenset[str] = frozenset()
    inner: frozenset[str] = frozenset()
    pairs: tuple[Pair, ...] = ()


def relations_below(tree: PlanTree, known: frozenset[str]) -> list[frozenset[str]]:
    """For each node the aliases of the relations that it is made of; subplans of conditions are no part of it.

    `known` are the query's aliases: EXPLAIN numbers the partitions of one (b_1, b_2).
    """
    found: list[frozenset[str]] = [frozenset()] * len(tree)
    for number in range(len(tree) - 1, -1, -1):
        node = tree.nodes[number]
        below = frozenset[str]().union(
            *(found[c] for c in tree.children[number] if tree.nodes[c].subplan_name is None),
        )
        own = alias_of(node)
        if own is not None and not isinstance(node, BitmapIndexScanNode) and (own in known or not below):
            below |= {plain_alias(own, known)}
        found[number] = below
    return found


def plain_alias(alias: str, known: frozenset[str]) -> str:
    """The query's alias of a relation: that of a partition without its number."""
    stem, _, number = alias.rpartition("_")
    return stem if alias not in known and number.isdigit() and stem in known else alias


def counted(reckoned: ReckonedTree, known: frozenset[str]) -> list[Counted]:
    """All counts that can be taken, scans first, then joins from below."""
    tree = reckoned.tree
    below = relations_below(tree, known)
    found: dict[tuple[Kind, frozenset[str]], Counted] = {}
    for number in range(len(tree) - 1, -1, -1):
        one = _counted(reckoned, number, below, known)
        if one is not None:
            # of several nodes of the same relations the lowest is the scan or the join itself, of groups the topmost
            key = (one.kind, one.aliases)
            if one.kind == "groups" or key not in found:
                found[key] = one
    order = {"scan": 0, "join": 1, "groups": 1}
    return sorted(found.values(), key=lambda c: (order[c.kind], len(c.aliases), c.kind == "groups", -c.node))


def _counted(reckoned: ReckonedTree, number: int, below: list[frozenset[str]], known: frozenset[str]) -> Counted | None:
    tree, count = reckoned.tree, reckoned.counts[number]
    node = tree.nodes[number]
    runs = _runs(reckoned, number)
    if count.state != "exact" or count.actual is None or not runs or isinstance(node, GatherNode):
        return None
    rows = count.actual / runs
    aliases = below[number]
    if isinstance(node, JoinNode):
        return _join(tree, number, node, rows, below, known) if runs == 1 else None
    whole = isinstance(node, AggregateNode) and node.partial_mode != "Partial" and node.group_key is not None
    if whole and runs == 1 and aliases:
        return Counted(number, "groups", aliases, rows)
    if isinstance(node, (ScanNode, FunctionScanNode, AppendNode)) and len(aliases) == 1:
        # a partition's count is part of what its Append gives
        if _needs_another(tree, number, known) or alias_of(node) not in (None, *aliases):
            return None
        removed = (node.rows_removed_by_filter or 0) * (count.loops or 0) / runs
        return Counted(
            number,
            "scan",
            aliases,
            rows,
            table=node.relation_name if isinstance(node, ScanNode) else None,
            table_rows=rows + removed if node.node_type == "Seq Scan" else None,
            index_rows=rows + removed if _index_conditions(tree, number) else None,
            index_columns=frozenset(
                parts[-1] for text in _index_conditions(tree, number) for parts in _references(text) if parts
            ),
        )
    return None


def _runs(reckoned: ReckonedTree, number: int) -> float:
    """How often the node ran for all its rows; processes that share one run count once."""
    loops = reckoned.counts[number].loops or 0.0
    if reckoned.parallelism.partial[number]:
        return reckoned.tree.nodes[reckoned.parallelism.gather[number]].loops or 1.0
    return loops


def _join(
    tree: PlanTree, number: int, node: JoinNode, rows: float, below: list[frozenset[str]], known: frozenset[str]
) -> Counted | None:
    outer, inner = tree.outer(number), tree.inner(number)
    if outer is None or inner is None:
        return None
    texts: list[tuple[str, str | None]] = [
        (text, None) for text in (node.hash_cond, node.merge_cond, node.join_filter) if text
    ]
    for deeper in range(inner, tree.end[inner]):
        owner = plain_alias(_owner(tree, deeper), known)
        texts += [(text, owner) for text in _conditions(tree.nodes[deeper])]
    named = {alias for n in range(number, tree.end[number]) if (alias := alias_of(tree.nodes[n])) is not None}
    pairs = tuple(dict.fromkeys(_between(texts, below[outer], below[inner], {a: plain_alias(a, known) for a in named})))
    return Counted(number, "join", below[number], rows, outer=below[outer], inner=below[inner], pairs=pairs)


def _owner(tree: PlanTree, number: int) -> str:
    """The relation whose columns a scan's conditions name without saying so; a bitmap's is that of the scan above."""
    while number >= 0 and alias_of(tree.nodes[number]) is None:
        number = tree.parent[number]
    return (alias_of(tree.nodes[number]) or "") if number >= 0 else ""


def _conditions(node: PlanNode) -> list[str]:
    names = ("index_cond", "recheck_cond", "filter", "tid_cond", "hash_cond", "merge_cond", "join_filter")
    return [text for name in names if (text := getattr(node, name, None))]


def _index_conditions(tree: PlanTree, number: int) -> list[str]:
    """The conditions that indexes are searched by; none for a scan of two indexes, whose rows are not told apart."""
    found = [getattr(tree.nodes[n], "index_cond", None) for n in range(number, tree.end[number])]
    texts = [text for text in found if text]
    return texts if len(texts) == 1 else []


def _needs_another(tree: PlanTree, number: int, known: frozenset[str]) -> bool:
    """Whether a scan's conditions name another relation, whose current row it is run for."""
    own = {alias_of(tree.nodes[n]) for n in range(number, tree.end[number])}
    texts = [text for n in range(number, tree.end[number]) for text in _conditions(tree.nodes[n])]
    return any(name not in own and name in known for text in texts for name in _qualifiers(text))


def _qualifiers(text: str) -> set[str]:
    return {parts[-2] for parts in _references(text) if len(parts) > 1}


def _references(text: str) -> Iterator[tuple[str, ...]]:
    tree = _condition(text)
    for message in every_message(tree) if tree is not None else ():
        if kind_of(message) == "ColumnRef":
            yield strings(message.fields)


def _condition(text: str) -> Any:
    """The tree of a condition as EXPLAIN prints it; None where it holds what only EXPLAIN writes, such as a subplan."""
    from rowreckon.sql.grammar import NotSql, parse

    try:
        return parse(f"select 1 where {text}").stmts[0].stmt.select_stmt.where_clause
    except NotSql:
        return None


def _between(
    texts: Iterable[tuple[str, str | None]],
    outer: frozenset[str],
    inner: frozenset[str],
    plain: Mapping[str, str],
) -> Iterator[Pair]:
    """The pairs of columns that are held equal across the two sides, by conditions and whose bare columns they name.

    `plain` gives the query's alias for a plan's: a partition's column is that of the whole table.
    """
    from .conditions import conjuncts, equal_columns

    for text, owner in texts:
        scope = Scope({alias: None if alias == owner else frozenset() for alias in outer | inner | set(plain)})
        tree = _condition(text)
        for part in conjuncts(tree) if tree is not None else ():
            pair = equal_columns(part, scope)
            if pair is None:
                continue
            one, other = (ColumnOfQuery(plain.get(c.alias, c.alias), c.name) for c in pair)
            if one.alias in outer and other.alias in inner:
                yield one, other
            elif one.alias in inner and other.alias in outer:
                yield other, one
