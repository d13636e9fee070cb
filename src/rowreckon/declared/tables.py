"""CREATE TABLE and its kin, with columns, constraints, partitions, inheritance and LIKE.

Source: transformCreateStmt in parser/parse_utilcmd.c, MergeAttributes in commands/tablecmds.c, releases 12 to 18.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, Literal

from postgast.pg_query_pb2 import ConstrType, ObjectType, PartitionStrategy

from rowreckon.sql.tree import strings

from .generated_names import free_name, object_name, of_columns
from .indexes import KEYS, add, give_to_partition, of_constraint
from .schema import Schema
from .trees import options_of, serial_type, type_text
from .working import MOST_KEYS_OF_A_TABLE, CannotApply, Column, ForeignKey, StatisticsObject, Table, Uses

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Persistence, RelationKind

_PERSISTENCE: Final[dict[str, Persistence]] = {"p": "permanent", "u": "unlogged", "t": "temporary"}
_STRATEGIES: Final[dict[int, Literal["list", "range", "hash"]]] = {
    PartitionStrategy.PARTITION_STRATEGY_LIST: "list",
    PartitionStrategy.PARTITION_STRATEGY_RANGE: "range",
    PartitionStrategy.PARTITION_STRATEGY_HASH: "hash",
}
_LIKE_INDEXES: Final = 1 << 6
_LIKE_STATISTICS: Final = 1 << 7
"""Source: TableLikeOption in PostgreSQL's nodes/parsenodes.h, release 18, whose grammar this is."""


def create_table(schema: Schema, statement: Any, place: str, *, foreign: bool = False) -> None:
    """CREATE TABLE and CREATE FOREIGN TABLE. Raises CannotApply."""
    name = statement.relation
    if name.relpersistence == "t":
        return
    home = name.schemaname or schema.home()
    known = schema.tables.get((home, name.relname))
    if statement.if_not_exists and known is not None and known.whole:
        return
    kind: RelationKind = (
        "foreign_table" if foreign else "partitioned_table" if statement.HasField("partspec") else "table"
    )
    table = Table(
        home,
        name.relname,
        kind,
        _PERSISTENCE.get(name.relpersistence, "permanent"),
        whole=True,
        columns_whole=not statement.HasField("of_typename"),
        options=options_of(statement.options),
        place=place,
    )
    schema.add_table(table)
    for parent in statement.inh_relations:
        _inherit(schema, table, schema.table(parent.range_var.schemaname, parent.range_var.relname))
    table.is_partition = statement.HasField("partbound")
    if statement.HasField("partspec"):
        table.partition_strategy = _STRATEGIES.get(statement.partspec.strategy)
        table.partition_columns = [p.partition_elem.name or None for p in statement.partspec.part_params]
    _elements(schema, table, statement.table_elts, place)
    if table.is_partition:
        for parent_table in table.parents:
            table.whole = table.whole and parent_table.whole
            for index in list(parent_table.indexes.values()):
                give_to_partition(schema, table, index)


def create_table_as(schema: Schema, statement: Any, place: str) -> None:
    """CREATE TABLE … AS and CREATE MATERIALIZED VIEW: no index, and columns that only the query tells."""
    name = statement.into.rel
    if name.relpersistence == "t":
        return
    home = name.schemaname or schema.home()
    if statement.if_not_exists and (home, name.relname) in schema.tables:
        return
    kind: RelationKind = "materialized_view" if statement.objtype == ObjectType.OBJECT_MATVIEW else "table"
    table = Table(home, name.relname, kind, whole=True, options=options_of(statement.into.options), place=place)
    schema.add_table(table)


def create_view(schema: Schema, statement: Any, place: str) -> None:
    """CREATE VIEW: a relation without indexes, which may take the place of itself."""
    name = statement.view
    if name.relpersistence == "t":
        return
    home = name.schemaname or schema.home()
    known = schema.tables.get((home, name.relname))
    if known is None or not statement.replace:
        schema.add_table(Table(home, name.relname, "view", whole=True, place=place))


def add_column(schema: Schema, table: Table, definition: Any, place: str) -> None:
    """A column with its constraints, in the partitions and heirs too. Raises CannotApply."""
    serial = serial_type(definition.type_name)
    not_null = serial is not None or definition.is_not_null
    column = Column(definition.colname, type_text(definition.type_name), not_null)
    inherited = table.columns.get(column.name)
    if inherited is not None:
        column.not_null = column.not_null or inherited.not_null
        column.not_null_name = inherited.not_null_name
        table.columns[column.name] = column
    else:
        schema.add_column(table, column)
    for child in table.heirs():
        if column.name not in child.columns:
            schema.add_column(child, replace(column))
    if column.not_null and column.not_null_name is None:
        column.not_null_name = object_name(table.name, column.name, "not_null")
    for each in definition.constraints:
        _column_constraint(schema, table, column, each.constraint, place)


def add_constraint(schema: Schema, table: Table, constraint: Any, place: str, *, recurse: bool = True) -> None:
    """A constraint of a table; those that say nothing of indexes or keys are passed over. Raises CannotApply."""
    if constraint.contype in KEYS:
        of_constraint(schema, table, constraint, place, recurse=recurse)
    elif constraint.contype == ConstrType.CONSTR_FOREIGN:
        _foreign_key(schema, table, constraint, list(strings(constraint.fk_attrs)))
    elif constraint.contype == ConstrType.CONSTR_NOTNULL:
        for name in strings(constraint.keys):
            set_not_null(table, name, constraint.conname or None)


def set_not_null(table: Table, name: str, constraint: str | None = None) -> None:
    """A column takes no nulls, in the partitions and heirs neither."""
    column = table.columns.get(name)
    if column is not None:
        column.not_null = True
        column.not_null_name = constraint or column.not_null_name or object_name(table.name, name, "not_null")
    for child in table.heirs():
        set_not_null(child, name)


def attach(schema: Schema, table: Table, partition: Table) -> None:
    """ATTACH PARTITION: its part of each index is one that it has already, or a new one. Raises CannotApply."""
    schema.inherit(partition, table)
    partition.is_partition = True
    if not table.whole:
        partition.whole = False
    for index in list(table.indexes.values()):
        give_to_partition(schema, partition, index)


def _elements(schema: Schema, table: Table, elements: Any, place: str) -> None:
    """Columns first, as a constraint may stand before the columns that it names."""
    later: list[Any] = []
    for element in elements:
        which = element.WhichOneof("node")
        if which == "column_def":
            own = element.column_def
            keyed = [c for c in own.constraints if c.constraint.contype in (*KEYS, ConstrType.CONSTR_FOREIGN)]
            later += [(own.colname, c.constraint) for c in keyed]
            add_column(schema, table, own, place)
        elif which == "constraint":
            later.append((None, element.constraint))
        elif which == "table_like_clause":
            later.append((None, element.table_like_clause))
            _like_columns(schema, table, element.table_like_clause)
    primary = [c for _, c in later if getattr(c, "contype", None) == ConstrType.CONSTR_PRIMARY]
    for column, constraint in sorted(later, key=lambda pair: pair[1] not in primary if primary else True):
        if column is not None:
            continue
        if hasattr(constraint, "contype"):
            add_constraint(schema, table, constraint, place)
        else:
            _like_rest(schema, table, constraint, place)


def _column_constraint(schema: Schema, table: Table, column: Column, constraint: Any, place: str) -> None:
    if constraint.contype == ConstrType.CONSTR_NOTNULL:
        set_not_null(table, column.name, constraint.conname or None)
    elif constraint.contype == ConstrType.CONSTR_IDENTITY:
        set_not_null(table, column.name)
    elif constraint.contype in KEYS:
        given = type(constraint)()
        given.CopyFrom(constraint)
        given.keys.add().string.sval = column.name
        of_constraint(schema, table, given, place)
    elif constraint.contype == ConstrType.CONSTR_FOREIGN:
        _foreign_key(schema, table, constraint, [column.name])


def _foreign_key(schema: Schema, table: Table, constraint: Any, columns: list[str]) -> None:
    if len(table.foreign_keys) >= MOST_KEYS_OF_A_TABLE:
        raise CannotApply("there are too many foreign keys")
    name = constraint.conname or free_name(
        table.name, of_columns(columns), "fkey", lambda made: made in table.foreign_keys
    )
    other = schema.name_of(constraint.pktable.schemaname, constraint.pktable.relname)
    given = list(strings(constraint.pk_attrs)) or None
    if given is None and other in schema.tables:
        primary = next((i for i in schema.tables[other].indexes.values() if i.primary), None)
        given = [k.column for k in primary.keys if k.column is not None] if primary is not None else None
    valid = not constraint.skip_validation
    schema.add_foreign_key(table, ForeignKey(name, columns, other, given, valid))


def _inherit(schema: Schema, table: Table, parent: Table) -> None:
    schema.inherit(table, parent)
    table.columns_whole = table.columns_whole and parent.columns_whole
    for column in parent.columns.values():
        if column.name not in table.columns:
            schema.add_column(table, Column(column.name, column.type, column.not_null, column.not_null_name))


def _like_columns(schema: Schema, table: Table, clause: Any) -> None:
    source = schema.found_table(clause.relation.schemaname, clause.relation.relname)
    if source is None or not source.columns_whole:
        table.columns_whole = False
    for column in source.columns.values() if source is not None else ():
        schema.add_column(table, Column(column.name, column.type, column.not_null, column.not_null_name))


def _like_rest(schema: Schema, table: Table, clause: Any, place: str) -> None:
    """What LIKE … INCLUDING INDEXES and STATISTICS copy."""
    source = schema.found_table(clause.relation.schemaname, clause.relation.relname)
    if clause.options & _LIKE_INDEXES:
        table.whole = table.whole and source is not None and source.whole
        for index in list(source.indexes.values()) if source is not None else ():
            copy = replace(
                index,
                schema=table.schema,
                name="",
                keys=[replace(k) for k in index.keys],
                constraint=None if index.constraint is None else "",
                parent=None,
                uses=Uses(dict(index.uses.written)),
                place=place,
            )
            add(schema, table, copy)
    if clause.options & _LIKE_STATISTICS:
        for made in list(source.statistics.values()) if source is not None else ():
            _copy_statistics(schema, table, made)


def _copy_statistics(schema: Schema, table: Table, made: StatisticsObject) -> None:
    name = statistics_name(schema, table, made.columns, made.trees)
    uses = Uses(dict(made.uses.written))
    own = StatisticsObject(table.schema, name, table, made.kinds, list(made.columns), made.trees, uses)
    schema.statistics[(table.schema, name)] = table.statistics[(table.schema, name)] = own


def statistics_name(schema: Schema, table: Table, columns: list[str], trees: list[Any]) -> str:
    """The name of a statistics object without one (ChooseExtendedStatisticName in commands/statscmds.c)."""
    if len(table.statistics) >= MOST_KEYS_OF_A_TABLE:
        raise CannotApply("there are too many statistics objects")
    names = of_columns(columns + ["expr"] * min(len(trees), 1))
    return free_name(table.name, names, "stat", lambda made: (table.schema, made) in schema.statistics)
