"""The calls by which a dump of 18 brings statistics back, read as what they name: arguments in pairs of name and value.

Source: the PostgreSQL manual, "Statistics Information Functions", pg_restore_relation_stats and its kin.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rowreckon.sql.tree import strings

RELATION: Final = "pg_restore_relation_stats"
ATTRIBUTE: Final = "pg_restore_attribute_stats"

_NUMBERS: Final = {
    "null_frac": "null_frac",
    "avg_width": "width",
    "n_distinct": "distinct",
    "correlation": "correlation",
    "range_empty_frac": "empty_ranges",
}
_TEXTS: Final = {
    "most_common_vals": "common",
    "histogram_bounds": "bounds",
    "most_common_elems": "elements",
    "range_bounds_histogram": "ranges",
    "range_length_histogram": "range_lengths",
}
_LISTS: Final = {
    "most_common_freqs": "common_freqs",
    "most_common_elem_freqs": "element_freqs",
    "elem_count_histogram": "element_counts",
}


def restored(select: Any) -> tuple[str, dict[str, str]] | None:
    """Which of the two functions a SELECT calls, and its arguments as texts; None for any other SELECT."""
    calls = [r.range_function.functions for r in select.from_clause if r.WhichOneof("node") == "range_function"]
    if len(calls) != 1 or len(calls[0]) != 1:
        return None
    call = calls[0][0].list.items[0].func_call
    named = strings(call.funcname)
    if not named or named[-1] not in (RELATION, ATTRIBUTE) or named[:-1] not in ((), ("pg_catalog",)):
        return None
    texts = [_text(argument) for argument in call.args]
    return named[-1], {
        name: value
        for name, value in zip(texts[::2], texts[1::2], strict=False)
        if name is not None and value is not None
    }


def _text(argument: Any) -> str | None:
    kind = argument.WhichOneof("node")
    constant = argument.type_cast.arg if kind == "type_cast" else argument
    return str(constant.a_const.sval.sval) if constant.a_const.WhichOneof("val") == "sval" else None


def figures(told: Mapping[str, str]) -> dict[str, Any]:
    """A row of statistics as a stand-in's facts have it. Raises ValueError for a number that is none."""
    found: dict[str, Any] = {ours: float(told[name]) for name, ours in _NUMBERS.items() if name in told}
    found |= {ours: told[name] for name, ours in _TEXTS.items() if name in told}
    for name, ours in _LISTS.items():
        if name in told:
            found[ours] = [float(value) for value in told[name].strip("{}").split(",") if value]
    return found


def whole(told: Mapping[str, str], name: str) -> int:
    """A whole number among the arguments, 0 where it is not there. Raises ValueError."""
    return int(told.get(name, "0"))
