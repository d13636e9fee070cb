"""Making the estimate of a join right, its inputs being so already: by distinct counts, nulls and common values.

Too many rows expected: some of one column's values become null, which match nothing. Too few: fewer distinct values,
and where a unique index says how many there are, values that are common on both sides. Declared foreign keys, which
override all of this, are taken away first. Each step is held against what EXPLAIN then expects.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from rowreckon.catalog.request import quoted
from rowreckon.frozen import frozen
from rowreckon.server.stand_in.forging import Forgery
from rowreckon.stand_in.facts import SourceRelation
from rowreckon.stand_in.figures import Figures

from .knobs import listed
from .scans import is_right
from .values import known_values

_STEPS: Final = 8
_MOST_VALUES: Final = 100
"""Common values of a forged pair of lists; the default statistics target, as ANALYZE would keep them."""
_DEFAULT_DISTINCT: Final = 200.0
"""DEFAULT_NUM_DISTINCT of src/include/utils/selfuncs.h."""


@frozen
class End:
    """A column at one end of a join's condition."""

    relation: SourceRelation
    number: int
    filtered: bool


@frozen
class JoinAsked:
    """A join that is asked about: the query for it, its rows, and the columns that it holds equal.

    `combinations` is how many pairs of rows its sides make, None where that is not known.
    """

    query: str
    rows: float
    pairs: tuple[tuple[End, End], ...]
    combinations: float | None


def fit_join(forgery: Forgery, asked: JoinAsked) -> str | None:
    """Make a join's estimate right; why that can't be done, in a part of a sentence, or None where it is."""
    _first_distinct(forgery, asked)
    expected = forgery.rows(asked.query)
    if is_right(expected, asked.rows):
        return None
    for one, other in asked.pairs:
        forgery.drop_foreign_keys(one.relation, other.relation)
    expected = forgery.rows(asked.query)
    if is_right(expected, asked.rows):
        return None
    if not asked.pairs:
        return "no condition of it holds two columns equal"
    if expected < asked.rows:
        _more(forgery, asked)
        expected = forgery.rows(asked.query)
    if expected > asked.rows and not is_right(expected, asked.rows):
        _fewer(forgery, asked)
    if is_right(forgery.rows(asked.query), asked.rows):
        return None
    return "its estimate does not follow the statistics of the columns that it joins"


def _first_distinct(forgery: Forgery, asked: JoinAsked) -> None:
    """Give columns without statistics distinct values: as many as the column at the other end has, if it has any.

    Else as many as the join's own selectivity speaks for: evenly spread values make one by the larger number of them. A
    column has no more of them than rows.
    """
    for pair in asked.pairs:
        for end, other in (pair, reversed(pair)):
            if _figures(forgery, end).distinct == 0:
                values = _values_for(forgery, asked, other)
                table = forgery.rows(f"select 1 from {quoted(end.relation.schema_, end.relation.name)}")
                distinct = float(round(max(1.0, min(values, table))))
                _write(forgery, end, _figures(forgery, end).model_copy(update={"distinct": distinct}))


def _values_for(forgery: Forgery, asked: JoinAsked, other: End) -> float:
    if len(asked.pairs) == 1 and asked.combinations:
        return asked.combinations / max(asked.rows, 1.0)
    return _distinct(forgery, other)


def _more(forgery: Forgery, asked: JoinAsked) -> None:
    """Raise the estimate to the count or above it: fewer distinct values, then common values on both sides."""
    for one, other in sorted(asked.pairs, key=lambda pair: _most_distinct(forgery, pair)):
        expected = forgery.rows(asked.query)
        if expected >= asked.rows or is_right(expected, asked.rows):
            return
        most = max(1.0, math.floor(_most_distinct(forgery, (one, other)) * expected / max(asked.rows, 1.0)))
        for end in (one, other):
            _write(forgery, end, _fewer_distinct(forgery, end, most))
    for pair in asked.pairs:
        expected = forgery.rows(asked.query)
        if expected >= asked.rows or is_right(expected, asked.rows):
            return
        _common_on_both(forgery, asked, pair)


def _fewer(forgery: Forgery, asked: JoinAsked) -> None:
    """Lower the estimate to the count: nulls at one end, at the end that works and that no condition filters."""
    ends = [end for pair in asked.pairs for end in reversed(pair)]
    for end in sorted(ends, key=lambda e: e.filtered):
        with forgery.tried() as undo:
            undo.wanted = not _thin_out(forgery, asked, end)
            if not undo.wanted:
                return


def _thin_out(forgery: Forgery, asked: JoinAsked, end: End) -> bool:
    now = _figures(forgery, end)
    kept = 1.0 - now.null_frac
    for _ in range(_STEPS):
        expected = forgery.rows(asked.query)
        if is_right(expected, asked.rows):
            return True
        kept *= max(asked.rows, 0.5) / max(expected, 1.0)
        if kept > 1.0 or not _write(forgery, end, _with_nulls(now, 1.0 - kept, end)):
            return False
    return is_right(forgery.rows(asked.query), asked.rows)


def _with_nulls(figures: Figures, nulls: float, end: End) -> Figures:
    """The figures with so many nulls; common values go, or shrink where a condition was made right by them."""
    if not end.filtered:
        return figures.model_copy(update={"null_frac": nulls, "common": None, "common_freqs": None})
    scale = (1.0 - nulls) / max(1.0 - figures.null_frac, 1e-9)
    freqs = tuple(f * scale for f in figures.common_freqs or ())
    return figures.model_copy(update={"null_frac": nulls, "common_freqs": freqs or None})


def _most_distinct(forgery: Forgery, pair: Sequence[End]) -> float:
    return max(_distinct(forgery, end) for end in pair)


def _distinct(forgery: Forgery, end: End) -> float:
    """How many distinct values the planner takes a column to have."""
    figures = _figures(forgery, end)
    if figures.distinct > 0:
        return figures.distinct
    rows = max(end.relation.reltuples, 1.0)
    return max(1.0, -figures.distinct * rows) if figures.distinct < 0 else min(_DEFAULT_DISTINCT, rows)


def _fewer_distinct(forgery: Forgery, end: End, most: float) -> Figures:
    figures = _figures(forgery, end)
    update: dict[str, object] = {"distinct": min(_distinct(forgery, end), most)}
    if not end.filtered:
        update |= {"common": None, "common_freqs": None}
    return figures.model_copy(update=update)


def _common_on_both(forgery: Forgery, asked: JoinAsked, pair: tuple[End, End]) -> None:
    """Lists of the same values at both ends: each value as common at one end as at the other end is sought.

    A list with k values of share p each and another with the same values of share 1 / k each make a selectivity of p.
    """
    one, other = sorted(pair, key=lambda end: (end.filtered, _distinct(forgery, end)), reverse=True)
    known = [value for end in (one, other) for value in known_values(_figures(forgery, end), _MOST_VALUES)]
    values = list(dict.fromkeys(known)) or ["1"]
    if one.filtered:
        _common_with_filtered(forgery, asked, one, other)
        return
    share = 1.0 / _distinct(forgery, one)
    for _ in range(_STEPS):
        expected = forgery.rows(asked.query)
        if is_right(expected, asked.rows):
            return
        share = min(1.0, share * asked.rows / max(expected, 1.0))
        count = max(1, min(len(values), _MOST_VALUES, math.floor(1.0 / share)))
        chosen = values[:count]
        left = listed(_figures(forgery, one), [(v, share) for v in chosen])
        right = listed(_figures(forgery, other), [(v, 1.0 / count) for v in chosen])
        if not (_write(forgery, one, left) and _write(forgery, other, right)):
            return


def _common_with_filtered(forgery: Forgery, asked: JoinAsked, one: End, other: End) -> None:
    """The filtered end keeps its list, which its scan's estimate rests on; the other end's list moves."""
    held = known_values(_figures(forgery, one), _MOST_VALUES)[:1]
    share = 0.5
    for _ in range(_STEPS):
        if not held or not _write(forgery, other, listed(_figures(forgery, other), [(held[0], share)])):
            return
        expected = forgery.rows(asked.query)
        if is_right(expected, asked.rows) or (share >= 1.0 and expected < asked.rows):
            return
        share = min(1.0, share * asked.rows / max(expected, 1.0))


def _figures(forgery: Forgery, end: End) -> Figures:
    return forgery.figures(end.relation, end.number)


def _write(forgery: Forgery, end: End, figures: Figures) -> bool:
    return forgery.write(end.relation, end.number, figures)
