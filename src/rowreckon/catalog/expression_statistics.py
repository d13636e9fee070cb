"""Statistics of an expression over one relation, as examine_variable in utils/adt/selfuncs.c looks for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.plan.condition_text import bare_expression

if TYPE_CHECKING:  # their models take longer to make than a plan takes to read, and most plans come without facts
    from .columns import ColumnStatistics
    from .facts import Relation
    from .indexes import IndexKey


def expression_statistics(relation: Relation, text: str) -> ColumnStatistics | None:
    """Those kept under an index on the expression, else under a statistics object; None where there are none.

    `text` is spelled as `bare_expression` does.
    """
    for index in relation.indexes:
        for key in index.keys:
            if key.statistics is not None and is_key(key, text):
                return key.statistics
    kept = (e for s in relation.extended_statistics for e in s.expression_statistics)
    return next((e.statistics for e in kept if bare_expression(e.expression) == text), None)


def is_key(key: IndexKey, text: str) -> bool:
    """Whether an index's key is this expression."""
    return key.expression is not None and bare_expression(key.expression) == text
