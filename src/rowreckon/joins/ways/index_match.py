"""What an index can enforce of a join's clauses and a relation's own conditions; and the index that isn't there yet.

Source: match_clause_to_indexcol in optimizer/path/indxpath.c, btcostestimate and var_eq_non_const in
utils/adt/selfuncs.c, releases 13 to 18.
"""

from __future__ import annotations

import re
from dataclasses import replace
from math import ceil, prod

from rowreckon.cost import CostSettings, IndexShape, SkippedColumn, get_variable_numdistinct, skip_scan
from rowreckon.cost.capabilities import has_skip_scan
from rowreckon.cost.units import DEFAULT_INEQ_SEL, DEFAULT_NUM_DISTINCT
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import ClauseInput, KeyInput, KnownIndex
from rowreckon.joins.facts.known_relation import KnownRelation, Restriction, distinct_values, statistics_of
from rowreckon.plan.conditions import Clause

_SARGABLE = frozenset({"=", "<", "<=", ">", ">=", "= ANY", "IS NULL"})
_INEQUALITIES = frozenset({"<", "<=", ">", ">="})
_ARRAY = re.compile(r"'\{(.*)\}'", re.S)


@frozen
class Match:
    """What an index can enforce of the clauses at hand: selectivities at the estimate, and counts of quals."""

    selectivity: float
    boundary: float
    quals: int
    join_clauses: tuple[ClauseInput, ...]
    unique_match: bool
    descents: float


def own_key(relation: KnownRelation, key: KeyInput) -> KeyInput:
    """A partition's own statistics of a key, by which the planner prices the partition's own scans."""
    if key.column is None:
        return key
    statistics = statistics_of(relation, key.column)
    distinct, default = get_variable_numdistinct(statistics)
    return replace(
        key,
        ndistinct=None if default else distinct,
        null_frac=statistics.null_frac,
        mcv_freq=statistics.mcv_freqs[0] if statistics.mcv_freqs else 0.0,
        unique=statistics.is_unique,
    )


def parameter_selectivity(relation: KnownRelation, clause: ClauseInput) -> float:
    """Fraction of the inner relation that a clause with an unknown outer value keeps (var_eq_non_const)."""
    if clause.operator == "=":
        key = own_key(relation, clause.inner) if clause.inner.of_whole else clause.inner
        distinct = key.ndistinct
        if distinct is None:
            distinct = distinct_values(relation, key.column)[0] if key.column else DEFAULT_NUM_DISTINCT
        if key.unique and relation.size.tuples >= 1.0:
            return 1.0 / relation.size.tuples
        fraction = (1.0 - key.null_frac) / max(distinct, 1.0)
        return min(fraction, key.mcv_freq) if key.mcv_freq > 0.0 else fraction
    if clause.operator == "<>":
        return 1.0 - 1.0 / max(clause.inner.ndistinct or DEFAULT_NUM_DISTINCT, 1.0)
    return DEFAULT_INEQ_SEL if clause.operator in _INEQUALITIES else clause.selectivity


def match_index(
    settings: CostSettings, relation: KnownRelation, index: KnownIndex, keyed: list[ClauseInput]
) -> Match | None:
    """What the index enforces, None where it takes up no join clause."""
    match = _match(settings, relation, index, keyed)
    return match if match.join_clauses else None


def own_match(settings: CostSettings, relation: KnownRelation, index: KnownIndex) -> Match | None:
    """What the index enforces of the relation's own conditions; None where it is nothing."""
    match = _match(settings, relation, index, [])
    return match if match.quals else None


def _match(settings: CostSettings, relation: KnownRelation, index: KnownIndex, keyed: list[ClauseInput]) -> Match:
    selectivity = boundary = descents = arrays = 1.0
    bounded, quals, pinned = True, 0, 0
    used: list[ClauseInput] = []
    skipped: list[SkippedColumn] = []
    for place, column in enumerate(index.keys):
        compared = tuple(c for c in keyed if _on_key(c, column, index.expression(place), hashed=index.shape.hashed))
        found = _on_column(relation, column, compared)
        used.extend(found.joined)
        quals += found.quals
        selectivity *= found.selectivity
        arrays *= found.array_length
        pinned += found.pinned
        if not bounded:
            continue
        if found.quals and skipped:
            descents, bounded = skip_scan(index.shape.pages, descents, skipped)
            skipped = []
        if found.quals and bounded:
            boundary *= found.selectivity
        if bounded and not found.equal:
            # from 18 on a column without equality ends the range only if its values are too many to try each
            bounded = column is not None and has_skip_scan(settings.server_major)
            if bounded and column is not None:
                distinct, default = distinct_values(relation, column)
                share = found.selectivity if found.quals else None
                skipped.append(SkippedColumn(None if default else distinct, share))
    return Match(
        selectivity=selectivity * index.share,
        boundary=boundary * index.share,
        quals=quals,
        join_clauses=tuple(used),
        unique_match=index.unique and pinned == len(index.keys),
        descents=descents * arrays,
    )


@frozen
class _OnColumn:
    """The clauses on one key of an index: their joint selectivity, and whether equality pins it to one value."""

    joined: tuple[ClauseInput, ...]
    quals: int
    selectivity: float
    equal: bool
    pinned: bool
    array_length: float


def _on_key(clause: ClauseInput, column: str | None, expression: str | None, *, hashed: bool) -> bool:
    """Whether a join clause compares an index's key, which a hash index finds by equality alone."""
    if hashed and clause.operator != "=":
        return False
    if clause.inner.column is not None:
        return clause.inner.column == column
    return expression is not None and clause.inner.text == expression


def _on_column(relation: KnownRelation, column: str | None, joined: tuple[ClauseInput, ...]) -> _OnColumn:
    own = [
        (r.clause, r.selectivity)
        for r in relation.restrictions
        if column is not None and r.selectivity is not None and own_column(r.clause) == column
    ]
    selectivity, ends, arrays = 1.0, [s for c, s in own if c.operator in _INEQUALITIES], 1.0
    for joining in joined:
        selectivity *= parameter_selectivity(relation, joining)
    for restriction, fraction in own:
        if restriction.operator == "= ANY":
            arrays *= _array_length(restriction.text)
        if restriction.operator not in _INEQUALITIES:
            selectivity *= fraction
    selectivity *= _of_range(ends)
    single = any(c.operator == "=" for c in joined) or any(c.operator == "=" for c, _ in own)
    equal = single or any(c.operator in ("= ANY", "IS NULL") for c, _ in own)
    return _OnColumn(joined, len(joined) + len(own), selectivity, equal, single, arrays)


def _of_range(ends: list[float]) -> float:
    """The share that bounds of one column keep: two are taken for the ends of a range."""
    return max(ends[0] + ends[1] - 1.0, 1.0e-10) if len(ends) == 2 else prod(ends)


def shares_together(restrictions: list[Restriction]) -> float | None:
    """The share of a relation's tuples that these of its own conditions keep, None where one's is not known."""
    ends: dict[str, list[float]] = {}
    share = 1.0
    for restriction in restrictions:
        if restriction.selectivity is None:
            return None
        column = own_column(restriction.clause)
        if column is not None and restriction.clause.operator in _INEQUALITIES:
            ends.setdefault(column, []).append(restriction.selectivity)
        else:
            share *= restriction.selectivity
    return share * prod(_of_range(bounds) for bounds in ends.values())


def hypothetical_index(relation: KnownRelation, equalities: list[ClauseInput]) -> KnownIndex:
    """A B-tree on the join's equality columns."""
    return index_to_build(relation, tuple(dict.fromkeys(c.inner.column for c in equalities if c.inner.column)))


def index_to_build(
    relation: KnownRelation, keys: tuple[str, ...], included: tuple[str, ...] = (), share: float = 1.0
) -> KnownIndex:
    """A B-tree as CREATE INDEX would build it, leaves nine tenths full; `share` of the tuples satisfy its predicate."""
    inherited = relation.relation.has_children
    rows = {
        name: column.statistics_of(inherited=inherited)
        for name in (*keys, *included)
        if (column := relation.column(name)) is not None
    }
    widths = {name: int(row.avg_width) if (row := rows.get(name)) is not None else 8 for name in (*keys, *included)}
    inner = 8 + ((sum(widths[name] for name in keys) + 7) & ~7) + 4
    entry = 8 + ((sum(widths.values()) + 7) & ~7) + 4  # inner pages hold the key columns alone
    per_leaf = max((8192 - 40) * 0.9 // entry, 2.0)
    per_page = max((8192 - 40) * 0.9 // inner, 2.0)
    tuples = max(relation.size.tuples * share, 1.0)
    leaves = max(ceil(tuples / per_leaf), 1)
    height, level = 0, float(leaves)
    while level > 1.0:
        level, height = ceil(level / per_page), height + 1
    first = rows.get(keys[0])
    shape = IndexShape(
        pages=float(leaves + ceil(leaves / per_page) + 1),
        tuples=tuples,
        tree_height=height,
        nkeycolumns=len(keys),
        correlation=(first.correlation or 0.0) if first is not None else 0.0,
    )
    return KnownIndex("", False, shape, keys, frozenset((*keys, *included)), share)


def own_column(clause: Clause) -> str | None:
    """The plain column that a restriction compares with a constant."""
    if clause.right_columns and clause.left_columns:
        return None
    column = clause.left_column or clause.right_column
    return column.column if column is not None and clause.operator in _SARGABLE else None


def _array_length(text: str) -> float:
    """Elements of the array constant in an = ANY clause."""
    match = _ARRAY.search(text)
    if match is None:
        return 10.0
    depth = quoted = 0
    elements = 1
    for char in match.group(1):
        if char == '"':
            quoted ^= 1
        elif not quoted:
            depth += (char == "{") - (char == "}")
            elements += char == "," and depth == 0
    return float(elements)
