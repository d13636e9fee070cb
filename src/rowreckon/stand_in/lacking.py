"""What a stand-in can't be given, seen from its facts alone: each may be why it plans otherwise."""

from __future__ import annotations

from collections.abc import Iterator

from .facts import StandInFacts, heights_of, own_functions, types_there
from .tables import unknown_type

_RANGES_FROM = 17
"""The first release whose pg_stats shows the statistics of ranges."""
_KINDS = ("range", "multirange")
_RANGES = frozenset(f"{of}{kind}" for of in ("int4", "int8", "num", "ts", "tstz", "date") for kind in _KINDS)


def lacking(facts: StandInFacts) -> Iterator[str]:
    """Parts of sentences, each about one thing."""
    if not facts.with_values:
        yield "sampled values were left out, so estimates of conditions are rough"
    yield from _of_relations(facts)
    yield from _of_rights(facts)
    heights = heights_of(facts)
    counted = {each.index for each in facts.gin_counters}
    for index in facts.indexes:
        if index.method == "gin" and index.pages and index.oid not in counted:
            yield f"only who may read the server's files sees the counters of the GIN index {index.name}"
        elif index.method == "btree" and index.usable and index.pages and index.oid not in heights:
            yield f"the height of the index {index.name} is not known"
    for function in own_functions(facts):
        if function.language == "sql" or function.support:
            yield f"the function {function.name} is a stub, and the planner may look into the source's"
    if len(page_costs(facts)) > 1:
        yield "the source has tablespaces with page costs of their own"


def _of_relations(facts: StandInFacts) -> Iterator[str]:
    names = {relation.oid: relation.name for relation in facts.relations}
    types = types_there(facts)
    foreign = {each.relation: each for each in facts.foreign}
    unknown = {each.relation for each in facts.foreign if each.wrapper == "file_fdw" and not each.of_a_program}
    unknown -= {each.relation for each in facts.foreign_files}
    ruled = {each.relation for each in facts.rights}
    for relation in facts.relations:
        if relation.row_security and relation.oid not in ruled:
            yield f"row security of {relation.name} is not in the facts"
        if relation.kind == "f" and relation.oid not in foreign:
            yield f"{relation.name} is a foreign table whose wrapper is not here, and only that knows what it costs"
        elif relation.oid in unknown:
            yield f"the length of the file behind the foreign table {relation.name} is not known"
        if relation.own_storage:
            yield f"{relation.name} is stored in a way of its own"
    unseen = {(each.relation, each.number) for each in facts.statistics if facts.server.major < _RANGES_FROM}
    unseen -= {(each.relation, each.number) for each in facts.range_statistics}
    for column in facts.columns:
        if column.dropped:
            continue
        if unknown_type(column.type, types):
            yield f"the type of {names.get(column.relation)}.{column.name} is not here: it stands as text"
        elif column.type in _RANGES and (column.relation, column.number) in unseen:
            yield f"only a superuser sees the statistics of ranges in {column.name} before PostgreSQL {_RANGES_FROM}"


def _of_rights(facts: StandInFacts) -> Iterator[str]:
    """What the role that read the facts may have had no right to see."""
    told = {each.relation for each in facts.statistics}
    for relation in facts.relations:
        if relation.kind in ("r", "m") and relation.reltuples > 0 and relation.oid not in told:
            yield f"{relation.name} has no statistics, or the role that was asked may not see them"
    ends = {(each.relation, each.number) for each in facts.ends}
    numbers = {(column.relation, column.name): column.number for column in facts.columns if not column.dropped}
    for index in facts.indexes if facts.with_values else ():
        leading = index.method == "btree" and index.usable and not index.partial and 1 not in index.expressions
        number = numbers.get((index.relation, index.keys[0])) if leading and index.keys else None
        if number is not None and index.reltuples > 0 and (index.relation, number) not in ends:
            yield f"the ends of the column {index.keys[0]} that leads {index.name} are not known"


def page_costs(facts: StandInFacts) -> set[tuple[tuple[str, float], ...]]:
    """The page costs of the tablespaces that relations and indexes lie in; one set where they are all alike."""
    found: set[tuple[tuple[str, float], ...]] = set()
    given = [relation.page_costs for relation in facts.relations if relation.pages]
    given += [index.page_costs for index in facts.indexes if index.pages]
    for options in given:
        costs: list[tuple[str, float]] = []
        for name, value in sorted((options or {}).items()):
            try:
                cost = float(value)
            except ValueError:
                continue
            if name in ("seq_page_cost", "random_page_cost") and 0 <= cost < 1e100:
                costs.append((name, cost))
        found.add(tuple(costs))
    return found
