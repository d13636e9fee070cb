"""A join's inputs from the plan alone: printed costs, row counts, widths, and what follows from them.

What the plan leaves open is given as an interval: three inputs of one shape, of which the first is the likeliest and
the others bound the costs from below and above.
"""

from __future__ import annotations

from dataclasses import replace

from rowreckon.cost import CostSettings, MergeScanSelectivity
from rowreckon.cost.selectivity import WHOLE_SCAN
from rowreckon.counts.reckon import ReckonedTree

from .clauses import JoinClause
from .inputs import ClauseInput, JoinInput, KeyInput, SideInput, SidePath
from .loop_evidence import executed_access
from .methods import can_hash, can_merge
from .relation_evidence import RelationEvidence
from .side_paths import printed_paths
from .sides import JoinFacts, Side

_SHORT_SCAN = MergeScanSelectivity(0.0, 0.01, 0.0, 0.01)
_MORE_PER_BUCKET = 4.0
"""How much fuller than its average the hash bucket of a frequent key may be taken to be, without statistics."""


def plan_inputs(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, relations: RelationEvidence
) -> tuple[JoinInput, JoinInput, JoinInput] | None:
    """The join in its executed order: likeliest, cheapest and dearest; None where not even that can be said."""
    keys_outer = [c.outer_text or c.text for c in facts.clauses]
    keys_inner = [c.inner_text or c.text for c in facts.clauses]
    outer = _side(settings, reckoned, facts, facts.outer, keys_outer)
    inner = _side(settings, reckoned, facts, facts.inner, keys_inner)
    if outer is None or inner is None:
        return None
    inners = (inner, inner, inner)
    if facts.inner.parameterised:
        guessed = relations.inner_paths(settings, reckoned, facts)
        rows = guessed[0].rows if guessed is not None else max(facts.inner.planner_rows, 1.0)
        if guessed is None:
            inners = (replace(inner, rows=rows),) * 3
        else:
            inners = tuple(  # type: ignore[assignment]
                replace(inner, rows=g.rows, paths=(SidePath(g, (), "seq_scan"),)) for g in guessed
            )
    found: list[JoinInput] = []
    for mode, side in zip(("likely", "low", "high"), inners, strict=True):
        clauses = _clauses(facts, outer.rows, side.rows, mode)
        access = executed_access(settings, reckoned, facts, mode) if facts.inner.parameterised else None
        if facts.inner.parameterised and access is None:
            return None
        found.append(
            JoinInput(
                turned=False,
                kind=facts.kind,
                outer=outer,
                inner=side,
                clauses=clauses,
                unique=facts.inner_unique and facts.kind not in ("Semi", "Anti"),
                workers=facts.workers,
                processes=facts.processes,
                shared_hash=facts.shared_hash,
                total_table_pages=0.0,
                output_rows=facts.output_rows,
                basis="plan",
                match_frac=_match_frac(facts, outer.rows),
                executed_inner=access,
            )
        )
    return found[0], found[1], found[2]


def _side(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, side: Side, keys: list[str]
) -> SideInput | None:
    partial = facts.workers > 0 and reckoned.parallelism.partial[side.node]
    printed = tuple(printed_paths(settings, reckoned.tree, facts, side, keys))
    if not printed and not side.parameterised:
        return None
    rows = max(side.planner_rows, 1.0) * side.processes
    return SideInput(
        rows=rows,
        width=side.width,
        paths=() if partial else printed,
        relation=None,
        single=side.scan is not None,
        partial_paths=printed if partial else (),
        parameter_rows=rows,
        parameter_rows_actual=side.actual_rows,
        actual_ratio=side.actual_rows / side.planner_rows if side.actual_rows and side.planner_rows else None,
    )


def _clauses(facts: JoinFacts, outer: float, inner: float, mode: str) -> tuple[ClauseInput, ...]:
    """The clauses; the first carries the selectivity of all, which the output's estimate tells."""
    output = facts.output_rows * facts.processes
    if facts.kind in ("Semi", "Anti", "Right Semi", "Right Anti"):
        output = max(min(outer, inner), 1.0)
    selectivity = min(max(output, 1.0) / max(outer * inner, 1.0), 1.0)
    scan = _SHORT_SCAN if mode == "low" else WHOLE_SCAN
    fuller = {"likely": 1.0, "low": 1.0, "high": _MORE_PER_BUCKET}[mode]
    found: list[ClauseInput] = []
    for position, clause in enumerate(facts.clauses):
        unique = facts.inner_unique
        found.append(
            ClauseInput(
                operator=clause.operator,
                selectivity=selectivity if position == 0 else 1.0,
                semi=None,
                outer=_key(clause, False, outer, output / max(inner, 1.0) * fuller),
                inner=_key(clause, True, inner, 1.0 if unique else output / max(outer, 1.0) * fuller),
                can_hash=can_hash(clause),
                can_merge=can_merge(clause),
                scan=scan,
            )
        )
    return tuple(found)


def _key(clause: JoinClause, inner: bool, rows: float, per_value: float) -> KeyInput:
    """A key whose values stand in so many rows each."""
    return KeyInput(
        alias=clause.inner_alias if inner else clause.outer_alias,
        text=(clause.inner_text if inner else clause.outer_text) or clause.text,
        column=None,
        ndistinct=max(rows / max(per_value, 1.0), 1.0),
    )


def _match_frac(facts: JoinFacts, outer: float) -> float | None:
    """The share of the kept side's rows with a match that the planner expected."""
    if facts.kind not in ("Semi", "Anti", "Right Semi", "Right Anti"):
        return None
    kept = outer if facts.kind in ("Semi", "Anti") else facts.inner.planner_rows * facts.inner.processes
    share = min(facts.output_rows * facts.processes / max(kept, 1.0), 1.0)
    return share if "Semi" in facts.kind else 1.0 - share
