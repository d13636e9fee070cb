"""Sentences that several causes share."""

from __future__ import annotations

from rowreckon.causes.site import Site
from rowreckon.plural import agreeing, noun


def count(rows: float) -> str:
    """A row count for a sentence: whole rows with thousands separators."""
    return f"{rows:,.0f}" if rows >= 1 or rows == 0 else f"{rows:.2g}"


def rows(number: float) -> str:
    """A row count with its noun."""
    return noun(count(number), "row")


def rows_sentence(site: Site) -> str:
    """What was expected and what came at the site: in one process where each read it whole, else in total."""
    processes = site.in_each_of or 1
    expected = count(site.estimate / processes)
    each = f" in each of {processes} processes" if site.in_each_of else ""
    came = f"{count(site.actual / processes)} came{each}"
    return f"{noun(expected, 'row')} {agreeing(expected, 'was', 'were')} expected, {came}."


def share(fraction: float) -> str:
    """A share of a table in percent."""
    return f"{100 * fraction:.3g}%"


def listed(names: tuple[str, ...]) -> str:
    """Names as a list for a sentence."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
