"""What a sequential scan tells of its relation's size.

Its printed cost is seq_page_cost × pages + (cpu_tuple_cost + conditions) × rows; without a condition its rows are the
relation's, and among processes each is charged its share of the rows and all of the pages. BUFFERS counts at least as
many pages as the planner saw, as values stored apart are counted too, and the table may have grown while it was read.
Source: cost_seqscan in optimizer/path/costsize.c, estimate_rel_size in optimizer/util/plancat.c, releases 13 to 18.
"""

from __future__ import annotations

from typing import NamedTuple

from rowreckon.cost import CostSettings
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.output_texts import is_column
from rowreckon.learned.evidence import CostLine, SizeClue, SizeEvidence
from rowreckon.learned.facts import ANY, Bounds, RelationName, Source
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import ScanNode

_ROUNDING = 0.0051
"""How far a printed cost may lie from the planner's own: half a cent, and what binary numbers add."""
_LEAST_PAGES = 10.0
"""Pages that a table counts as which was never analysed and has fewer (estimate_rel_size)."""
_TELLING = 0.1
"""How far what the rows cost has to be from whole pages, for a whole number of pages to say anything."""
_ONE_CALL = frozenset({"=", "<>", "<", "<=", ">", ">=", "LIKE", "NOT LIKE"})
"""Comparisons of a column with a value that call one function of cost 1 (pg_proc.procost of the built-in types)."""
_FREE = frozenset({"IS NULL", "IS NOT NULL"})


class Reading(NamedTuple):
    """One plan that is read for evidence: its settings, whether it prints them, and what its sources are called."""

    settings: CostSettings
    settings_told: bool
    reckoned: ReckonedTree
    plan: str
    seen_at: str | None


def scan_evidence(reading: Reading, number: int, relation: RelationName) -> SizeEvidence | None:
    """The evidence of the node at `number`, None where it is no sequential scan or prints no costs."""
    node = reading.reckoned.tree.nodes[number]
    if node.node_type != "Seq Scan" or not isinstance(node, ScanNode) or node.total_cost is None:
        return None
    least, most = reading.reckoned.parallelism.divisors(number)
    calls = _calls(node)
    rows = _rows(node, least, most) if calls == 0.0 and not node.filter else ANY
    read_whole = reading.reckoned.counts[number].state == "exact"
    pages = Bounds(0.0, _blocks(node)) if read_whole else ANY
    line = None
    if calls is not None and least == most and not node.startup_cost and _plain_output(node):
        line = _line(reading.settings, float(node.total_cost), calls, least)
        if not reading.settings_told and not _bears_out(line, rows):
            line = None
    what = "sequential scan" if least == most == 1.0 else "parallel sequential scan"
    clue = _counted(reading, number, node, SizeClue(pages, rows, line))
    return SizeEvidence(relation, Source(reading.plan, what, reading.seen_at), clue)


def _counted(reading: Reading, number: int, node: ScanNode, clue: SizeClue) -> SizeClue:
    """With the rows that were counted, where its cost leaves for them just the pages that were read."""
    line, divisor = clue.line, reading.reckoned.parallelism.divisor(number)
    if line is None or divisor != 1.0 or node.loops != 1 or reading.reckoned.counts[number].state != "exact":
        return clue
    if node.shared_hit_blocks is None or node.shared_read_blocks is None:
        return clue
    read = float(node.shared_hit_blocks) + float(node.shared_read_blocks)
    came = float(node.actual_rows or 0.0) + float(node.rows_removed_by_filter or 0.0)
    at = line.pages(Bounds(came, came))
    if not clue.rows.exact and at.low <= read <= at.high:
        return SizeClue(Bounds(read, read), Bounds(came, came), line)
    return clue


def _line(settings: CostSettings, cost: float, calls: float, divisor: float) -> CostLine | None:
    if settings.seq_page_cost <= 0.0:
        return None
    per_row = (settings.cpu_tuple_cost + settings.cpu_operator_cost * calls) / divisor
    return CostLine(settings.seq_page_cost, per_row, cost - _ROUNDING, cost + _ROUNDING)


def _bears_out(line: CostLine | None, rows: Bounds) -> bool:
    """Whether a scan of known rows leaves whole pages at the costs that are taken for granted, and need not have."""
    if line is None or not rows.exact:
        return False
    pages = line.pages(rows)
    charged = line.per_row * rows.low / line.per_page
    return abs(charged - round(charged)) > _TELLING and int(pages.high) >= pages.low


def _rows(node: ScanNode, least: float, most: float) -> Bounds:
    """The relation's rows, by those of a scan without a condition, which are a share of them among processes."""
    printed = float(node.plan_rows or 0.0)
    if most == 1.0:
        return Bounds(0.0 if printed <= 1.0 else printed, printed)
    low = 0.0 if printed <= 1.0 else (printed - 0.5) * least
    return Bounds(low, (printed + 0.5) * most)


def _calls(node: ScanNode) -> float | None:
    """The operator calls that the scan's condition is charged for each row, None where that is not told."""
    if not node.filter:
        return 0.0
    condition = parse_condition(node.filter)
    if not condition.parsed:
        return None
    calls = 0.0
    for clause in condition.clauses:
        if clause.functions or clause.subplans:
            return None
        cast = "::" in (clause.left_text if clause.left_column is not None else clause.right_text)
        if clause.operator in _ONE_CALL and clause.is_plain_column and clause.constant is not None and not cast:
            calls += 1.0
        elif clause.operator not in _FREE or clause.left_column is None:
            return None
    return calls


def _plain_output(node: ScanNode) -> bool:
    """Whether the scan puts out columns as they are: anything else is charged for each row that it puts out."""
    return node.output is not None and all(is_column(text) for text in node.output)


def _blocks(node: ScanNode) -> float:
    """The most pages that the relation can have had, by what was read of it."""
    if node.loops != 1 or node.shared_hit_blocks is None or node.shared_read_blocks is None:
        return ANY.high
    return max(float(node.shared_hit_blocks) + float(node.shared_read_blocks), _LEAST_PAGES)
