"""The objects that a stored expression or rule refers to, read from the server's own form of it (pg_node_tree).

That form names every function, operator, type and relation by OID, so nothing is looked up by name again.  Every number
from 16384 on is taken for an OID of whatever kind: more objects may be judged than are meant, never fewer.
"""

from __future__ import annotations

from typing import Final, NamedTuple

FIRST_OWN: Final = 16384
"""The first OID of objects that are not PostgreSQL's own (FirstNormalObjectId)."""
_PLACES: Final = (":location", ":stmt_location", ":stmt_len", ":list_start", ":list_end")


class Referred(NamedTuple):
    """`functions` are called as functions, PostgreSQL's own among them; `objects` are all others, of unknown kind;
    `made` are those of them that, if types, values are turned into."""

    functions: frozenset[int]
    objects: frozenset[int]
    made: frozenset[int]


def referred(tree: str | None) -> Referred:
    """What a pg_node_tree's text refers to."""
    functions: set[int] = set()
    objects: set[int] = set()
    made: set[int] = set()
    key = ""
    for word in (tree or "").split():
        if word.startswith(":"):
            key = word.lower()
            continue
        digits = word.strip("()[]{}<>")
        if not digits.isdigit() or not digits.isascii() or key in _PLACES:
            continue
        number = int(digits)
        if number and ("func" in key or "fnoid" in key or "handler" in key):
            functions.add(number)
        if FIRST_OWN <= number < 2**32:
            objects.add(number)
            if key.endswith(("resulttype", "typeid", "typid")):
                made.add(number)
    return Referred(frozenset(functions), frozenset(objects), frozenset(made))
