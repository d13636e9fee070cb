"""Making the estimate of one table's scan right: its rows, then the share of them that its conditions let through."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from rowreckon.frozen import frozen
from rowreckon.server.stand_in.forging import Forgery
from rowreckon.stand_in.facts import SourceRelation
from rowreckon.stand_in.right_counts.conditions import columns_in, conjuncts, constants_in
from rowreckon.stand_in.right_counts.executed import Counted
from rowreckon.stand_in.right_counts.levels import Level
from rowreckon.stand_in.right_counts.part_queries import Part, part_query
from rowreckon.stand_in.scope import ColumnOfQuery

from .knobs import ColumnKnob, Knob, expression_knob, listed
from .values import to_try

_STEPS: Final = 8
"""Most corrections of one share; each divides by the error that is left."""
CLOSE: Final = 0.001
"""How far from the count an estimate may be and still count as right, as a share of it; half a row in any case."""


def is_right(estimate: float, rows: float) -> bool:
    """Whether the planner expects the rows that came; no estimate is below one row."""
    rows = max(rows, 1.0)
    return abs(estimate - rows) <= max(0.5, CLOSE * rows) + 1e-6


@dataclass
class Forged:
    """A knob and its values: one that satisfies the conditions, and one that does not (None where none was found)."""

    knob: Knob
    good: str | None
    bad: str | None
    share: float


@frozen
class ScanAsked:
    """The query that is asked about, and how its scan stands in it."""

    tree: Any
    level: Level
    alias: str
    joined: frozenset[str]

    def conditions(self, chosen: Iterable[Any] | None = None) -> str:
        """A query for the scan, under all of its conditions, or under the chosen ones of them."""
        part = Part(self.level, frozenset({self.alias}), frozenset({self.alias}), self.joined)
        if chosen is None:
            return part_query(self.tree, part)
        return part_query(self.tree, _only(part, list(chosen)))


def _only(part: Part, chosen: list[Any]) -> Part:
    """The part with other conditions: those of a SELECT of its own."""
    from rowreckon.sql.grammar import parse

    select = parse("select 1 where a and b").stmts[0].stmt.select_stmt
    select.from_clause.add().CopyFrom(part.level.items[next(iter(part.items))].node)
    if chosen:
        del select.where_clause.bool_expr.args[:]
        for condition in chosen:
            select.where_clause.bool_expr.args.add().CopyFrom(condition)
    else:
        select.ClearField("where_clause")
    level = Level(select, part.level.items, part.level.scope, part.level.hidden)
    return Part(level, part.aliases, part.items, part.joined)


def fit_scan(forgery: Forgery, asked: ScanAsked, relation: SourceRelation, count: Counted) -> str | None:
    """Make a scan's estimate right; why that can't be done, in a part of a sentence, or None where it is."""
    whole = count.table_rows if count.table == relation.name and not forgery.has_children(relation) else None
    if whole is not None and not is_right(forgery.rows(asked.conditions([])), whole):
        forgery.set_rows(relation, whole)
    if scan_holds(forgery, asked, count):
        return None
    if forgery.has_children(relation):
        return "its rows come from partitions, whose shares are not told apart"
    knobs = _knobs(forgery, asked, relation)
    if not knobs:
        return "no condition of it reads one column, or one expression, whose statistics could say so"
    all_rows = forgery.rows(asked.conditions([]))
    for query, rows, own in _parts(asked, count, knobs):
        _fit_part(forgery, asked, query, rows, own, all_rows)
    if scan_holds(forgery, asked, count):
        return None
    return "its conditions do not follow the statistics of the columns that they read"


def scan_holds(forgery: Forgery, asked: ScanAsked, count: Counted) -> bool:
    """Whether the planner expects what the scan gave, and of its index what that gave."""
    if not is_right(forgery.rows(asked.conditions()), count.rows):
        return False
    part = _index_part(asked, count)
    return part is None or count.index_rows is None or is_right(forgery.rows(part), count.index_rows)


def _index_part(asked: ScanAsked, count: Counted) -> str | None:
    """The query for what the index gave; None where the filter takes nothing away from it, or shares its columns."""
    conditions = _own_conditions(asked)
    chosen = [c for c in conditions if _names(asked, c) and _names(asked, c) <= count.index_columns]
    if not chosen or len(chosen) == len(conditions) or count.index_rows is None:
        return None
    return asked.conditions(chosen)


def _parts(asked: ScanAsked, count: Counted, knobs: list[Knob]) -> list[tuple[str, float, list[Knob]]]:
    """What is made right one after the other: the index's rows by its columns, then the scan's by the others."""
    whole = asked.conditions()
    part = _index_part(asked, count)
    searched = [k for k in knobs if k.columns <= count.index_columns]
    rest = [k for k in knobs if k not in searched]
    if part is None or count.index_rows is None or not searched or not rest:
        return [(whole, count.rows, knobs)]
    return [(part, count.index_rows, searched), (whole, count.rows, rest)]


def _fit_part(forgery: Forgery, asked: ScanAsked, query: str, rows: float, knobs: list[Knob], all_rows: float) -> None:
    """Move these knobs, the most selective first, until the query's estimate is right."""
    if is_right(forgery.rows(query), rows):
        return
    weighed = sorted((forgery.rows(asked.conditions(knob.conditions)), n) for n, knob in enumerate(knobs))
    for _, number in weighed:
        with forgery.tried() as undo:
            forged = _try_values(forgery, asked, knobs[number], all_rows)
            if forged is None:
                undo.wanted = True
            elif _fit_share(forgery, query, forged, rows, all_rows):
                return


def _names(asked: ScanAsked, condition: Any) -> frozenset[str]:
    read = columns_in(condition, asked.level.scope, asked.level.hidden) or frozenset()
    return frozenset(column.name for column in read)


def _knobs(forgery: Forgery, asked: ScanAsked, relation: SourceRelation) -> list[Knob]:
    """The columns, and the expressions, that the scan's conditions read."""
    columns: dict[ColumnOfQuery, list[Any]] = {}
    found: list[Knob] = []
    for condition in _own_conditions(asked):
        read = columns_in(condition, asked.level.scope, asked.level.hidden) or frozenset()
        expression = _expression(condition)
        if expression is not None:
            knob = expression_knob(forgery, relation, expression, condition, frozenset(c.name for c in read))
            found += [knob] if knob is not None else []
        elif len(read) == 1:
            columns.setdefault(next(iter(read)), []).append(condition)
    for column, conditions in columns.items():
        known = forgery.column(relation, column.name)
        if known is not None:
            figures = forgery.figures(relation, known.number)
            found.append(ColumnKnob(relation, known.number, frozenset({column.name}), conditions, figures))
    return found


def _own_conditions(asked: ScanAsked) -> list[Any]:
    """The conditions that only the scan's relation is in."""
    from rowreckon.sql.grammar import parse

    whole = parse(asked.conditions()).stmts[0].stmt.select_stmt
    return list(conjuncts(whole.where_clause))


def _expression(condition: Any) -> Any:
    """The side of a comparison that is made of columns and is no bare column; None where there is none."""
    if condition.WhichOneof("node") != "a_expr":
        return None
    sides = [s for s in (condition.a_expr.lexpr, condition.a_expr.rexpr) if s.WhichOneof("node") is not None]
    made = [s for s in sides if _has_column(s)]
    if len(made) != 1 or made[0].WhichOneof("node") in ("column_ref", "type_cast"):
        return None
    return made[0]


def _has_column(node: Any) -> bool:
    from rowreckon.sql.tree import every_message, kind_of

    return any(kind_of(message) == "ColumnRef" for message in every_message(node))


def _try_values(forgery: Forgery, asked: ScanAsked, knob: Knob, all_rows: float) -> Forged | None:
    """Find a value that satisfies the knob's conditions and one that does not; None where none satisfies them."""
    query = asked.conditions(knob.conditions)
    constants = [c for condition in knob.conditions for c in constants_in(condition)]
    good: str | None = None
    bad: str | None = None
    for value in to_try(constants, knob.original):
        if not knob.write(forgery, listed(knob.original, [(value, 1.0)])):
            continue
        expected = forgery.rows(query)
        if good is None and expected >= all_rows * (1 - CLOSE):
            good = value
        elif bad is None and expected <= max(1.0, all_rows * CLOSE):
            bad = value
        if good is not None and bad is not None:
            break
    if good is not None:
        return Forged(knob, good, bad, 1.0)
    # a comparison with a parameter has no value: one distinct value, and nulls for the rows that it does not meet
    one = listed(knob.original, []).model_copy(update={"distinct": 1.0})
    if knob.write(forgery, one) and forgery.rows(query) >= all_rows * (1 - CLOSE):
        return Forged(knob, None, None, 1.0)
    return None


def _fit_share(forgery: Forgery, query: str, forged: Forged, rows: float, all_rows: float) -> bool:
    """Move the share of the value that satisfies until the estimate is right; False where it reaches 1 before.

    At 1 it stays then: the next condition's share has to bring the rest.
    """
    share = min(max(rows, 0.0) / max(all_rows, 1.0), 1.0)
    for _ in range(_STEPS):
        forged.share = share
        if not write_share(forgery, forged):
            return False
        expected = forgery.rows(query)
        if is_right(expected, rows):
            return True
        if share >= 1.0 and expected < rows:
            return False
        share = min(share * max(rows, 1.0) / max(expected, 1.0), 1.0)
    return False


def write_share(forgery: Forgery, forged: Forged) -> bool:
    """Write the knob's statistics for its share."""
    original = forged.knob.original
    rest = 1.0 - forged.share
    if forged.good is None:
        figures = listed(original, [], nulls=rest).model_copy(update={"distinct": 1.0})
    elif forged.bad is not None:
        figures = listed(original, [(forged.good, forged.share), (forged.bad, rest)])
    else:
        figures = listed(original, [(forged.good, forged.share)], nulls=rest)
    return forged.knob.write(forgery, figures)
