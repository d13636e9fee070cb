"""How a trial's copies are named and marked, so that one that was left behind is told from everything else.

Apart from its name a copy carries a comment for people, a connection limit that follows from its name, and for as long
as its trial runs an advisory lock that any session on the server can see.  The limit is there from the first moment,
which a comment is not: a trial that is killed right after CREATE DATABASE leaves a copy that is known all the same.
"""

from __future__ import annotations

import re
import secrets

PREFIX = "rowreckon_trial_"
COMMENT = "rowreckon: a copy of {source} for a trial, made {when}; nobody needs it once the trial is over"
LOCK_CLASS = 0x72723A74
"""First key of the advisory lock: the same for all copies."""

_LEAST_LIMIT = 1_000_000_000

_NAME = re.compile(re.escape(PREFIX) + r"([0-9a-f]{12})")


def new_name() -> str:
    """A name that no other copy has."""
    return PREFIX + secrets.token_hex(6)


def lock_key(name: str) -> int | None:
    """Second key of a copy's advisory lock (a positive int4); None for what is no copy's name."""
    found = _NAME.fullmatch(name)
    return int(found.group(1)[:8], 16) & 0x7FFFFFFF if found else None


def limit_of(name: str) -> int | None:
    """The connection limit that marks a copy: a number of its name's own, too large to limit anything; None for what is
    no copy's name."""
    key = lock_key(name)
    return None if key is None else _LEAST_LIMIT + key % _LEAST_LIMIT


def is_marked(comment: str | None) -> bool:
    """Whether a comment is a copy's."""
    return comment is not None and comment.startswith(COMMENT.split("{", 1)[0])
