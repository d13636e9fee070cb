"""Indexes and the constraints that bring one: CREATE INDEX, PRIMARY KEY, UNIQUE, EXCLUDE; and those of partitions.

Source: DefineIndex in commands/indexcmds.c, transformIndexConstraint in parser/parse_utilcmd.c, releases 12 to 18.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from postgast.pg_query_pb2 import ConstrType, SortByDir, SortByNulls

from rowreckon.sql.tree import strings

from .generated_names import expression_name, free_name, index_columns, numbered_name, object_name, of_columns
from .schema import Schema
from .trees import columns_in, copied, functions_in, options_of
from .working import CannotApply, Index, Key, Table, Uses

KEYS = (ConstrType.CONSTR_PRIMARY, ConstrType.CONSTR_UNIQUE, ConstrType.CONSTR_EXCLUSION)
"""The constraints that bring an index."""
_LONGEST_TREE: Final = 64 * 1024
"""Bytes of an expression's tree (common practice, no source): a short statement may compare it again."""


def create_index(schema: Schema, statement: Any, place: str) -> None:
    """CREATE INDEX. Raises CannotApply."""
    relation = statement.relation
    table = schema.table(relation.schemaname, relation.relname)
    index = Index(
        schema=table.schema,
        name=statement.idxname,
        method=statement.access_method or "btree",
        keys=[_key(e.index_elem) for e in statement.index_params],
        included=[e.index_elem.name for e in statement.index_including_params],
        unique=statement.unique,
        nulls_not_distinct=statement.nulls_not_distinct,
        predicate=kept(statement.where_clause) if statement.HasField("where_clause") else None,
        options=options_of(statement.options),
        place=place,
    )
    if index.name and statement.if_not_exists and (table.schema, index.name) in schema.indexes:
        return
    add(schema, table, index, recurse=relation.inh)


def add(schema: Schema, table: Table, index: Index, *, recurse: bool = True) -> Index:
    """Take an index in under its name or one made for it; a partitioned table's goes on to the partitions.

    Raises CannotApply where there are too many.
    """
    schema.require_room(table)
    trees = [t for t in (*(k.tree for k in index.keys), index.predicate) if t is not None]
    if trees and not index.shapes:
        index.shapes = tuple(without_places(tree) for tree in trees)
        index.uses = uses_of(trees)
        index.calls = frozenset(name for tree in trees for name in functions_in(tree))
    index.name = index.name or _name_for(schema, table, index)
    if index.constraint == "":
        index.constraint = index.name
    index.valid = recurse or not table.children or table.kind != "partitioned_table"
    schema.add_index(table, index)
    if table.kind == "partitioned_table" and recurse:
        for child in table.heirs():
            give_to_partition(schema, child, index)
    return index


def give_to_partition(schema: Schema, partition: Table, index: Index) -> None:
    """A partition's part of an index: an equal one that it has already, or a new one. Raises CannotApply."""
    if partition.kind == "foreign_table":
        return
    for own in partition.indexes.values():
        if own.parent is None and own.valid and _alike(own, index):
            own.parent = index
            return
    part = replace(
        index,
        schema=partition.schema,
        name="",
        keys=[replace(k) for k in index.keys],
        included=list(index.included),
        constraint=None if index.constraint is None else "",
        parent=index,
        uses=Uses(dict(index.uses.written)),
    )
    add(schema, partition, part)


def of_constraint(schema: Schema, table: Table, constraint: Any, place: str, *, recurse: bool = True) -> None:
    """The index of a PRIMARY KEY, UNIQUE or EXCLUDE, a new one or one that it takes over. Raises CannotApply."""
    primary = constraint.contype == ConstrType.CONSTR_PRIMARY
    immediate = not constraint.deferrable
    if constraint.indexname:
        _take_over(schema, table, constraint, primary=primary, immediate=immediate)
        return
    if constraint.contype == ConstrType.CONSTR_EXCLUSION:
        keys = [_key(e.list.items[0].index_elem) for e in constraint.exclusions]
    else:
        keys = [Key(name) for name in strings(constraint.keys)]
    index = Index(
        schema=table.schema,
        name=constraint.conname,
        method=constraint.access_method or "btree",
        keys=keys,
        included=list(strings(constraint.including)),
        unique=constraint.contype != ConstrType.CONSTR_EXCLUSION,
        primary=primary,
        exclusion=constraint.contype == ConstrType.CONSTR_EXCLUSION,
        immediate=immediate,
        nulls_not_distinct=constraint.nulls_not_distinct,
        predicate=kept(constraint.where_clause) if constraint.HasField("where_clause") else None,
        constraint=constraint.conname,
        options=options_of(constraint.options),
        place=place,
    )
    made = add(schema, table, index, recurse=recurse)
    if primary:
        require_values(table, [k.column for k in made.keys if k.column is not None])


def require_values(table: Table, columns: list[str]) -> None:
    """The columns of a primary key take no nulls, in the partitions and heirs neither."""
    for name in columns:
        column = table.columns.get(name)
        if column is not None and not column.not_null:
            column.not_null = True
            column.not_null_name = object_name(table.name, name, "not_null")
    for child in table.heirs():
        require_values(child, columns)


def uses_of(trees: list[Any]) -> Uses:
    """The columns that these expressions take."""
    found: set[str] = set()
    for tree in trees:
        found |= columns_in(tree)
    return Uses({name: name for name in found})


def _take_over(schema: Schema, table: Table, constraint: Any, *, primary: bool, immediate: bool) -> None:
    found = table.indexes.get(constraint.indexname)
    if found is None:
        raise CannotApply("no file makes its index")
    found.unique, found.primary, found.immediate = True, primary, immediate
    found.constraint = constraint.conname or found.name
    if found.constraint != found.name:
        schema.rename_index(table, found, found.constraint)
    if primary:
        require_values(table, [k.column for k in found.keys if k.column is not None])


def _key(element: Any) -> Key:
    descending = element.ordering == SortByDir.SORTBY_DESC
    nulls = element.nulls_ordering
    return Key(
        column=element.name or None,
        tree=kept(element.expr) if element.HasField("expr") else None,
        descending=descending,
        nulls_first=nulls == SortByNulls.SORTBY_NULLS_FIRST or (descending and nulls != SortByNulls.SORTBY_NULLS_LAST),
        opclass=".".join(strings(element.opclass)) or None,
        collation=".".join(strings(element.collation)) or None,
    )


def _name_for(schema: Schema, table: Table, index: Index) -> str:
    def taken(name: str) -> bool:
        return (table.schema, name) in schema.indexes or (table.schema, name) in schema.tables

    if index.primary:
        return free_name(table.name, "", "pkey", taken)
    columns = [k.column or expression_name(k.tree) for k in index.keys] + index.included
    label = "excl" if index.exclusion else "key" if index.constraint is not None else "idx"
    named = of_columns(index_columns(columns))
    given = (table.schema, table.name, named, label)
    name, schema.numbers[given] = numbered_name(table.name, named, label, taken, schema.numbers.get(given, 0))
    return name


def _alike(own: Index, index: Index) -> bool:
    """Whether a partition's index is what a part of the partitioned table's would be (CompareIndexInfo)."""
    if (own.method, own.unique, own.exclusion, own.included) != (
        index.method,
        index.unique,
        index.exclusion,
        index.included,
    ):
        return False
    if len(own.keys) != len(index.keys) or (index.constraint is not None and own.constraint is None):
        return False
    same = all(
        (a.column, a.opclass, a.collation) == (b.column, b.opclass, b.collation)
        for a, b in zip(own.keys, index.keys, strict=True)
    )
    return same and (own.predicate is None) == (index.predicate is None) and own.shapes == index.shapes


def kept(tree: Any) -> Any:
    """A tree of its own. Raises CannotApply where it is longer than anybody writes."""
    if tree.ByteSize() > _LONGEST_TREE:
        raise CannotApply("an expression is too long")
    return copied(tree)


def without_places(tree: Any) -> bytes:
    """A tree as bytes that are equal for equal expressions, wherever they were written."""
    node = copied(tree)
    waiting: list[Any] = [node]
    while waiting:
        message = waiting.pop()
        for field, value in message.ListFields():
            if field.name == "location" or field.name.endswith("_location"):
                message.ClearField(field.name)
            elif field.message_type is not None:
                waiting.extend(value if field.is_repeated else (value,))
    found: bytes = node.SerializeToString(deterministic=True)
    return found
