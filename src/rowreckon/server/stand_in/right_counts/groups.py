"""Making the number of a subquery's groups right: by the distinct values of the columns that it groups by."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rowreckon.server.stand_in.forging import Forgery
from rowreckon.stand_in.facts import SourceRelation

from .scans import is_right

_STEPS: Final = 8


def fit_groups(forgery: Forgery, query: str, rows: float, columns: Sequence[tuple[SourceRelation, int]]) -> str | None:
    """Make the estimate of groups right; why that can't be done, in a part of a sentence, or None where it is.

    One column gets as many distinct values as there are groups, the others one each.
    """
    if is_right(forgery.rows(query), rows):
        return None
    if not columns:
        return "it is not grouped by columns of tables"
    for relation, number in columns[1:]:
        _set_distinct(forgery, relation, number, 1.0)
    relation, number = columns[0]
    distinct = max(rows, 1.0)
    for _ in range(_STEPS):
        _set_distinct(forgery, relation, number, distinct)
        expected = forgery.rows(query)
        if is_right(expected, rows):
            return None
        distinct = max(1.0, distinct * rows / max(expected, 1.0))
    return "its number of groups does not follow the distinct values of its columns"


def _set_distinct(forgery: Forgery, relation: SourceRelation, number: int, distinct: float) -> None:
    figures = forgery.figures(relation, number)
    forgery.write(
        relation,
        number,
        figures.model_copy(update={"distinct": float(round(distinct)), "common": None, "common_freqs": None}),
    )
