"""Commands that a report tells to run, as they are typed."""

from __future__ import annotations

import re
import shlex

_FIRST_WORDS = ("rowreckon", "psql", "#", "--")
_FILE = re.compile(r"[\w./-]+\.(?:json|txt|yaml|yml|xml|log|sql)")


def is_command(how: str) -> bool:
    """Whether a text begins as a command of a shell or of SQL, and not as a sentence."""
    first = how.split(maxsplit=1)[0] if how.strip() else ""
    return first in _FIRST_WORDS or (len(first) > 1 and first.isupper())


def for_plan(how: str, source: str) -> str:
    """The command with the name of the plan's file in place of PLAN, where the plan came from a file."""
    named = source.partition("#")[0]
    return re.sub(r"\bPLAN\b", lambda _: shlex.quote(named), how) if _FILE.fullmatch(named) else how
