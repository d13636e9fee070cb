"""Which of a source's functions the planner may look into for a query: SQL bodies that it inlines, support functions.

A stand-in has stubs in their places, so its plan of such a query says nothing unless it is the captured one.
Sources: src/backend/optimizer/util/clauses.c, inline_function and inline_set_returning_function; supportnodes.h.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from .facts import StandInFacts, own_functions
from .mentioned import mentioned

STUB_CALLED: Final = "a stub was called"
"""What a stub says when the planner runs it."""


def looked_into(query: str, facts: StandInFacts) -> tuple[str, ...]:
    """Names of such functions that the query calls: itself, in a view, or in what belongs to the tables that it reads.

    A name counts whatever its schema and arguments are: one too many does no harm.
    """
    hidden = {each.name for each in own_functions(facts) if each.language == "sql" or each.support}
    if not hidden:
        return ()
    texts = _texts_by_name(facts)
    found: set[str] = set()
    read: set[str] = set()
    waiting = [query]
    while waiting:
        relations, functions = mentioned(waiting.pop())
        found |= functions & hidden
        for name in {name for _, name in relations} - read:
            read.add(name)
            waiting += texts.get(name, ())
    return tuple(sorted(found))


def not_comparable(functions: Sequence[str]) -> str:
    """The sentence on a query for which the planner looks into these functions."""
    return f"not comparable: the planner looks into {', '.join(functions)}, and a stand-in has no function's body"


def _texts_by_name(facts: StandInFacts) -> dict[str, list[str]]:
    """Statements made of all expressions that belong to a relation of this name; a child's count for its parent too."""
    names = {relation.oid: relation.name for relation in facts.relations}
    found: dict[str, list[str]] = {name: [] for name in names.values()}
    for owner, text in _texts(facts):
        if owner in names:
            found[names[owner]].append(text)
    for relation in facts.relations:
        for parent in relation.parents:
            if parent in names:
                found[names[parent]].append(f'SELECT FROM "{relation.name.replace(chr(34), chr(34) * 2)}"')
    return found


def _texts(facts: StandInFacts) -> Iterator[tuple[int, str]]:
    for relation in facts.relations:
        yield from _those(relation.oid, [relation.view])
        if relation.partition_key is not None:
            yield relation.oid, f"CREATE TABLE t () PARTITION BY {relation.partition_key}"
    for index in facts.indexes:
        yield index.relation, index.definition
    for check in facts.constraints:
        if check.definition is not None:
            yield check.relation, f"ALTER TABLE t ADD {check.definition}"
    for known in facts.extended:
        yield known.relation, known.definition
    for column in facts.columns:
        yield from _those(column.relation, _selected([column.expression]))
    for rule in facts.policies:
        yield from _those(rule.relation, _selected([rule.using, rule.check]))


def _selected(expressions: Iterable[str | None]) -> Iterator[str | None]:
    return (f"SELECT {text}" if text is not None else None for text in expressions)


def _those(relation: int, texts: Iterable[str | None]) -> Iterator[tuple[int, str]]:
    return ((relation, text) for text in texts if text is not None)
