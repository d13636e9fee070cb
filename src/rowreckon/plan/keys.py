"""How a field's name becomes PostgreSQL's key, and what values a key may have.

EXPLAIN's keys are Title Case words; the exceptions are abbreviations, and a few keys with a hyphen or a slash.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Final

_ABBREVIATIONS = {
    "io": "I/O",
    "wal": "WAL",
    "fpi": "FPI",
    "tid": "TID",
    "cte": "CTE",
    "jit": "JIT",
    "sql": "SQL",
    "hashagg": "HashAgg",
}

_WHOLE_KEYS = {
    "full_sort_groups": "Full-sort Groups",
    "pre_sorted_groups": "Pre-sorted Groups",
    "one_time_filter": "One-Time Filter",
    "rows_removed_by_filter": "Rows Removed by Filter",
    "rows_removed_by_join_filter": "Rows Removed by Join Filter",
    "rows_removed_by_index_recheck": "Rows Removed by Index Recheck",
    "rows_removed_by_conflict_filter": "Rows Removed by Conflict Filter",
    "schema_name": "Schema",
}


def explain_key(field: str) -> str:
    """PostgreSQL's key for a field name: `shared_hit_blocks` is "Shared Hit Blocks"."""
    whole = _WHOLE_KEYS.get(field)
    if whole is not None:
        return whole
    return " ".join([_ABBREVIATIONS.get(word, word.capitalize()) for word in field.split("_")])


MOST: Final = 10**100
"""No number of a plan is larger: the planner clamps its row estimates there (clamp_row_est, from 14 on), and the
product of any three still has a place among the floats."""

LEAST: Final = 1e-9
"""No number of a plan is nearer to 0 without being 0: PostgreSQL prints three decimals at most. So the quotient of any
two has a place among the floats."""

_NEVER: Final = float("inf")
_MOST_OF_64_BITS: Final = 2**63 - 1


class Wrong(ValueError):
    """A value that PostgreSQL never prints: the keys that lead to it, what is wrong with it, and the value."""

    def __init__(self, steps: tuple[str, ...], problem: str, value: object) -> None:
        super().__init__(problem)
        self.steps = steps
        self.problem = problem
        self.value = value

    @property
    def out_of_bounds(self) -> bool:
        """Whether it is a number, as it has to be, but one that no plan holds."""
        return self.problem not in (MISSING, WRONG_TYPE)


MISSING: Final = "missing"
WRONG_TYPE: Final = "wrong type"
TOO_SMALL: Final = "too small"
TOO_LARGE: Final = "too large"
NOT_FINITE: Final = "not finite"


class Kind:
    """What a key's value may be; this one takes any value as it is.

    The first four attributes let a reader accept nearly every value by a comparison or two: values of type `plain`,
    whole numbers of 64 bits from `least` on, decimals from `nearest` on, and 0.0 where `zero` says so.
    """

    plain: type = type(None)
    least: float = _NEVER
    nearest: float = _NEVER
    zero: bool = False

    def taken(self, value: Any) -> Any:
        """The value as it is kept. Raises Wrong."""
        wrong = next(self.wrongs(value, ()), None)
        if wrong is not None:
            raise wrong
        return self.kept(value)

    def kept(self, value: Any) -> Any:
        """A value with which nothing is wrong, as it is kept."""
        return value

    def wrongs(self, value: Any, steps: tuple[str, ...]) -> Iterator[Wrong]:
        """Everything that is wrong with a value, which stands at these keys."""
        return iter(())


class OfType(Kind):
    """A value of one type of JSON, or absent."""

    def __init__(self, plain: type, *, required: bool = False) -> None:
        self.plain = plain
        self.required = required

    def wrongs(self, value: Any, steps: tuple[str, ...]) -> Iterator[Wrong]:
        """Another type."""
        if type(value) is not self.plain and (value is not None or self.required):
            yield Wrong(steps, WRONG_TYPE, value)


class ANumber(Kind):
    """A number within bounds; an int stays an int and a decimal a decimal, so that a document can be rebuilt."""

    def __init__(self, least: int, nearest: float, *, required: bool = False) -> None:
        self.least = least
        self.nearest = nearest
        self.zero = True
        self.required = required
        if required:
            self.plain = Kind  # which no value is: every value goes through the comparisons

    def wrongs(self, value: Any, steps: tuple[str, ...]) -> Iterator[Wrong]:
        """Another type, or a number out of bounds."""
        kind = type(value)
        if value is None and not self.required:
            return
        if kind is not int and kind is not float:
            yield Wrong(steps, WRONG_TYPE, value)
        elif value != value or value in (_NEVER, -_NEVER):
            yield Wrong(steps, NOT_FINITE, value)
        elif value > MOST:
            yield Wrong(steps, TOO_LARGE, value)
        elif value != 0 and value < (self.nearest if kind is float else self._least_whole()):
            yield Wrong(steps, TOO_SMALL, value)

    def _least_whole(self) -> int:
        return 0 if self.least == 0 else -MOST


class Texts(Kind):
    """A list of texts, kept as a tuple, in lists of lists where `levels` says so; or absent."""

    def __init__(self, levels: int = 1) -> None:
        self.levels = levels

    def kept(self, value: Any) -> Any:
        """As a tuple, of tuples if need be."""
        return None if value is None else self._tuples(value, self.levels)

    def _tuples(self, value: Any, levels: int) -> Any:
        return tuple(value) if levels == 1 else tuple([self._tuples(item, levels - 1) for item in value])

    def wrongs(self, value: Any, steps: tuple[str, ...]) -> Iterator[Wrong]:
        """No list, or something that is no text in it."""
        return iter(()) if value is None else self._wrongs(value, steps, self.levels)

    def _wrongs(self, value: Any, steps: tuple[str, ...], levels: int) -> Iterator[Wrong]:
        if not isinstance(value, list | tuple):
            yield Wrong(steps, WRONG_TYPE, value)
            return
        for number, item in enumerate(value):
            place = (*steps, str(number))
            if levels > 1:
                yield from self._wrongs(item, place, levels - 1)
            elif type(item) is not str:
                yield Wrong(place, WRONG_TYPE, item)


class AnObject(Kind):
    """An object of whatever keys, its values texts where `texts` says so; or absent."""

    def __init__(self, *, texts: bool = False) -> None:
        self.texts = texts

    def wrongs(self, value: Any, steps: tuple[str, ...]) -> Iterator[Wrong]:
        """No object, or something that is no text in it."""
        if value is None:
            return
        if not isinstance(value, dict):
            yield Wrong(steps, WRONG_TYPE, value)
        elif self.texts:
            yield from (Wrong((*steps, key), WRONG_TYPE, v) for key, v in value.items() if type(v) is not str)


Number = Annotated[int | float, ANumber(0, LEAST, required=True)]
"""A count, a time in ms, a size or a planner cost: never negative, never NaN."""
Text = Annotated[str, OfType(str, required=True)]

# A key that is absent reads as None.
MaybeNumber = Annotated[int | float | None, ANumber(0, LEAST)]
MaybeLoops = Annotated[int | float | None, ANumber(0, 1.0)]
"""How often a node ran: never, or at least once. Nothing is divided by less than one."""
MaybeSigned = Annotated[int | float | None, ANumber(-_MOST_OF_64_BITS - 1, -float(MOST))]
"""A number that PostgreSQL may print below zero."""
MaybeText = Annotated[str | None, OfType(str)]
MaybeFlag = Annotated[bool | None, OfType(bool)]
MaybeTexts = Annotated[tuple[str, ...] | None, Texts()]
MaybeTextLists = Annotated[tuple[tuple[str, ...], ...] | None, Texts(levels=2)]
MaybeTextsByName = Annotated[dict[str, str] | None, AnObject(texts=True)]
MaybeObject = Annotated[dict[str, Any] | None, AnObject()]
AS_IT_IS: Final = Kind()
"""A value that was checked where it was made."""
