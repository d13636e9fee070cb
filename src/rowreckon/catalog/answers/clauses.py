"""What the planner answered about join clauses, solved back into fractions. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from rowreckon.catalog.answers.estimates import Row, grouped, oid_of, share_of_rows, share_with_match
from rowreckon.catalog.columns import Column
from rowreckon.catalog.estimates import ClauseSide, JoinClauseFacts, MergeScanFractions
from rowreckon.catalog.expression_statistics import expression_statistics, is_key
from rowreckon.catalog.facts import PlanName, Relation
from rowreckon.catalog.indexes import IndexKey
from rowreckon.catalog.parts import OperatorFacts
from rowreckon.catalog.questions import JOIN_SERIES_LENGTH
from rowreckon.catalog.request import FactsRequest, WantedClause, WantedTable
from rowreckon.cost.selectivity import ColumnStatistics as CostStatistics
from rowreckon.cost.selectivity import get_variable_numdistinct
from rowreckon.plan.condition_text import bare_expression

_SAME = 1e-10
"""Two fractions closer than this are one: the answers carry about twelve digits."""
_CAST = re.compile(r"\)::(.+)$")
_TYPMOD = re.compile(r"\([^)]*\)")


def clause_facts(
    request: FactsRequest,
    names: Sequence[PlanName],
    relations: Mapping[int, Relation],
    operators: Sequence[OperatorFacts],
    answers: Iterable[Row],
) -> dict[int, tuple[JoinClauseFacts, ...]]:
    """Join clauses by plan."""
    answers = list(answers)
    by_clause, ends = grouped(answers, "clause"), grouped(answers, "end")
    scans = {(r.plan, r.alias): oid_of(r, names) for r in request.relations}
    scans |= {(t.plan, t.alias): _table_of(t, names, relations) for t in request.tables}
    found: dict[int, tuple[JoinClauseFacts, ...]] = {}
    for number, wanted in enumerate(request.clauses, 1):
        told = by_clause.get(number, {})
        sides = []
        for end in ("left", "right"):
            oid = scans.get((wanted.plan, getattr(wanted, f"{end}_alias")))
            relation = relations.get(oid) if oid is not None else None
            if relation is not None:
                sides.append(_clause_side(wanted, end, relation, told.get(f"{end}_whole")))
        if len(sides) != 2:
            continue
        left, right = sides
        left_rows, right_rows = (float(told[k]["rows"]) if k in told else None for k in ("left_whole", "right_whole"))
        selectivity = semi = semi_turned = None
        if left_rows and right_rows:
            every = left_rows * right_rows * JOIN_SERIES_LENGTH
            if "inner" in told:
                selectivity = float(told["inner"]["rows"]) / every
            elif "unequal" in told:  # 1 - selectivity, of the rows where neither side is null
                selectivity = max(0.0, 1.0 - float(told["unequal"]["rows"]) / every)
            semi = share_with_match(told.get("anti"), left_rows)
            semi_turned = share_with_match(told.get("anti_turned"), right_rows)
        operator = _operator(wanted, left, right, relations, operators)
        at_ends, rows = ends.get(number, {}), (left_rows, right_rows)
        fact = JoinClauseFacts(
            left=left,
            right=right,
            operator=wanted.operator,
            can_hash=told["hash"]["node"] == "Hash Join" if "hash" in told else None,
            can_merge=told["merge"]["node"] == "Merge Join" if "merge" in told else None,
            procost=operator.procost if operator else 1.0,
            selectivity=selectivity,
            semi_selectivity=semi,
            semi_selectivity_turned=semi_turned,
            ascending=_fractions(wanted, sides, relations, at_ends, rows, "<= high", "< low"),
            descending=_fractions(wanted, sides, relations, at_ends, rows, ">= low", "> high"),
        )
        found[wanted.plan] = (*found.get(wanted.plan, ()), fact)
    return found


def _table_of(wanted: WantedTable, names: Sequence[PlanName], relations: Mapping[int, Relation]) -> int | None:
    """The partitioned table above a partition: the one called as its alias, or the only one."""
    found: list[Relation] = []
    at = next((n.oid for n in names if (n.schema_, n.name) == (wanted.member_schema, wanted.member)), None)
    while at is not None and (relation := relations.get(at)) is not None:
        if relation.kind == "partitioned_table":
            found.append(relation)
        at = relation.parent
    named = [r for r in found if r.name == wanted.alias]
    return named[0].oid if named else found[0].oid if len(found) == 1 else None


def _clause_side(wanted: WantedClause, end: str, relation: Relation, whole: Row | None) -> ClauseSide:
    name, alias = getattr(wanted, f"{end}_column"), getattr(wanted, f"{end}_alias")
    column = relation.column(name) if name is not None else None
    text = "" if column else bare_expression(getattr(wanted, end), alias)
    inherited = relation.kind == "partitioned_table"
    statistics = column.statistics_of(inherited=inherited) if column else expression_statistics(relation, text)
    unique = any(
        _is_key(i.keys[0], column, text)
        for i in relation.indexes
        if i.valid and i.unique and i.immediate and not i.partial and i.n_key_columns == 1
    )
    n_distinct, is_default = None, False
    if whole is not None and (relation.statistics_readable or statistics is not None):
        rows = float(whole["rows"])
        boolean = column is not None and column.type == "boolean" and statistics is None
        n_distinct, is_default = get_variable_numdistinct(
            CostStatistics(
                rel_tuples=rows,
                rel_rows=rows,
                n_distinct=2.0 if boolean else statistics.n_distinct if statistics else 0.0,
                null_frac=statistics.null_frac if statistics else 0.0,
                is_unique=unique,
            )
        )
    return ClauseSide(
        relation=relation.oid,
        alias=alias,
        attnum=column.attnum if column else None,
        expression=getattr(wanted, end),
        n_distinct=n_distinct,
        n_distinct_is_default=is_default,
        first_mcv_freq=statistics.first_mcv_freq if statistics else 0.0,
        null_frac=statistics.null_frac if statistics else 0.0,
        unique=unique,
    )


def _is_key(key: IndexKey, column: Column | None, text: str) -> bool:
    return is_key(key, text) if column is None else key.attnum == column.attnum


def _operator(
    wanted: WantedClause,
    left: ClauseSide,
    right: ClauseSide,
    relations: Mapping[int, Relation],
    operators: Sequence[OperatorFacts],
) -> OperatorFacts | None:
    types = []
    for side in (left, right):
        cast = _CAST.search(side.expression)
        column = relations[side.relation].column(side.attnum) if side.attnum is not None else None
        declared = cast.group(1) if cast else column.type if column else ""
        types.append(_TYPMOD.sub("", declared).strip())
    return next(
        (o for o in operators if o.name == wanted.operator and [o.left_type, o.right_type] == types),
        None,
    )


def _fractions(
    wanted: WantedClause,
    sides: Sequence[ClauseSide],
    relations: Mapping[int, Relation],
    ends: Mapping[str, Row],
    tuples: tuple[float | None, float | None],
    end: str,
    start: str,
) -> MergeScanFractions | None:
    """The four scan fractions from the selectivities at the other side's ends.

    Only the smaller end and the greater start are believed, since one side always runs to its end; both whole where a
    side has no statistics, unless these are only hidden. Source: mergejoinscansel in src/backend/utils/adt/selfuncs.c.
    """
    if wanted.operator != "=":
        return None
    keys = (f"left {end}", f"right {end}", f"left {start}", f"right {start}")
    if not all(key in ends for key in keys):
        plain = all(s.attnum is not None for s in sides)
        blind = [
            s
            for s in sides
            if s.attnum is not None
            and (column := relations[s.relation].column(s.attnum)) is not None
            and not column.statistics
            and relations[s.relation].statistics_readable
        ]
        return MergeScanFractions() if plain and blind and not ends else None
    shares = [share_of_rows(ends[key], tuples[k % 2] or 0.0) for k, key in enumerate(keys)]
    if any(share is None for share in shares):
        return None
    left_end, right_end, left_start, right_start = (share or 0.0 for share in shares)
    if abs(left_end - right_end) <= _SAME:
        left_end = right_end = 1.0
    elif left_end > right_end:
        left_end = 1.0
    else:
        right_end = 1.0
    if abs(left_start - right_start) <= _SAME:
        left_start = right_start = 0.0
    elif left_start < right_start:
        left_start = 0.0
    else:
        right_start = 0.0
    if left_start >= left_end:
        left_start, left_end = 0.0, 1.0
    if right_start >= right_end:
        right_start, right_end = 0.0, 1.0
    return MergeScanFractions(left_start=left_start, left_end=left_end, right_start=right_start, right_end=right_end)
