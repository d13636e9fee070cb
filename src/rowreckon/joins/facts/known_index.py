"""The indexes of a relation as the planner could use them for a query.

A partial index serves where the query's own conditions imply its predicate: they hold each of its clauses, or compare
the column that it wants not null. Source: check_index_predicates in optimizer/path/indxpath.c, predicate_implied_by in
optimizer/util/predtest.c, genericcostestimate in utils/adt/selfuncs.c, releases 13 to 18. What else predtest.c could
prove is not tried; such an index, and one of another kind than B-tree and hash, have no price here.
"""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING

from rowreckon.cost import IndexShape, RelationSize, partial_index_tuples
from rowreckon.joins.facts.known_relation import KnownIndex, Restriction, UnpricedIndex
from rowreckon.plan.condition_text import bare_expression
from rowreckon.plan.conditions import Clause, parse_condition

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rowreckon.catalog.facts import Index, Relation

_GUESSED_FANOUT = 256.0
_STRICT = frozenset({"=", "<", "<=", ">", ">=", "= ANY", "LIKE"})
_SEARCHED = frozenset({"btree", "hash", "gist", "spgist", "brin"})
"""Access methods that may search for a value which another relation gives."""
_PRICED = frozenset({"btree", "hash"})


def known_indexes(
    relation: Relation,
    size: RelationSize,
    restrictions: Sequence[Restriction],
    joined: frozenset[str],
    named: frozenset[str],
    used: frozenset[str],
    expressions: Mapping[str, str],
    kept: float | None,
) -> tuple[tuple[KnownIndex, ...], tuple[UnpricedIndex, ...]]:
    """The indexes that can be priced, and those that might serve a join and can't.

    `joined` are the columns that join clauses compare, `named` those that any condition of the plan names, `used` the
    indexes by which the plan scans the relation: what their predicates imply is not printed among its conditions.
    `expressions` are those that join clauses compare: how an index spells them, and how the clause does. `kept` is the
    share of the tuples that all conditions of the scan let through, the predicates of the used indexes among them.
    """
    known: list[KnownIndex] = []
    unpriced: list[UnpricedIndex] = []
    told = _told(relation, restrictions, used)
    for index in relation.indexes:
        if not index.valid or index.pages is None or index.access_method not in _SEARCHED:
            continue
        predicate = _predicate(relation, index, size, restrictions, joined)
        if predicate is None and index.name in used:
            predicate = _told_by_use(index, size, restrictions, kept)
        if index.access_method not in _PRICED or (predicate is None and not _cannot_serve(index, told, named)):
            unpriced.append(_unpriced(relation, index))
        elif predicate is not None:
            known.append(_known(relation, index, size, expressions, *predicate))
    return tuple(known), tuple(unpriced)


def _predicate(
    relation: Relation, index: Index, size: RelationSize, restrictions: Sequence[Restriction], joined: frozenset[str]
) -> tuple[float, int] | None:
    """The share of the tuples that an index's predicate keeps, and the conditions that it makes superfluous; None where
    nothing is known to imply it."""
    if index.predicate is None:
        return 1.0, 0
    shares: list[float] = []
    implied: set[str] = set()
    for clause in parse_condition(index.predicate).clauses:
        same = next((r for r in restrictions if meaning(r.clause) == meaning(clause)), None)
        column = clause.left_column.column if clause.left_column is not None else None
        if same is not None and same.selectivity is not None:
            shares.append(same.selectivity)
            implied.add(same.clause.text)
        elif _wants_a_value(clause) and column is not None and column in joined | _compared(restrictions):
            shares.append(1.0 - _null_share(relation, column))
        elif any(_within(r.clause, clause) for r in restrictions):
            shares.append(_tuples(index, size) / max(size.tuples, 1.0))
        else:
            return None
    return (min(prod(shares), 1.0), len(implied)) if shares else None


def _told(relation: Relation, restrictions: Sequence[Restriction], used: frozenset[str]) -> tuple[Clause, ...]:
    """What a query says of a relation: its printed conditions, and the predicates of the indexes that it is scanned by,
    which stand for conditions that are not printed."""
    hidden = (i.predicate for i in relation.indexes if i.name in used and i.predicate is not None)
    return tuple(r.clause for r in restrictions) + tuple(c for p in hidden for c in parse_condition(p).clauses)


def _cannot_serve(index: Index, told: Sequence[Clause], named: frozenset[str]) -> bool:
    """Whether what a query says surely doesn't imply an index's predicate. Each clause of that must follow from
    conditions on its own columns: one on columns that the query does not name follows from none, nor does a bound by a
    number within which none of the query's own bounds lies."""
    mentioned = named | {c.column for clause in told for c in clause.columns}
    for clause in parse_condition(index.predicate or "").clauses:
        columns = {c.column for c in clause.columns}
        if columns and not columns & mentioned:
            return True
        column, bound = clause.left_column, _number(clause)
        if column is None or bound is None or any(_within(given, clause) for given in told):
            continue
        of_column = [given for given in told if column.column in {c.column for c in given.columns}]
        if all(c.left_column is not None and _number(c) is not None for c in of_column):
            return True
    return False


def _within(given: Clause, wanted: Clause) -> bool:
    """Whether a condition bounds its column by a number as closely as a predicate, or closer."""
    if given.left_column is None or wanted.left_column is None:
        return False
    here, there = _number(given), _number(wanted)
    if given.left_column.column != wanted.left_column.column or here is None or there is None:
        return False
    if given.operator == "=" and wanted.operator in ("<", "<=", ">", ">="):
        return {"<": here < there, "<=": here <= there, ">": here > there, ">=": here >= there}[wanted.operator]
    if given.operator != wanted.operator:
        return False
    return {"<": here <= there, "<=": here <= there, ">": here >= there, ">=": here >= there, "=": here == there}.get(
        given.operator, False
    )


def _number(clause: Clause) -> float | None:
    try:
        return float(clause.constant or "")
    except ValueError:
        return None


def _wants_a_value(clause: Clause) -> bool:
    return clause.operator == "IS NULL" and clause.text.upper().endswith("IS NOT NULL")


def _told_by_use(
    index: Index, size: RelationSize, restrictions: Sequence[Restriction], kept: float | None
) -> tuple[float, int]:
    """The same of an index that the plan uses: its predicate is implied, though no condition shows it.

    The planner takes its share from statistics (add_predicate_to_index_quals in utils/adt/selfuncs.c): what the other
    conditions leave of all that is kept. Else its own tuples tell.
    """
    compared = [
        clause
        for clause in parse_condition(index.predicate or "").clauses
        if clause.operator != "IS NULL"  # which costs nothing
    ]
    others = [r.selectivity for r in restrictions if r.selectivity is not None]
    if kept is not None and len(others) == len(restrictions) and prod(others) > 0.0:
        return min(kept / prod(others), 1.0), len(compared)
    return min(_tuples(index, size) / max(size.tuples, 1.0), 1.0), len(compared)


def _tuples(index: Index, size: RelationSize) -> float:
    if not index.partial:
        return size.tuples
    return partial_index_tuples(
        current_pages=float(index.pages or 0),
        relpages=float(index.relpages),
        reltuples=index.reltuples or 0.0,
        relation_tuples=size.tuples,
    )


def meaning(clause: Clause) -> tuple[str, str, str]:
    """A clause without its table's name and outer brackets, so that a plan's and an index's spelling compare equal."""
    if clause.operator == "IS NULL":
        return clause.operator, _bare(clause, clause.text), ""
    left = clause.left_column.column if clause.left_column is not None else _bare(clause, clause.left_text)
    right = clause.right_column.column if clause.right_column is not None else _bare(clause, clause.right_text)
    return clause.operator, left or _bare(clause, clause.text), right


def _bare(clause: Clause, text: str) -> str:
    for table in clause.tables:
        text = text.replace(f"{table}.", "")
    return text.strip("() ")


def _compared(restrictions: Sequence[Restriction]) -> frozenset[str]:
    """Columns that some condition compares, so that no row without a value passes."""
    sides = [
        s for r in restrictions if r.clause.operator in _STRICT for s in (r.clause.left_column, r.clause.right_column)
    ]
    return frozenset(s.column for s in sides if s is not None)


def _null_share(relation: Relation, name: str) -> float:
    column = relation.column(name)
    row = column.statistics_of(inherited=relation.has_children) if column is not None else None
    return row.null_frac if row is not None else 0.0


def _known(
    relation: Relation, index: Index, size: RelationSize, expressions: Mapping[str, str], share: float, implied: int
) -> KnownIndex:
    names = {c.attnum: c.name for c in relation.columns}
    keys = tuple(names.get(k.attnum) if k.attnum is not None and k.default_opclass else None for k in index.keys)
    correlation = 0.0
    first = index.keys[0]
    if first.attnum is not None:
        column = relation.column(first.attnum)
        row = column.statistics_of(inherited=relation.has_children) if column is not None else None
        correlation = row.correlation or 0.0 if row is not None else 0.0
    elif first.statistics is not None:
        correlation = first.statistics.correlation or 0.0
    pages = float(index.pages or 0)
    height = index.height
    if height is None:
        leaves, height = pages, 0
        while leaves > 1.0:
            leaves, height = leaves / _GUESSED_FANOUT, height + 1
    shape = IndexShape(
        pages=pages,
        tuples=_tuples(index, size),
        tree_height=height,
        unique=index.unique and index.immediate,
        nkeycolumns=len(index.keys),
        correlation=correlation,
        descending=first.descending,
        random_page_cost=index.random_page_cost,
        hashed=index.access_method == "hash",
    )
    covered = {name for name in keys if name is not None} | {names[a] for a in index.included if a in names}
    spelled = tuple(
        expressions.get(bare_expression(k.expression)) if expressions and k.expression and k.default_opclass else None
        for k in index.keys
    )
    return KnownIndex(index.name, shape.unique, shape, keys, frozenset(covered), share, implied, spelled)


def _unpriced(relation: Relation, index: Index) -> UnpricedIndex:
    names = {c.attnum: c.name for c in relation.columns}
    keys = (names.get(k.attnum or 0) or bare_expression(k.expression or "") for k in index.keys)
    kind = "a partial index" if index.access_method in _PRICED else f"a {index.access_method} index"
    return UnpricedIndex(index.name, kind, tuple(key for key in keys if key))
