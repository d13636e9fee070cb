"""The plain-words sentences that all formats share.

'Cheaper' is said of a cost, 'faster' only of a measured time. Sentences carry foreign texts between isolates
(see `escape`), so that every renderer can show them safely.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from rowreckon.document.audit import CountState, Direction, JoinSide, Node
from rowreckon.document.base import METHOD_NAMES
from rowreckon.plural import noun
from rowreckon.report.words.escape import quote
from rowreckon.report.words.numbers import around, capitalised, listed, number, orders, times

_NODE_TYPE = re.compile(r"[A-Za-z]{1,20}( [A-Za-z]{1,20}){0,4}")
_METHODS: dict[str, str] = {str(method): name for method, name in METHOD_NAMES.items()}
_JOIN_TYPES = {
    "inner": "",
    "left": "left",
    "right": "right",
    "full": "full",
    "semi": "semi",
    "anti": "anti",
    "right_semi": "right semi",
    "right_anti": "right anti",
}

BASIS_WORDS = {
    "planner": "the planner's own figures",
    "catalog": "the cost model with the catalog's facts",
    "plan": "the cost model with the plan alone",
}


_SCHEMA_FILE = "schema file "


def with_others(learned_from: tuple[str, ...]) -> str:
    """`this plan and 14 others`, `this plan and 2 schema files`: what a modelled cost rests on."""
    files = sum(1 for name in learned_from if name.startswith(_SCHEMA_FILE))
    others = len(learned_from) - files
    parts = [noun(number(others), "other")] if others else []
    parts += [noun(number(files), "schema file")] if files else []
    return f"this plan and {' and '.join(parts)}" if len(parts) < 2 else f"this plan, {' and '.join(parts)}"


COUNT_WORDS: dict[CountState, str] = {
    "exact": "counted to the end",
    "at_least": "not read to the end, so there may be more",
    "reread": "some rows were delivered more than once",
    "not_run": "never ran, so there is no evidence",
    "not_counted": "rows are not counted here",
    "probed": "counted apart up to a limit, since the query could not finish",
}

CAUTIONS = (
    "EXPLAIN ANALYZE executes the statement, writes included: measure before and after on a development copy.",
    "A change to statistics or indexes may change the plan of every query on the table, not only of this one.",
    "The queries seen here are not the whole workload.",
    "Try each change on a development copy first; follow your own change procedure and your DBA's approval.",
    "The verdicts are about the join order that ran; right estimates may bring another order.",
)


def in_sentences(clauses: Iterable[str]) -> str:
    """Clauses as sentences in a row, the first not capitalised and the last without its full stop; empty ones go."""
    first, *others = [clause for clause in clauses if clause] or [""]
    return ". ".join([first, *(capitalised(clause) for clause in others)])


def method_name(method: str) -> str:
    """`nested loop`, `hash join`, `merge join`; an unknown one as the document names it."""
    return _METHODS.get(method) or quote(method.replace("_", " "), 60)


def join_type_name(join_type: str) -> str:
    """The join type in words, empty for an inner join."""
    return _JOIN_TYPES.get(join_type, join_type)


def tables_of(tables: tuple[str, ...], limit: int = 4) -> str:
    """Table names in a row; past the limit the rest is counted."""
    return listed([quote(name, 80) for name in tables], limit)


def came(
    value: float | None, count: CountState, low: float | None = None, high: float | None = None, verb: str = "came"
) -> str:
    """What arrived, by the state of its count; empty where nothing can be said."""
    if count == "not_run":
        return "never ran"
    if count == "not_counted":
        return COUNT_WORDS["not_counted"]
    if value is None:
        return ""
    shown = around(value, low, high)
    match count:
        case "at_least":
            return (
                f"at least {number(value)} came, not read to the end" if value else "none came before reading stopped"
            )
        case "reread":
            return f"{verb} {shown}, some of them more than once"
        case "probed":
            return f"a separate count, up to a limit, found {shown}"
        case _:
            return f"{verb} {shown}"


def error_words(q_error: float | None, direction: Direction | None, count: CountState = "exact") -> str:
    """`3.6 orders short` (the planner expected too few), `1.2 orders over`, `as expected`; empty if unknown."""
    if q_error is None or direction is None:
        return ""
    if direction == "even" or q_error < 1.1:
        return "as expected"
    way = "short" if direction == "under" else "over"
    least = "at least " if count == "at_least" and direction == "under" else ""
    if q_error >= 10:
        return f"{least}{orders(q_error)} {way}"
    return f"{way} by a factor of {least}{times(q_error).removesuffix(' times')}"


def per_process(rows: float | None, part: Node | JoinSide) -> float | None:
    """Rows as the plan prints them: of one process, where each of several delivered all of them."""
    return rows if rows is None or part.in_each_of is None else rows / part.in_each_of


def in_each(part: Node | JoinSide) -> str:
    """` in each of 3 processes`, behind a figure of `per_process`; empty where it is the total."""
    return f" in each of {part.in_each_of} processes" if part.in_each_of else ""


def expected_came(node: Node, *, analyzed: bool = True) -> str:
    """The gutter beside a node: 'expected 12, came 48,310: 3.6 orders short'."""
    per_loop = node.estimated_rows_per_loop
    expected = per_process(node.estimated_rows, node) if node.estimated_rows is not None else per_loop
    parts = [] if expected is None else [f"expected {number(expected)}"]
    if analyzed:
        rows = (per_process(rows, node) for rows in (node.actual_rows, node.actual_rows_low, node.actual_rows_high))
        value, low, high = rows
        arrived = came(value, node.count, low, high)
        parts += [arrived] if arrived else []
    text = (", ".join(parts) or "nothing known of its rows") + in_each(node)
    error = error_words(node.q_error, _direction_shown(node), node.count) if analyzed else ""
    if error == "as expected" and node.q_error is not None and node.q_error >= 2:
        error = "rounding alone may explain the difference"
    return f"{text}: {error}" if error else text


def _direction_shown(node: Node) -> Direction | None:
    # Thresholds go by the nearest ends of the intervals: what rounding alone explains is no error.
    if node.q_error_low is not None and node.q_error_low < 1.005:
        return "even"
    return node.direction


def node_label(node: Node) -> str:
    """A node as a person names it: its type, its relation and alias, the index it uses."""
    text = node.node_type if _NODE_TYPE.fullmatch(node.node_type) else quote(node.node_type, 60)
    if node.join_type and node.join_type.lower() != "inner":
        text += f" ({quote(node.join_type, 20)})"
    if node.index:
        text += f" using {quote(node.index, 80)}"
    if node.relation:
        name = f"{node.schema_}.{node.relation}" if node.schema_ and node.schema_ != "public" else node.relation
        text += f" on {quote(name, 120)}"
    if node.alias and node.alias != node.relation:
        text += f" {'as ' if node.relation else 'on '}{quote(node.alias, 80)}"
    if node.subplan_name:
        text += f", {quote(node.subplan_name, 80)}"
    return text
