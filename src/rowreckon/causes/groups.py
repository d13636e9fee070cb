"""What several causes ask of a grouping: was the default number of groups taken, is it the number that is off?"""

from __future__ import annotations

from rowreckon.causes.defaults import DISTINCT
from rowreckon.causes.site import Site


def near_default(site: Site) -> bool:
    """Whether 200 groups were expected, the printed number being rounded after a HAVING condition's share."""
    if not site.own:
        return site.groups_expected == DISTINCT
    half = 0.5 * site.groups_expected / max(site.estimate / site.executions, 0.5)
    return abs(site.groups_expected - DISTINCT) <= half


def number_is_off(site: Site) -> bool:
    """Whether the groups themselves were misestimated, rather than the share that a HAVING condition keeps."""
    expected, came = max(site.groups_expected, 1.0), max(site.groups_came, 1.0)
    return max(expected / came, came / expected) >= 2
