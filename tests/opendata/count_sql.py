"""A plan node's rows as SQL, so that a count(*) can check them independently of the executor's counters.

Works on the conditions that EXPLAIN prints. A node that this cannot express (a subquery's inside, a function) gives
None, and the test that uses it asserts how many nodes it could check.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import AggregateNode, BitmapIndexScanNode, JoinNode, ScanNode
from rowreckon.plan.tree import PlanTree
from rowreckon.sql.expression import printed_expression, read_expression
from rowreckon.sql.tree import every_message, kind_of

_TRANSPARENT = ("Hash", "Sort", "Incremental Sort", "Materialize", "Memoize", "Gather", "Gather Merge", "Result")


@dataclass(frozen=True)
class Rows:
    """A FROM expression and what must hold of its rows; `open` are conditions on aliases from further up."""

    source: str
    aliases: frozenset[str]
    where: tuple[str, ...] = ()
    open: tuple[str, ...] = field(default=())

    def count(self) -> str | None:
        """SELECT count(*) of these rows; None while a condition refers to something outside."""
        return None if self.open else f"select count(*) from {self.source} where {_all(self.where)}"


def rows_of(tree: PlanTree, number: int) -> Rows | None:
    """The rows that a node puts out, over all its loops, or None."""
    node = tree.nodes[number]
    if isinstance(node, JoinNode):
        return _join(tree, number, node)
    if isinstance(node, ScanNode) and node.relation_name and node.alias:
        return _scan(tree, number, node)
    below = tree.inputs(number)
    if node.node_type in _TRANSPARENT and len(below) == 1 and not node.filter:
        return rows_of(tree, below[0])
    if isinstance(node, AggregateNode) and node.group_key and node.strategy in ("Hashed", "Sorted"):
        return _groups(tree, node, below)
    return None


def _scan(tree: PlanTree, number: int, node: ScanNode) -> Rows | None:
    texts = [node.filter, getattr(node, "index_cond", None)]
    for child in tree.inputs(number):
        bitmap = tree.nodes[child]
        if not isinstance(bitmap, BitmapIndexScanNode):
            return None  # a combination of bitmaps: the conditions stand in the recheck, which may be lossy
        texts.append(bitmap.index_cond)
    conditions = [t for t in texts if t]
    alias = node.alias or ""
    own: list[str] = []
    outside: list[str] = []
    for text in conditions:
        parsed = parse_condition(text)
        if not parsed.parsed or any(c.subplans or c.parameters for c in parsed.clauses):
            return None
        for clause in parsed.clauses:
            (own if clause.tables <= {alias} else outside).append(_qualified(clause.text, alias))
    source = f"(select * from {node.relation_name} {alias} where {_all(tuple(own))}) {alias}"
    return Rows(source=source, aliases=frozenset({alias}), open=tuple(outside))


def _qualified(text: str, alias: str) -> str:
    """The clause with its relation's own columns under their alias: an index condition leaves it out."""
    read = read_expression(text)
    for column in every_message(read.node):
        if kind_of(column) == "ColumnRef" and len(column.fields) == 1:
            name = column.fields[0].string.sval
            column.fields[0].string.sval = alias
            column.fields.add().string.sval = name
    return printed_expression(read.node)


def _join(tree: PlanTree, number: int, node: JoinNode) -> Rows | None:
    outer_number, inner_number = tree.outer(number), tree.inner(number)
    if outer_number is None or inner_number is None:
        return None
    outer, inner = rows_of(tree, outer_number), rows_of(tree, inner_number)
    if outer is None or inner is None or not outer.aliases or not inner.aliases:
        return None
    texts = [t for t in (node.hash_cond, node.merge_cond, node.join_filter) if t]
    if any("SubPlan" in t or "$" in t for t in [*texts, node.filter or ""]):
        return None
    aliases = outer.aliases | inner.aliases
    on = (*texts, *inner.open)
    filters = (node.filter,) if node.filter else ()
    if node.join_type in ("Inner", "Left", "Right", "Full"):
        kind = node.join_type.lower()
        left, right = _closed(outer), _closed(replace(inner, open=()))
        if left is None or right is None:
            return None
        return Rows(f"({left} {kind} join {right} on {_all(on)})", aliases, filters, outer.open)
    keeps_inner = node.join_type in ("Right Semi", "Right Anti")
    kept, asked = (inner, outer) if keeps_inner else (outer, inner)
    negation = "not " if node.join_type in ("Anti", "Right Anti") else ""
    exists = f"{negation}exists (select from {asked.source} where {_all((*asked.where, *on))})"
    return Rows(kept.source, kept.aliases, (*kept.where, exists, *filters), outer.open)


def _closed(rows: Rows) -> str | None:
    """A FROM expression that already applies the rows' own conditions; None where that would hide their aliases."""
    if not rows.where:
        return rows.source
    if len(rows.aliases) != 1:
        return None
    (alias,) = rows.aliases
    return f"(select * from {rows.source} where {_all(rows.where)}) {alias}"


def _groups(tree: PlanTree, node: AggregateNode, below: tuple[int, ...]) -> Rows | None:
    if node.filter or node.partial_mode == "Partial" or len(below) != 1:
        return None
    inner = rows_of(tree, below[0])
    if inner is None or inner.open or any("(" in key for key in node.group_key or ()):
        return None
    keys = ", ".join(node.group_key or ())
    used = {c.table for key in node.group_key or () for c in parse_condition(key).columns if c.table}
    # Conditions above name a key by the alias that it came from, which only works if there is one.
    alias = used.pop() if len(used) == 1 else "grouped"
    source = f"(select distinct {keys} from {inner.source} where {_all(inner.where)}) {alias}"
    return Rows(source, frozenset({alias}) if alias != "grouped" else frozenset())


def _all(conditions: tuple[str, ...]) -> str:
    return " and ".join(f"({c})" for c in conditions) or "true"


def total_sql(tree: PlanTree, number: int, *, partial: bool) -> str | None:
    """SELECT of the rows that a node put out over all its loops, or None where SQL cannot say it.

    A node without conditions from outside reads the same rows in each loop. An inner side that depends on its outer
    row puts out what the two sides have in common.
    """
    rows = rows_of(tree, number)
    if rows is None:
        return None
    closed = rows.count()
    if closed is not None:
        loops = 1 if partial else int(tree.nodes[number].loops)
        return closed if loops == 1 else f"select {loops} * ({closed})"
    above = tree.parent[number]
    join = tree.nodes[above] if above >= 0 else None
    outer = tree.outer(above) if above >= 0 else None
    if (
        not isinstance(join, JoinNode)
        or join.node_type != "Nested Loop"
        or tree.inner(above) != number
        or outer is None
    ):
        return None
    driving = rows_of(tree, outer)
    if driving is None or driving.open or not driving.aliases:
        return None
    conditions = (*driving.where, *rows.where, *rows.open)
    return f"select count(*) from {driving.source} cross join {rows.source} where {_all(conditions)}"
