"""What the planner answered about scans and about pairs of them, solved back into fractions. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from rowreckon.catalog.answers.unasked import Unasked
from rowreckon.catalog.estimates import Conjunct, JoinPairEstimate, RelationEstimate, ScanPath
from rowreckon.catalog.facts import PlanName
from rowreckon.catalog.questions import JOIN_SERIES_LENGTH, SERIES_LENGTH
from rowreckon.catalog.request import FactsRequest, WantedRelation

Row = dict[str, Any]
_METHODS = {
    "seq_scan": "Seq Scan",
    "index_scan": "Index Scan",
    "index_only_scan": "Index Only Scan",
    "bitmap_scan": "Bitmap Heap Scan",
}


def grouped(answers: Iterable[Row], *kinds: str) -> dict[int, dict[str, Row]]:
    """The answers of these kinds: by the number of what was asked about, then by what was asked of it."""
    found: dict[int, dict[str, Row]] = {}
    for answer in answers:
        if answer["kind"] in kinds:
            found.setdefault(answer["n"], {})[answer["what"]] = answer
    return found


def oid_of(wanted: WantedRelation, names: Sequence[PlanName]) -> int | None:
    """The table of a scan; None where no relation of its name was found."""
    return next((n.oid for n in names if (n.schema_, n.name) == (wanted.schema_name, wanted.name)), None)


def share_of_rows(answer: Row | None, tuples: float) -> float | None:
    """Share of the series join's rows; a left join never falls below one row for each of the left side's."""
    if answer is None or tuples <= 0:
        return None
    share = float(answer["rows"]) / (tuples * SERIES_LENGTH)
    return 0.0 if share <= 1.0 / SERIES_LENGTH else min(share, 1.0)


def share_with_match(answer: Row | None, rows: float) -> float | None:
    """The share of `rows` that have a match, from the estimate of the rows without one, which is never below one.

    None where the rows are none: the planner sees that a condition holds for no row.
    """
    if answer is None or rows <= 0:
        return None
    without = float(answer["rows"])
    return 1.0 if without <= 1.0 else max(1.0 - without / (rows * SERIES_LENGTH), 0.0)


def relation_estimates(
    request: FactsRequest, names: Sequence[PlanName], answers: Iterable[Row], unasked: Unasked
) -> dict[int, tuple[RelationEstimate, ...]]:
    """Estimates by plan, for the scans that the planner answered for; what was not asked is left out of them."""
    by_scan = grouped(answers, "relation")
    found: dict[int, tuple[RelationEstimate, ...]] = {}
    for number, wanted in enumerate(request.relations, 1):
        told = by_scan.get(number, {})
        oid = oid_of(wanted, names)
        cheapest = told.get("cheapest")
        if oid is None or cheapest is None:
            continue
        bare, quals = told.get("bare"), told.get("quals")
        tuples = float(bare["rows"]) if bare else None
        whole = share_of_rows(told.get("selectivity"), tuples or 0.0)
        single = [
            share_of_rows(told.get(f"conjunct {k}"), tuples or 0.0)
            if len(wanted.conditions) > 1 or "conjunct 1" in told
            else whole
            for k in range(1, len(wanted.conditions) + 1)
        ]
        qual_cost = qual_startup = None
        if bare and quals and tuples:
            qual_startup = quals["startup"] - bare["startup"]
            qual_cost = (quals["total"] - bare["total"] - qual_startup) / tuples
        elif not wanted.conditions:
            qual_cost = qual_startup = 0.0
        estimate = RelationEstimate(
            relation=oid,
            alias=wanted.alias,
            columns=wanted.columns,
            columns_complete=wanted.columns_complete and not unasked.any(wanted.column_texts),
            restrictions=tuple(
                Conjunct(condition=text, selectivity=share)
                for text, share in zip(wanted.conditions, single, strict=True)
                if share is not None
            ),
            left_out=(*wanted.left_out, *_unasked_conditions(wanted, unasked)),
            rows=cheapest["rows"],
            tuples=tuples,
            width=cheapest["width"],
            # what a partial index that the plan uses implies is asked too, and not printed among the conditions
            selectivity=whole if wanted.conditions or "selectivity" in told else 1.0,
            qual_cost=qual_cost,
            qual_startup_cost=qual_startup,
            paths=_paths(told),
        )
        found[wanted.plan] = (*found.get(wanted.plan, ()), estimate)
    return found


def _unasked_conditions(wanted: WantedRelation, unasked: Unasked) -> Iterator[str]:
    for text, place in zip(wanted.conditions, wanted.condition_texts, strict=False):
        if place in unasked.texts:
            yield text


def _paths(told: Mapping[str, Row]) -> tuple[ScanPath, ...]:
    """The answers where the method that was left on is the one used."""
    return tuple(
        ScanPath(
            asked=asked,
            node_type=answer["node"],
            index=answer["index"],
            index_cond=answer["index_cond"],
            filter=answer["filter"],
            startup_cost=answer["startup"],
            total_cost=answer["total"],
        )
        for asked in ("cheapest", *_METHODS)
        if (answer := told.get(asked)) is not None and answer["node"] == _METHODS.get(asked, answer["node"])
    )


def pair_estimates(request: FactsRequest, answers: Iterable[Row]) -> dict[int, tuple[JoinPairEstimate, ...]]:
    """Pairs by plan, where all three answers came and each side has rows: some, for all that the planner knows."""
    by_pair = grouped(answers, "pair")
    found: dict[int, tuple[JoinPairEstimate, ...]] = {}
    for number, wanted in enumerate(request.pairs, 1):
        told = by_pair.get(number, {})
        if not {"inner", "left_rows", "right_rows"} <= told.keys():
            continue
        left_rows, right_rows = float(told["left_rows"]["rows"]), float(told["right_rows"]["rows"])
        if not left_rows or not right_rows:
            continue
        rows = float(told["inner"]["rows"]) / JOIN_SERIES_LENGTH
        semi = share_with_match(told.get("anti"), left_rows)
        turned = share_with_match(told.get("anti_turned"), right_rows)
        estimate = JoinPairEstimate(
            left_alias=wanted.left_alias,
            right_alias=wanted.right_alias,
            clauses=wanted.clauses,
            left_rows=left_rows,
            right_rows=right_rows,
            rows=rows,
            selectivity=rows / (left_rows * right_rows),
            semi_rows=None if semi is None else semi * left_rows,
            semi_rows_turned=None if turned is None else turned * right_rows,
        )
        found[wanted.plan] = (*found.get(wanted.plan, ()), estimate)
    return found
