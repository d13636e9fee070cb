"""A figure and its noun, which agree."""

from __future__ import annotations


def noun(figure: str, singular: str, plural: str | None = None) -> str:
    """`1 row`, `12 rows`, `1.3 rows`, `at least 1 row`: the noun goes by the figure as it is shown.

    `plural` is given where it is more than an s.
    """
    return f"{figure} {agreeing(figure, singular, plural)}"


def agreeing(figure: str, singular: str, plural: str | None = None) -> str:
    """The noun or verb alone, where something stands between it and its figure: `row` or `rows`, `was` or `were`."""
    return singular if figure.rpartition(" ")[2] == "1" else plural or f"{singular}s"


def counted(value: float, singular: str, plural: str | None = None) -> str:
    """A whole number with thousands separators, and its noun."""
    return noun(f"{value:,.0f}", singular, plural)
