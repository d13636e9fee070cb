"""Numbers as every format writes them, so that a figure reads the same wherever it stands."""

from __future__ import annotations

import math

from rowreckon.plural import noun

UNKNOWN = "unknown"
NOT_KNOWN = "not known from this plan"


def number(value: float | None) -> str:
    """Rows or a bare count: thousands separators, up to two decimals below ten; `unknown` for None."""
    if value is None:
        return UNKNOWN
    if math.isnan(value):
        return UNKNOWN
    if math.isinf(value):
        return "beyond counting"
    size = abs(value)
    if size >= 1e15:
        return f"{value:.3g}"
    if size >= 10 or float(value).is_integer():
        return f"{value:,.0f}"
    if 0 < size < 0.005:
        return "under 0.01"
    return f"{value:.2f}".rstrip("0").rstrip(".")


def count_of(value: float | None, singular: str, plural: str | None = None) -> str:
    """`1 row`, `12 rows`."""
    return noun(number(value), singular, plural)


def cost(value: float | None) -> str:
    """Planner cost units, two decimals as EXPLAIN prints them."""
    if value is None or math.isnan(value):
        return UNKNOWN
    return f"{value:,.2f}" if abs(value) < 1e15 else f"{value:.3g}"


def bounded_cost(value: float | None, low: float | None, high: float | None) -> str:
    """Planner cost units with the bounds that are known where no figure is: `at least 1,495.66`."""
    if value is not None:
        return cost(value)
    if low is not None and high is not None:
        return f"{number(low)} to {number(high)}"
    if low is not None:
        return f"at least {number(low)}"
    return f"at most {number(high)}" if high is not None else NOT_KNOWN


def milliseconds(value: float | None) -> str:
    """A duration given in milliseconds, in the unit that reads best."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if value < 10:
        return f"{value:.2f}".rstrip("0").rstrip(".") + " ms"
    if value < 10_000:
        return f"{value:,.0f} ms"
    if value < 600_000:
        return f"{value / 1000:,.1f} s"
    return f"{value / 60_000:,.1f} min"


def in_one_unit(value: float, beside: float) -> str:
    """A duration in the unit in which the longer one `beside` it reads best, so that both compare at a glance."""
    if beside >= 600_000:
        return f"{value / 60_000:,.1f} min"
    return f"{value / 1000:,.1f} s" if beside >= 10_000 else milliseconds(value)


def share(part: float, whole: float) -> str:
    """`part` of `whole` as a percentage; never 0% for something or 100% for less than all."""
    if whole <= 0:
        return UNKNOWN
    percent = min(100.0, max(0.0, 100 * part / whole))
    if 0 < percent < 1:
        return "under 1%"
    if 99 < percent < 100:
        return "over 99%"
    return f"{percent:.0f}%"


def times(factor: float | None) -> str:
    """A factor: `1.4 times`, `38 times`."""
    if factor is None or not math.isfinite(factor):
        return UNKNOWN
    if factor < 2:
        return f"{factor:.2f}".rstrip("0").rstrip(".") + " times"
    if factor < 10:
        return f"{factor:.1f}".removesuffix(".0") + " times"
    return f"{number(round(factor))} times"


def orders(q_error: float) -> str:
    """A q-error of at least 10 in orders of magnitude: `3.6 orders`."""
    return f"{math.log10(max(q_error, 1.0)):.1f} orders"


def around(value: float | None, low: float | None, high: float | None) -> str:
    """A figure with the interval that printing or the evidence leaves, as short as honesty permits."""
    if low is None or high is None or low >= high:
        return number(value)
    if number(low) == number(high):
        return number(low)
    if high <= max(low, 1.0) * 1.02:
        return f"about {number(value if value is not None else (low + high) / 2)}"
    if low <= 0:
        return f"at most {number(high)}"
    if value is None:
        return f"{number(low)} to {number(high)}"
    return f"about {number(value)} ({number(low)} to {number(high)})"


def listed(items: list[str], limit: int = 4) -> str:
    """`a`, `a and b`, `a, b and c`; past `limit` the rest is counted."""
    if len(items) > limit:
        items = [*items[: limit - 1], f"{len(items) - limit + 1} more"]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def capitalised(sentence: str) -> str:
    """The sentence with its first letter large, for where it stands alone; a name like `batch_no` is left as it is."""
    first = sentence.split(" ", 1)[0].rstrip(",:;'s")
    return sentence[:1].upper() + sentence[1:] if first.replace("-", "").isalpha() or len(first) < 2 else sentence
