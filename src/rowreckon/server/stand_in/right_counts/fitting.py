"""Making all counted estimates of one plan right: scans first, then joins from below, until nothing moves any more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from rowreckon.errors import RowreckonError
from rowreckon.frozen import frozen
from rowreckon.server.stand_in.forging import Exhausted, Forgery
from rowreckon.stand_in.facts import SourceRelation, StandInFacts
from rowreckon.stand_in.permitted import NotPermitted
from rowreckon.stand_in.right_counts.conditions import columns_in
from rowreckon.stand_in.right_counts.executed import Counted
from rowreckon.stand_in.right_counts.levels import Item, Level, levels
from rowreckon.stand_in.right_counts.part_queries import Part, all_conditions, part_query
from rowreckon.stand_in.scope import ColumnOfQuery

from .groups import fit_groups
from .joins import End, JoinAsked, fit_join
from .scans import ScanAsked, fit_scan, is_right, scan_holds

_MOST_RELATIONS: Final = 40
_ROUNDS: Final = 3
"""How often all counts are gone through: what makes one right may move another that shares its statistics."""


@frozen
class Query:
    """The query of an executed plan: its tree, its FROM clauses, and the relations that the plan joins."""

    tree: Any
    levels: list[Level]
    known: frozenset[str]
    joined: frozenset[str]

    def item(self, alias: str) -> tuple[Level, Item] | None:
        """Where a relation stands."""
        return next(((level, level.items[alias]) for level in self.levels if alias in level.items), None)

    def grouped(self, aliases: frozenset[str]) -> Part | None:
        """The subquery of a FROM clause that these relations of a plan make up."""
        for level in self.levels:
            for item in level.items.values():
                if item.select is not None and item.inside == aliases:
                    return Part(level, item.inside, frozenset({item.alias}), self.joined)
        return None

    def part(self, count: Counted) -> Part | None:
        """The part of the query whose rows were counted."""
        return self.grouped(count.aliases) if count.kind == "groups" else self.of(count.aliases)

    def of(self, aliases: frozenset[str]) -> Part | None:
        """The part of the query that is made of these relations: of the innermost SELECT that holds them."""
        if len(aliases) == 1:
            found = self.item(next(iter(aliases)))
            return None if found is None else Part(found[0], aliases, aliases, self.joined)
        for level in reversed(self.levels):
            items = level.covering(aliases)
            if items is not None:
                return Part(level, aliases, items, self.joined)
        return None


def query_of(text: str, facts: StandInFacts, joined: frozenset[str]) -> Query:
    """The query, taken apart. Raises NotPermitted where a relation's name stands for two."""
    from rowreckon.sql.grammar import parse

    columns: dict[int, set[str]] = {}
    for column in facts.columns:
        if not column.dropped:
            columns.setdefault(column.relation, set()).add(column.name)

    def columns_of(schema: str | None, name: str) -> frozenset[str] | None:
        found = [r for r in facts.relations if r.name == name and schema in (None, r.schema_)]
        return frozenset(columns.get(found[0].oid, ())) if len(found) == 1 else None

    tree = parse(text)
    if tree.stmts[0].stmt.WhichOneof("node") != "select_stmt":
        raise NotPermitted("is no SELECT")
    found = levels(tree, columns_of)
    names = [alias for level in found for alias in level.items]
    if len(set(names)) < len(names):
        raise NotPermitted("uses one name for two relations")
    if len(names) > _MOST_RELATIONS:
        raise NotPermitted(f"names more than {_MOST_RELATIONS} relations, each of which is asked about many times")
    known = frozenset[str]().union(*(item.inside for level in found for item in level.items.values()))
    return Query(tree, found, known, joined)


@frozen
class Fitted:
    """Which counts the planner now expects, and of the others why it does not, in parts of sentences."""

    reached: tuple[int, ...]
    not_reached: dict[int, str]


def fit_all(forgery: Forgery, query: Query, counts: Sequence[Counted]) -> Fitted:
    """Forge until the estimates of all counts are right, as far as that goes."""
    why: dict[int, str] = {}
    for _ in range(_ROUNDS):
        for count in counts:
            reason = _fitted(forgery, query, count)
            if reason is not None:
                why[count.node] = reason
            else:
                why.pop(count.node, None)
        wrong = {c.node: why.get(c.node, _SHARED) for c in counts if not _holds(forgery, query, c)}
        if not set(wrong) - set(why):
            break
    return Fitted(tuple(sorted(c.node for c in counts if c.node not in wrong)), wrong)


_SHARED: Final = "another count needs the same statistics otherwise"


def _fitted(forgery: Forgery, query: Query, count: Counted) -> str | None:
    try:
        if count.kind == "join":
            return _fit_join(forgery, query, count)
        if count.kind == "groups":
            return _fit_groups(forgery, query, count)
        return _fit_scan(forgery, query, count)
    except Exhausted:
        raise
    except (RowreckonError, NotPermitted):
        return "its part of the query can't be asked about by itself"


def _holds(forgery: Forgery, query: Query, count: Counted) -> bool:
    part = query.part(count)
    try:
        if part is not None and count.kind == "scan" and part.level.items[next(iter(part.items))].relation is not None:
            return scan_holds(forgery, ScanAsked(query.tree, part.level, next(iter(part.items)), query.joined), count)
        return part is not None and is_right(forgery.rows(part_query(query.tree, part)), count.rows)
    except Exhausted:
        raise
    except (RowreckonError, NotPermitted):
        return False


def _fit_scan(forgery: Forgery, query: Query, count: Counted) -> str | None:
    alias = next(iter(count.aliases))
    found = query.item(alias)
    if found is None:
        return "the query does not name it"
    level, item = found
    if item.function is not None:
        forgery.set_function_rows(item.function, count.rows)
        return None
    relation = forgery.relation(item.relation) if item.relation is not None else None
    if relation is None:
        return "it is no table of which facts are there"
    return fit_scan(forgery, ScanAsked(query.tree, level, alias, query.joined), relation, count)


def _fit_join(forgery: Forgery, query: Query, count: Counted) -> str | None:
    part = query.part(count)
    if part is None:
        return "the query holds no such part by itself"
    filtered = _filtered(query)
    pairs = []
    for one, other in count.pairs:
        ends = _end(forgery, query, one, filtered), _end(forgery, query, other, filtered)
        if ends[0] is not None and ends[1] is not None:
            pairs.append((ends[0], ends[1]))
    sides = [query.grouped(side) or query.of(side) for side in (count.outer, count.inner)]
    made = [forgery.rows(part_query(query.tree, side)) for side in sides if side is not None]
    combinations = made[0] * made[1] if len(made) == len(sides) else None
    return fit_join(forgery, JoinAsked(part_query(query.tree, part), count.rows, tuple(pairs), combinations))


def _end(forgery: Forgery, query: Query, column: ColumnOfQuery, filtered: frozenset[ColumnOfQuery]) -> End | None:
    found = query.item(column.alias)
    relation = forgery.relation(found[1].relation) if found is not None and found[1].relation is not None else None
    known = forgery.column(relation, column.name) if relation is not None else None
    return None if relation is None or known is None else End(relation, known.number, column in filtered)


def _filtered(query: Query) -> frozenset[ColumnOfQuery]:
    """The columns that a condition compares with something else than another relation's column."""
    found: set[ColumnOfQuery] = set()
    for level in query.levels:
        for condition in all_conditions(level):
            read = columns_in(condition, level.scope, level.hidden) or frozenset()
            if len({column.alias for column in read}) == 1:
                found |= read
    return frozenset(found)


def _fit_groups(forgery: Forgery, query: Query, count: Counted) -> str | None:
    part = query.part(count)
    if part is None:
        return None
    select = part.level.items[next(iter(part.items))].select
    inner = next((level for level in query.levels if level.select is select or level.select == select), None)
    columns: list[tuple[SourceRelation, int]] = []
    for node in select.group_clause:
        read = columns_in(node, inner.scope) if inner is not None else None
        for column in read or ():
            end = _end(forgery, query, column, frozenset())
            if end is not None:
                columns.append((end.relation, end.number))
    return fit_groups(forgery, part_query(query.tree, part), count.rows, columns)
