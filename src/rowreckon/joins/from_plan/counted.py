"""What a side's rows tell of how many different keys it has, and of the key's frequencies."""

from __future__ import annotations

from typing import NamedTuple

from rowreckon.joins.facts.clauses import JoinClause
from rowreckon.joins.facts.inputs import KeyInput


class Counted(NamedTuple):
    """A side's rows, and where it is one relation of known size its tuples (else 0).

    `per_value` is how many tuples share a key, `matches` how many rows a semijoin's outer row finds if it finds any,
    where the plan tells, else None. `came` are the rows that came where nothing tells of the relation that has the key:
    its distinct values are known by the side's own rows alone, and grow with them.
    """

    rows: float
    tuples: float
    per_value: float | None
    matches: float | None = None
    came: float | None = None

    def distinct(self, values: float) -> float:
        """Distinct keys among the tuples, at most `values`."""
        whole = max(self.tuples, self.rows)
        per_value = self.per_value if self.per_value is not None else whole / min(values, whole)
        return max(whole / max(per_value, 1.0), 1.0)


def key_input(clause: JoinClause, inner: bool, side: Counted, ndistinct: float, fuller: float) -> KeyInput:
    """A key. Its most frequent value is `fuller` times as frequent as the average one; 0 where none is known."""
    share = ndistinct / side.rows if side.came is not None and side.rows else None
    known = side.rows if side.tuples or share is not None else 0.0
    return KeyInput(
        alias=clause.inner_alias if inner else clause.outer_alias,
        text=(clause.inner_text if inner else clause.outer_text) or clause.text,
        column=None,
        ndistinct=ndistinct,
        mcv_freq=min(fuller / max(ndistinct, (share or 0.0) * (side.came or 0.0)), 1.0),
        relation_rows=known,
        relation_tuples=max(side.tuples, known),
        relation_actual=side.came,
        share=share,
    )
