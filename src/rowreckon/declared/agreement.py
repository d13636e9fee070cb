"""Whether a plan contradicts what files declare of its relations: then nothing of that relation is relied on. Pure.

A file may be older or newer than the plan, or of another database. What a plan does with a relation proves some of it:
the indexes that it reads, the columns that it names, a join that finds one row at most.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from rowreckon.frozen import frozen
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.node_texts import conditions_at
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode, JoinNode, ScanNode
from rowreckon.plan.tree import PlanTree, index_of

from .facts import Declared, DeclaredRelation

_SYSTEM: Final = frozenset({"ctid", "xmin", "xmax", "cmin", "cmax", "tableoid", "oid"})
_WRAPPERS: Final = frozenset({"Hash", "Sort", "Incremental Sort", "Materialize", "Memoize"})
_ALIKE: Final = 1.25
"""How far a table's size may be from that of a statistics dump; see `_SINCE` of joins/from_plan/loop_executions."""
_SCANNED: Final = frozenset({"table", "materialized_view", "foreign_table", "toast_table"})

_LACKED: Final = ", which they lack"

Name = tuple[str | None, str]
"""A relation as the plan names it: its schema, where that is printed, and its name."""


@frozen
class Agreement:
    """What is left of the declared facts beside a plan, and a clause for each contradiction and each table unread.

    `outdated` says that the plan used an index which the files lack: what they lack elsewhere may be there as well.
    """

    declared: Declared
    notes: tuple[str, ...]
    outdated: bool = False


def agreeing(declared: Declared, tree: PlanTree) -> Agreement:
    """The facts of the plan's relations, without those that the plan contradicts."""
    scans = (node for node in tree.nodes if isinstance(node, ScanNode))
    names = dict.fromkeys((scan.schema_name, scan.relation_name) for scan in scans if scan.relation_name)
    notes: list[str] = []
    doubted: set[tuple[str, str]] = set()
    sizes: dict[tuple[str, str], dict[str, None]] = {}
    unread: list[str] = []
    known = _Plan(tree)
    outdated = False
    for schema, name in names:
        relation = declared.relation(name, schema)
        if relation is None:
            unread.append(name)
            continue
        if not known.sized((schema, name), relation):
            sizes[(relation.schema_, relation.name)] = {"relpages": None, "reltuples": None}
            notes.append(f"the size that the schema files tell of {_shown((schema, name))} is not the plan's, nor used")
        why = next(known.contradictions((schema, name), relation), None)
        outdated = outdated or any(
            clause.endswith(_LACKED) for clause in known.contradictions((schema, name), relation)
        )
        if why is not None:
            doubted.add((relation.schema_, relation.name))
            notes.append(f"what the schema files say of {_shown((schema, name or ''))} is not used: {why}")
    if unread:
        shown = ", ".join(dict.fromkeys(unread))
        notes.append(f"the schema files tell nothing certain of {shown}")
    return Agreement(_without(declared, doubted, sizes), tuple(notes), outdated)


def nothing_absent(declared: Declared) -> Declared:
    """The facts where an index that the files lack may be there all the same."""
    return declared.model_copy(
        update={"relations": tuple(r.model_copy(update={"whole": False}) for r in declared.relations)}
    )


def indexes_read(declared: Declared, tree: PlanTree) -> set[tuple[str, str, str]]:
    """The declared indexes that a plan reads, by schema, relation and index: they were there when it was made."""
    found: set[tuple[str, str, str]] = set()
    for number, node in enumerate(tree.nodes):
        if not isinstance(node, ScanNode) or not node.relation_name:
            continue
        relation = declared.relation(node.relation_name, node.schema_name)
        for at in readers(tree, number) if relation is not None else ():
            used = index_of(tree.nodes[at])
            if relation is not None and used is not None and relation.index(used) is not None:
                found.add((relation.schema_, relation.name, used))
    return found


def with_seen(declared: Declared, seen: Mapping[tuple[str, str, str], str]) -> Declared:
    """The facts with the plan that shows an index to be there, for each index of which there is one."""

    def marked(relation: DeclaredRelation) -> DeclaredRelation:
        plans = [seen.get((relation.schema_, relation.name, index.name)) for index in relation.indexes]
        if not any(plans):
            return relation
        indexes = (i.model_copy(update={"seen_in": plan}) for i, plan in zip(relation.indexes, plans, strict=True))
        return relation.model_copy(update={"indexes": tuple(indexes)})

    return declared.model_copy(update={"relations": tuple(marked(r) for r in declared.relations)})


def readers(tree: PlanTree, number: int) -> Iterator[int]:
    """The nodes of a scan that read an index: itself, or those below a bitmap scan."""
    node = tree.nodes[number]
    if isinstance(node, IndexScanNode):
        yield number
    elif isinstance(node, BitmapHeapScanNode):
        yield from (n for n in tree.subtree(number) if n != number)


def _shown(name: Name) -> str:
    """A relation as the plan names it."""
    return ".".join(part for part in name if part)


def _without(
    declared: Declared, doubted: set[tuple[str, str]], sizes: Mapping[tuple[str, str], dict[str, None]]
) -> Declared:
    if not doubted and not sizes:
        return declared
    kept = (r for r in declared.relations if (r.schema_, r.name) not in doubted)
    relations = tuple(r.model_copy(update=sizes.get((r.schema_, r.name))) for r in kept)
    return declared.model_copy(update={"relations": relations})


class _Plan:
    """A plan by its relations: the scans of each, and the columns that conditions name of it."""

    def __init__(self, tree: PlanTree) -> None:
        self._tree = tree
        self._scans: dict[Name, list[int]] = {}
        aliases: dict[str, set[Name]] = {}
        for number, node in enumerate(tree.nodes):
            if isinstance(node, ScanNode) and node.relation_name:
                self._scans.setdefault((node.schema_name, node.relation_name), []).append(number)
                aliases.setdefault(node.alias or node.relation_name, set()).add((node.schema_name, node.relation_name))
        self._named: dict[Name, dict[str, None]] = {}
        own = {alias: names.copy().pop() for alias, names in aliases.items() if len(names) == 1}
        for number, node in enumerate(tree.nodes):
            here = self._owner(number)
            for text in conditions_at(node):
                for column in parse_condition(text).columns:
                    name = own.get(column.table) if column.table is not None else here
                    if name is not None:
                        self._named.setdefault(name, {})[column.column] = None

    def contradictions(self, name: Name, relation: DeclaredRelation) -> Iterator[str]:
        """What of the plan can't be, were the relation as declared; a clause each."""
        if relation.kind not in _SCANNED and any(
            self._tree.nodes[n].node_type == "Seq Scan" for n in self._scans[name]
        ):
            yield f"the plan scans it, and they make it a {relation.kind.replace('_', ' ')}"
        if relation.columns_whole:
            for column in self._named.get(name, {}):
                if relation.column(column) is None and column not in _SYSTEM:
                    yield f"the plan reads its column {column}{_LACKED}"
        if relation.whole:
            yield from self._of_indexes(name, relation)
            if not self._unique_enough(name, relation):
                yield f"the plan proves a unique index on it{_LACKED}"

    def sized(self, name: Name, relation: DeclaredRelation) -> bool:
        """Whether each whole scan of a relation expects about as many rows as a statistics dump tells, if one does."""
        for number in self._scans[name] if relation.reltuples is not None else ():
            node = self._tree.nodes[number]
            whole = node.node_type == "Seq Scan" and node.filter is None and not node.parallel_aware
            if whole and node.plan_rows is not None:
                expected, told = max(float(node.plan_rows), 1.0), max(relation.reltuples or 0.0, 1.0)
                if max(expected / told, told / expected) > _ALIKE:
                    return False
        return True

    def _of_indexes(self, name: Name, relation: DeclaredRelation) -> Iterator[str]:
        for number in self._scans[name]:
            for at in readers(self._tree, number):
                node = self._tree.nodes[at]
                used = index_of(node)
                index = relation.index(used) if used is not None else None
                if used is not None and index is None:
                    yield f"the plan reads its index {used}{_LACKED}"
                elif index is not None:
                    asked = {c.column for c in parse_condition(getattr(node, "index_cond", None) or "").columns}
                    own = asked & {c.name for c in relation.columns}
                    if own and not own & index.columns:
                        yield f"the plan searches its index {used} by other columns than they give it"

    def _unique_enough(self, name: Name, relation: DeclaredRelation) -> bool:
        """Whether a unique index is there for each join that finds one row of it at most."""
        columns = self._named.get(name, {}).keys()
        enough = any(
            i.unique and i.immediate and all(k.column is None or k.column in columns for k in i.keys)
            for i in relation.indexes
        )
        return enough or not any(self._proves_unique(number) for number in self._scans[name])

    def _proves_unique(self, number: int) -> bool:
        """Whether a scan is the inner side of a join that finds one row at most."""
        above, below = self._tree.parent[number], number
        while above >= 0 and self._tree.nodes[above].node_type in _WRAPPERS:
            above, below = self._tree.parent[above], above
        node = self._tree.nodes[above] if above >= 0 else None
        if not isinstance(node, JoinNode) or not node.inner_unique:
            return False
        return self._tree.inner(above) == below

    def _owner(self, number: int) -> Name | None:
        """The relation whose columns a node names without a table: that of the scan that it is, or is a part of."""
        while number >= 0:
            node = self._tree.nodes[number]
            if isinstance(node, ScanNode):
                return (node.schema_name, node.relation_name) if node.relation_name else None
            if not node.node_type.startswith("Bitmap"):
                return None
            number = self._tree.parent[number]
        return None
