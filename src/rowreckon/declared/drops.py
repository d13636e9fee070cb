"""DROP, RENAME and SET SCHEMA, with all that goes or changes along.

Source: performDeletion's rules as the manual tells them under DROP and ALTER TABLE, releases 12 to 18.
"""

from __future__ import annotations

from typing import Any

from postgast.pg_query_pb2 import DropBehavior, ObjectType

from rowreckon.sql.tree import strings

from .functions import argument_types
from .schema import Schema
from .working import CannotApply, Index, Table

_RELATIONS = frozenset(
    {ObjectType.OBJECT_TABLE, ObjectType.OBJECT_VIEW, ObjectType.OBJECT_MATVIEW, ObjectType.OBJECT_FOREIGN_TABLE}
)


def drop(schema: Schema, statement: Any) -> None:
    """DROP of tables, indexes, statistics objects, schemas and functions; that of anything else says nothing here."""
    cascade = statement.behavior == DropBehavior.DROP_CASCADE
    kind = statement.remove_type
    for each in statement.objects:
        if kind == ObjectType.OBJECT_SCHEMA:
            _drop_schema(schema, each.string.sval)
        elif kind in (ObjectType.OBJECT_FUNCTION, ObjectType.OBJECT_PROCEDURE, ObjectType.OBJECT_ROUTINE):
            _drop_function(schema, each.object_with_args, cascade=cascade)
        elif each.HasField("list"):
            names = strings(each.list.items)
            _drop_named(schema, kind, names[-2] if len(names) > 1 else "", names[-1])


def drop_column(schema: Schema, table: Table, name: str) -> None:
    """A column goes, with every index, key and statistics object that takes it, in partitions and heirs too."""
    if table.columns.pop(name, None) is not None:
        schema.columns -= 1
    for index in [i for i in table.indexes.values() if _takes(i, name)]:
        if index.name in table.indexes:
            schema.drop_index(table, index)
    for key, made in list(table.statistics.items()):
        if name in made.columns or name in made.uses.written:
            del table.statistics[key]
            schema.statistics.pop(key, None)
    table.foreign_keys = {n: k for n, k in table.foreign_keys.items() if name not in k.columns}
    schema.drop_references(table, name)
    for child in table.heirs():
        drop_column(schema, child, name)


def drop_constraint(schema: Schema, table: Table, name: str) -> None:
    """A constraint goes, with its index; one that no file told of is none that the facts know."""
    index = table.indexes.get(name)
    if index is not None and index.constraint is not None:
        schema.drop_index(table, index)
        return
    if table.foreign_keys.pop(name, None) is not None:
        return
    for column in table.columns.values():
        if column.not_null_name == name:
            column.not_null, column.not_null_name = False, None


def rename(schema: Schema, statement: Any) -> None:
    """RENAME of a table, index, column, constraint, schema or statistics object. Raises CannotApply."""
    kind, name = statement.rename_type, statement.newname
    if kind == ObjectType.OBJECT_SCHEMA:
        _rename_schema(schema, statement.subname, name)
    elif kind == ObjectType.OBJECT_COLUMN:
        table = schema.table(statement.relation.schemaname, statement.relation.relname)
        rename_column(schema, table, statement.subname, name)
    elif kind == ObjectType.OBJECT_TABCONSTRAINT:
        _rename_constraint(schema, statement)
    elif kind in _RELATIONS or kind == ObjectType.OBJECT_INDEX:
        found = schema.name_of(statement.relation.schemaname, statement.relation.relname)
        if found in schema.indexes:
            schema.rename_index(*schema.indexes[found], name)
        elif found in schema.tables:
            schema.move(schema.tables[found], found[0], name)
        elif not statement.missing_ok:
            raise CannotApply("no file makes what it names")
    elif kind == ObjectType.OBJECT_STATISTIC_EXT:
        names = strings(statement.object.list.items)
        key = _statistics_key(schema, names)
        made = schema.statistics.pop(key, None)
        if made is not None:
            del made.table.statistics[key]
            made.name = name
            schema.statistics[(key[0], name)] = made.table.statistics[(key[0], name)] = made


def rename_column(schema: Schema, table: Table, before: str, after: str) -> None:
    """A column has another name, wherever the facts name it, in partitions and heirs too."""
    if before in table.columns:
        table.columns = {after if n == before else n: c for n, c in table.columns.items()}
        table.columns[after].name = after
    table.partition_columns = [after if c == before else c for c in table.partition_columns]
    for index in table.indexes.values():
        for key in index.keys:
            key.column = after if key.column == before else key.column
        index.included = [after if c == before else c for c in index.included]
        index.uses.rename(before, after)
    for made in table.statistics.values():
        made.columns = [after if c == before else c for c in made.columns]
        made.uses.rename(before, after)
    for own in table.foreign_keys.values():
        own.columns = [after if c == before else c for c in own.columns]
    for other in schema.references(table):
        if other.referenced_columns is not None:
            other.referenced_columns = [after if c == before else c for c in other.referenced_columns]
    for child in table.heirs():
        rename_column(schema, child, before, after)


def set_schema(schema: Schema, statement: Any) -> None:
    """SET SCHEMA of a table, view or statistics object. Raises CannotApply."""
    if statement.object_type in _RELATIONS:
        found = schema.name_of(statement.relation.schemaname, statement.relation.relname)
        if found in schema.tables:
            schema.move(schema.tables[found], statement.newschema, found[1])
        elif not statement.missing_ok:
            raise CannotApply("no file makes what it names")
    elif statement.object_type == ObjectType.OBJECT_STATISTIC_EXT:
        key = _statistics_key(schema, strings(statement.object.list.items))
        made = schema.statistics.pop(key, None)
        if made is not None:
            del made.table.statistics[key]
            made.schema = statement.newschema
            name = (made.schema, made.name)
            schema.statistics[name] = made.table.statistics[name] = made


def _drop_named(schema: Schema, kind: int, home: str, name: str) -> None:
    found = schema.name_of(home, name)
    if kind in _RELATIONS and found in schema.tables:
        schema.drop_table(schema.tables[found])
    elif kind == ObjectType.OBJECT_INDEX and found in schema.indexes:
        schema.drop_index(*schema.indexes[found])
    elif kind == ObjectType.OBJECT_STATISTIC_EXT:
        key = _statistics_key(schema, (home, name) if home else (name,))
        made = schema.statistics.pop(key, None)
        if made is not None:
            made.table.statistics.pop(key, None)


def _drop_schema(schema: Schema, name: str) -> None:
    for table in schema.of_schema(name):
        if schema.tables.get((table.schema, table.name)) is table:
            schema.drop_table(table)


def _drop_function(schema: Schema, given: Any, *, cascade: bool) -> None:
    names = strings(given.objname)
    homes = [names[-2]] if len(names) > 1 else schema.search_path
    home = next((s for s in homes if (s, names[-1]) in schema.functions), None)
    if home is not None:
        known = schema.functions[(home, names[-1])]
        known.pop(argument_types(given.objfuncargs) if given.objfuncargs else next(iter(known), ""), None)
    if cascade:
        for table, index in schema.calling(names[-1]):
            schema.drop_index(table, index)


def _takes(index: Index, column: str) -> bool:
    named = any(k.column == column for k in index.keys)
    return named or column in index.included or column in index.uses.written


def _rename_schema(schema: Schema, before: str, after: str) -> None:
    for table in schema.of_schema(before):
        schema.move(table, after, table.name)
    schema.search_path = [after if s == before else s for s in schema.search_path]


def _rename_constraint(schema: Schema, statement: Any) -> None:
    table = schema.table(statement.relation.schemaname, statement.relation.relname)
    before, after = statement.subname, statement.newname
    index = table.indexes.get(before)
    if index is not None and index.constraint is not None:
        schema.rename_index(table, index, after)
    elif before in table.foreign_keys:
        key = table.foreign_keys.pop(before)
        key.name = after
        table.foreign_keys[after] = key
    else:
        for column in table.columns.values():
            if column.not_null_name == before:
                column.not_null_name = after


def _statistics_key(schema: Schema, names: tuple[str, ...]) -> tuple[str, str]:
    if len(names) > 1:
        return names[-2], names[-1]
    homes = [s for s in schema.search_path if (s, names[-1]) in schema.statistics]
    return (homes[0] if homes else schema.home()), names[-1]
