"""Values at which a plan may change although a column's statistics say nothing of them: those that definitions name.

Bounds of partitions, predicates of partial indexes, checks, and the combinations that statistics objects hold.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Final

from rowreckon.frozen import frozen
from rowreckon.stand_in.facts import StandInFacts

from .kinds import Kind, Value
from .places import literal_value

_MOST_TEXTS: Final = 2_000
"""Most definitions that are looked through: a partitioned table may have thousands of partitions; no source."""


@frozen
class Breaks:
    """What definitions name: `values` of the kind, and whether a value decides by a hash, which nothing foretells."""

    values: tuple[Value, ...]
    hashed: bool


def breaks_of(facts: StandInFacts, keys: Sequence[tuple[int, int]], relations: Sequence[int], kind: Kind) -> Breaks:
    """The values that the definitions of these tables (OIDs) name; `keys` are the columns in question."""
    names = {(c.relation, c.number): c.name for c in facts.columns}
    columns = {names[key] for key in keys if key in names}
    keyed = [r.partition_key or "" for r in facts.relations if r.oid in relations and r.kind == "p"]
    hashed = any(key.upper().startswith("HASH") and _names_any(key, columns) for key in keyed)
    by_key = any(_names_any(key, columns) for key in keyed)
    texts = islice(_texts(facts, relations, with_bounds=by_key), _MOST_TEXTS)
    found = [value for text in texts if by_key or _names_any(text, columns) for value in _values(text, kind)]
    found += [value for text in _combined(facts, relations, columns) if (value := kind.read(text)) is not None]
    return Breaks(tuple(dict.fromkeys(found)), hashed)


def _texts(facts: StandInFacts, relations: Sequence[int], *, with_bounds: bool) -> Iterator[str]:
    there = frozenset(relations)
    yield from (c.definition for c in facts.constraints if c.relation in there and c.type == "c" and c.definition)
    yield from (i.definition for i in facts.indexes if i.relation in there and i.partial)
    if with_bounds:
        yield from (r.bound for r in facts.relations if r.oid in there and r.bound)


def _combined(facts: StandInFacts, relations: Sequence[int], columns: set[str]) -> Iterator[str]:
    """Each value that stands in a combination of common values, of whichever of its columns."""
    objects = {e.oid for e in facts.extended if e.relation in relations and _names_any(e.definition, columns)}
    for data in facts.extended_data:
        if data.object in objects:
            yield from (text for row in data.common or () for text in row if text is not None)


def _names_any(text: str, names: set[str]) -> bool:
    from rowreckon.sql.grammar import NotSql, scan

    try:
        words = {token.text.strip('"').replace('""', '"') for token in scan(text) if token.kind in ("word", "name")}
    except NotSql:
        return True
    return bool(words & names)


def _values(text: str, kind: Kind) -> Iterator[Value]:
    """Each literal of a definition, as far as it is of the kind."""
    from rowreckon.sql.grammar import NotSql, parse, scan

    try:
        literals = [token.text for token in scan(text) if token.kind in ("string", "number")]
        for literal in literals:
            read = literal_value(parse(f"SELECT {literal}").stmts[0].stmt.select_stmt.target_list[0].res_target.val)
            value = kind.read(read) if read is not None else None
            if value is not None:
                yield value
    except NotSql:
        return
