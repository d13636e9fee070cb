"""Where and when plans were captured, and which version of the tool read them: the first screen of every report."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rowreckon.document.audit import Plan
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.numbers import listed

_ISO = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)(?::\d\d(?:\.\d+)?)?\s*(Z|UTC|[+-]\d\d(?::?\d\d)?)?$")
_LISTED = 3


def facts_words(plans: Sequence[Plan], tool_version: str) -> list[str]:
    """`PostgreSQL 18.6`, `database huts`, `at 2026-11-25 08:38 UTC`, `rowreckon 0.1.0`, each as far as it is known."""
    return [*captured_words(plans), f"rowreckon {clean(tool_version)}"]


def captured_words(plans: Sequence[Plan]) -> list[str]:
    """`PostgreSQL 18.6`, `database huts`, `at 2026-11-25 08:38 UTC`, each as far as it is known; of plans that do not
    tell when they were captured, when the server's facts were read."""
    facts = []
    releases = sorted({plan.server_version for plan in plans if plan.server_version is not None})
    if releases:
        everywhere = all(plan.server_version is not None for plan in plans)
        told = "" if everywhere else " where the plan tells it"
        facts.append(f"PostgreSQL {listed([_release(number) for number in releases], _LISTED)}{told}")
    databases = sorted({plan.session.database for plan in plans if plan.session is not None and plan.session.database})
    if databases:
        word = "database" if len(databases) == 1 else "databases"
        facts.append(f"{word} {listed([quote(name, 60) for name in databases], _LISTED)}")
    moments = sorted({moment(plan.captured_at) for plan in plans if plan.captured_at})
    if len(moments) == 1:
        facts.append(f"at {quote(moments[0], 40)}")
    elif moments:
        facts.append(f"from {quote(moments[0], 40)} to {quote(moments[-1], 40)}")
    if not moments:
        read = sorted({moment(plan.facts_read_at) for plan in plans if plan.facts_read_at})
        facts += [f"facts of {quote(read[-1], 40)}"] if read else []
    return facts


def _release(number: int) -> str:
    major, minor = divmod(number, 10000)
    # Most captures tell the release only; its minor version 0 is then a gap, not a fact.
    return f"{major}.{minor}" if minor else str(major or number)


def moment(text: str) -> str:
    """An ISO moment to the minute; any other text as it is."""
    found = _ISO.match(text)
    if found is None:
        return text
    zone = found.group(3)
    return (
        f"{found.group(1)} {found.group(2)}{' UTC' if zone in ('Z', 'UTC', '+00:00') else f' {zone}' if zone else ''}"
    )
