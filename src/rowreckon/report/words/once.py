"""What is asked of one plan again and again is worked out once, and forgotten with the plan."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeVar
from weakref import ref

from rowreckon.document.audit import Plan

T = TypeVar("T")


def once_a_plan(work: Callable[[Plan], T]) -> Callable[[Plan], T]:
    """A function of a plan that remembers its results; plans are frozen, so that the same one gives the same.

    A copy of a plan with other values is another plan. What is remembered must not hold the plan itself.
    """
    kept: dict[int, tuple[ref[Plan], T]] = {}

    @wraps(work)
    def asked(plan: Plan) -> T:
        key = id(plan)
        known = kept.get(key)
        if known is not None and known[0]() is plan:
            return known[1]
        value = work(plan)
        kept[key] = (ref(plan, lambda _: kept.pop(key, None)), value)
        return value

    return asked
