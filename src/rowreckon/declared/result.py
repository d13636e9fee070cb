"""From the schema that the files leave to frozen facts of the relations that somebody asks for."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any

from pydantic import ValidationError

from rowreckon.catalog.columns import ColumnStatistics

from .facts import (
    Declared,
    DeclaredColumn,
    DeclaredForeignKey,
    DeclaredFunction,
    DeclaredIndex,
    DeclaredKey,
    DeclaredRelation,
    DeclaredStatistics,
)
from .reading import SchemaFiles
from .schema import Schema
from .trees import copied, is_on, rename_columns, text_of
from .working import Column, Function, Index, Key, StatisticsObject, Table, Uses

_MOST_RELATIVES = 1_000
"""Partitions and parents that are told of beside the relations asked for (common practice, no source)."""


def declared_of(files: SchemaFiles, names: Collection[str], functions: Collection[str] = ()) -> Declared:
    """The facts of all relations with these names, of their partitions and parents, and of functions by name."""
    schema = files.schema
    wanted: dict[int, Table] = {}
    for table in schema.tables.values():
        if table.name in names:
            _with_relatives(table, wanted)
    relations = (_relation(schema, table) for table in wanted.values())
    made = [_function(f) for (_, name), all_ in schema.functions.items() if name in functions for f in all_.values()]
    return Declared(
        files=tuple(files.files),
        relations=tuple(sorted((r for r in relations if r is not None), key=lambda r: (r.schema_, r.name))),
        functions=tuple(sorted(made, key=lambda f: (f.schema_, f.name, f.arguments))),
    )


def _with_relatives(table: Table, wanted: dict[int, Table]) -> None:
    waiting = [table]
    while waiting and len(wanted) < _MOST_RELATIVES:
        here = waiting.pop()
        if id(here) in wanted:
            continue
        wanted[id(here)] = here
        waiting += [*here.parents, *here.children.values()]


def _relation(schema: Schema, table: Table) -> DeclaredRelation | None:
    """One relation; None where a value of it is none that a server has."""
    doubtful = _doubtful(schema, table)
    options = table.options
    try:
        return DeclaredRelation(
            schema_=table.schema,
            name=table.name,
            kind=table.kind,
            persistence=table.persistence,
            whole=table.whole and not doubtful,
            columns_whole=table.columns_whole and not doubtful,
            columns=tuple(_column(c) for c in table.columns.values()),
            indexes=tuple(_index(i) for _, i in sorted(table.indexes.items())),
            statistics_objects=tuple(_statistics(s) for _, s in sorted(table.statistics.items())),
            foreign_keys=tuple(
                DeclaredForeignKey(
                    name=k.name,
                    columns=tuple(k.columns),
                    referenced_schema=k.referenced[0],
                    referenced_name=k.referenced[1],
                    referenced_columns=tuple(k.referenced_columns or ()),
                    validated=k.validated,
                )
                for _, k in sorted(table.foreign_keys.items())
            ),
            parents=tuple(_qualified(p) for p in table.parents),
            is_partition=table.is_partition,
            children=tuple(_qualified(c) for c in list(table.children.values())[:_MOST_RELATIVES]),
            partition_strategy=table.partition_strategy,
            partition_columns=tuple(table.partition_columns),
            fillfactor=_whole(options.get("fillfactor"), 10, 100),
            parallel_workers=_whole(options.get("parallel_workers"), 0, 1024),
            autovacuum_enabled=is_on(options["autovacuum_enabled"]) if "autovacuum_enabled" in options else None,
            row_security=table.row_security,
            relpages=table.relpages,
            reltuples=table.reltuples,
            relallvisible=table.relallvisible,
            place=table.place,
        )
    except ValidationError:
        return None


def _doubtful(schema: Schema, table: Table) -> bool:
    """Whether something unread may have changed a table, its indexes, or a table that it is a part of."""
    if (
        schema.all_doubted
        or schema.budget.left < 0
        or table.name in schema.doubted
        or not schema.doubted.isdisjoint(table.indexes)
    ):
        return True
    return any(_doubtful(schema, parent) for parent in table.parents[:1])


def _column(column: Column) -> DeclaredColumn:
    options = column.options or {}
    return DeclaredColumn(
        name=column.name,
        type=column.type,
        not_null=column.not_null,
        statistics_target=column.statistics_target,
        n_distinct_override=_number(options.get("n_distinct")),
        n_distinct_inherited_override=_number(options.get("n_distinct_inherited")),
        statistics=tuple(
            row for inherited, given in sorted((column.statistics or {}).items()) for row in _row(given, inherited)
        ),
    )


def _row(given: dict[str, str], inherited: bool) -> Iterable[ColumnStatistics]:
    """A row of pg_stats; none where a value of it is none that a server writes."""
    try:
        yield ColumnStatistics.model_validate(
            {
                "inherited": inherited,
                "null_frac": given.get("null_frac", 0.0),
                "avg_width": given.get("avg_width", 0.0),
                "n_distinct": given.get("n_distinct", 0.0),
                "correlation": given.get("correlation"),
                "most_common_freqs": _floats(given.get("most_common_freqs")),
                "n_histogram": _length(given.get("histogram_bounds")),
                "elem_count_average": next(reversed(_floats(given.get("elem_count_histogram"))), None),
            }
        )
    except (ValidationError, ValueError):
        return


def _index(index: Index) -> DeclaredIndex:
    return DeclaredIndex(
        schema_=index.schema,
        name=index.name,
        access_method=index.method,
        unique=index.unique,
        primary=index.primary,
        exclusion=index.exclusion,
        immediate=index.immediate,
        valid=index.valid,
        nulls_not_distinct=index.nulls_not_distinct,
        keys=tuple(_key(k, index.uses) for k in index.keys),
        included=tuple(index.included),
        predicate=_printed(index.predicate, index.uses),
        uses=tuple(sorted(index.uses.written)),
        constraint=index.constraint,
        fillfactor=_whole(index.options.get("fillfactor"), 10, 100),
        relpages=index.relpages,
        reltuples=index.reltuples,
        place=index.place,
    )


def _key(key: Key, uses: Uses) -> DeclaredKey:
    return DeclaredKey(
        column=key.column,
        expression=_printed(key.tree, uses),
        descending=key.descending,
        nulls_first=key.nulls_first,
        opclass=key.opclass,
        collation=key.collation,
    )


def _statistics(made: StatisticsObject) -> DeclaredStatistics:
    return DeclaredStatistics(
        schema_=made.schema,
        name=made.name,
        kinds=tuple(made.kinds),
        columns=tuple(made.columns),
        expressions=tuple(_printed(t, made.uses) or "?" for t in made.trees),
        statistics_target=made.target,
    )


def _function(function: Function) -> DeclaredFunction:
    options: dict[str, Any] = function.options
    return DeclaredFunction(
        schema_=function.schema,
        name=function.name,
        arguments=function.arguments,
        language=function.language,
        returns_set=function.returns_set,
        cost=_positive(options.get("cost")),
        rows=_positive(options.get("rows")),
        volatility=options.get("volatility", "volatile"),
        parallel=options.get("parallel", "unsafe"),
        support=function.support,
    )


def _printed(tree: Any, uses: Uses) -> str | None:
    """An expression with the names that its columns have now."""
    if tree is None:
        return None
    now = uses.now()
    return text_of(rename_columns(copied(tree), now) if now else tree)


def _qualified(table: Table) -> str:
    return f"{table.schema}.{table.name}"


def _whole(text: str | None, least: int, most: int) -> int | None:
    number = _number(text)
    return int(number) if number is not None and least <= number <= most else None


def _positive(text: str | None) -> float | None:
    number = _number(text)
    return number if number is not None and number > 0 else None


def _number(text: str | None) -> float | None:
    try:
        found = float(text) if text is not None else None
    except ValueError:
        return None
    return found if found is not None and abs(found) < 1e100 else None


def _floats(array: str | None) -> list[float]:
    """The numbers of an array's text. Raises ValueError where it is none."""
    inside = (array or "{}").strip()
    if not (inside.startswith("{") and inside.endswith("}")):
        raise ValueError("no array")
    return [float(part) for part in inside[1:-1].split(",")] if len(inside) > 2 else []


def _length(array: str | None) -> int:
    """How many elements an array's text has; its values may be quoted."""
    if array is None or len(array) < 3:
        return 0
    count, quoted, escaped = 1, False, False
    for sign in array[1:-1]:
        if escaped:
            escaped = False
        elif sign == "\\":
            escaped = True
        elif sign == '"':
            quoted = not quoted
        elif sign == "," and not quoted:
            count += 1
    return count
