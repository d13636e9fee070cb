"""ALTER TABLE and ALTER INDEX, one subcommand at a time; what says nothing of the facts kept is passed over."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from postgast.pg_query_pb2 import AlterTableType as Sub

from .drops import drop_column, drop_constraint
from .schema import Schema
from .tables import add_column, add_constraint, attach, set_not_null
from .trees import options_of, type_text
from .working import CannotApply, Column, Index, Table

_PASSED_OVER: Final = frozenset(
    {
        Sub.AT_ColumnDefault,
        Sub.AT_CookedColumnDefault,
        Sub.AT_SetExpression,
        Sub.AT_DropExpression,
        Sub.AT_SetStorage,
        Sub.AT_SetCompression,
        Sub.AT_AlterConstraint,
        Sub.AT_AlterColumnGenericOptions,
        Sub.AT_ChangeOwner,
        Sub.AT_ClusterOn,
        Sub.AT_DropCluster,
        Sub.AT_SetAccessMethod,
        Sub.AT_SetTableSpace,
        Sub.AT_EnableTrig,
        Sub.AT_EnableAlwaysTrig,
        Sub.AT_EnableReplicaTrig,
        Sub.AT_DisableTrig,
        Sub.AT_EnableTrigAll,
        Sub.AT_DisableTrigAll,
        Sub.AT_EnableTrigUser,
        Sub.AT_DisableTrigUser,
        Sub.AT_EnableRule,
        Sub.AT_EnableAlwaysRule,
        Sub.AT_EnableReplicaRule,
        Sub.AT_DisableRule,
        Sub.AT_ReplicaIdentity,
        Sub.AT_ForceRowSecurity,
        Sub.AT_NoForceRowSecurity,
        Sub.AT_GenericOptions,
        Sub.AT_AddIdentity,
        Sub.AT_SetIdentity,
        Sub.AT_DropIdentity,
        Sub.AT_DropOids,
    }
)


def alter_table(schema: Schema, statement: Any, place: str) -> None:
    """ALTER TABLE, ALTER INDEX and ALTER of other relations. Raises CannotApply where a part of it can't be applied."""
    name = statement.relation
    found = schema.indexes.get(schema.name_of(name.schemaname, name.relname))
    if found is not None:
        for command in statement.cmds:
            _alter_index(schema, *found, command.alter_table_cmd)
        return
    told = [c for c in statement.cmds if c.alter_table_cmd.subtype not in _PASSED_OVER]
    if not told or (statement.missing_ok and schema.found_table(name.schemaname, name.relname) is None):
        return
    table = schema.table(name.schemaname, name.relname)
    troubles: list[str] = []
    for command in told:
        try:
            _subcommand(schema, table, command.alter_table_cmd, place, recurse=name.inh)
        except CannotApply as error:
            troubles.append(str(error))
    if troubles:
        raise CannotApply(troubles[0])


def _subcommand(schema: Schema, table: Table, command: Any, place: str, *, recurse: bool) -> None:
    kind = command.subtype
    given = getattr(command, "def")
    if kind == Sub.AT_AddColumn:
        if command.missing_ok and given.column_def.colname in table.columns:
            return
        add_column(schema, table, given.column_def, place)
    elif kind == Sub.AT_DropColumn:
        drop_column(schema, table, command.name)
    elif kind in (Sub.AT_AddConstraint, Sub.AT_ReAddConstraint):
        add_constraint(schema, table, given.constraint, place, recurse=recurse)
    elif kind == Sub.AT_DropConstraint:
        drop_constraint(schema, table, command.name)
    elif kind == Sub.AT_ValidateConstraint:
        if command.name in table.foreign_keys:
            table.foreign_keys[command.name].validated = True
    elif kind in _ON_COLUMN:
        _ON_COLUMN[kind](table, command)
    elif kind in _ON_TABLE:
        _ON_TABLE[kind](table, given)
    elif kind in (Sub.AT_AttachPartition, Sub.AT_DetachPartition, Sub.AT_AddInherit, Sub.AT_DropInherit):
        _family(schema, table, kind, given)
    else:
        raise CannotApply("one of its actions is not known here")


def _family(schema: Schema, table: Table, kind: int, given: Any) -> None:
    if kind in (Sub.AT_AddInherit, Sub.AT_DropInherit):
        parent = schema.table(given.range_var.schemaname, given.range_var.relname)
        (schema.inherit if kind == Sub.AT_AddInherit else schema.disown)(table, parent)
        return
    name = given.partition_cmd.name
    partition = schema.table(name.schemaname, name.relname)
    if kind == Sub.AT_AttachPartition:
        attach(schema, table, partition)
    else:
        schema.disown(partition, table)
        for index in partition.indexes.values():
            index.parent = None


def _alter_index(schema: Schema, table: Table, index: Index, command: Any) -> None:
    given = getattr(command, "def")
    if command.subtype == Sub.AT_AttachPartition:
        name = given.partition_cmd.name
        part = schema.indexes.get(schema.name_of(name.schemaname, name.relname))
        if part is None:
            raise CannotApply("no file makes its index")
        index.parts += part[1].parent is not index
        part[1].parent = index
        index.valid = index.valid or index.parts >= len(table.children)
    elif command.subtype == Sub.AT_SetRelOptions:
        index.options = {**index.options, **options_of(given.list.items)}
    elif command.subtype == Sub.AT_ResetRelOptions:
        index.options = {k: v for k, v in index.options.items() if k not in options_of(given.list.items)}


def _column(table: Table, command: Any) -> Column:
    found = table.columns.get(command.name)
    if found is None:
        if table.columns_whole:
            raise CannotApply("no file makes its column")
        return Column(command.name, "unknown")
    return found


def _set_statistics(table: Table, command: Any) -> None:
    value = getattr(command, "def").integer.ival if command.HasField("def") else -1
    _column(table, command).statistics_target = None if value < 0 else value


def _set_options(table: Table, command: Any) -> None:
    column = _column(table, command)
    column.options = {**(column.options or {}), **options_of(getattr(command, "def").list.items)}


def _reset_options(table: Table, command: Any) -> None:
    column, gone = _column(table, command), options_of(getattr(command, "def").list.items)
    column.options = {k: v for k, v in (column.options or {}).items() if k not in gone}


def _set_type(table: Table, command: Any) -> None:
    _column(table, command).type = type_text(getattr(command, "def").column_def.type_name)
    for child in table.heirs():
        if command.name in child.columns:
            _set_type(child, command)


def _set_not_null(table: Table, command: Any) -> None:
    _column(table, command)
    set_not_null(table, command.name)


def _drop_not_null(table: Table, command: Any) -> None:
    column = _column(table, command)
    column.not_null, column.not_null_name = False, None
    for child in table.heirs():
        if command.name in child.columns:
            _drop_not_null(child, command)


_ON_COLUMN: Final[dict[int, Callable[[Table, Any], None]]] = {
    Sub.AT_SetStatistics: _set_statistics,
    Sub.AT_SetOptions: _set_options,
    Sub.AT_ResetOptions: _reset_options,
    Sub.AT_AlterColumnType: _set_type,
    Sub.AT_SetNotNull: _set_not_null,
    Sub.AT_DropNotNull: _drop_not_null,
}


def _set_table_options(table: Table, given: Any) -> None:
    table.options = {**table.options, **options_of(given.list.items)}


def _reset_table_options(table: Table, given: Any) -> None:
    gone = options_of(given.list.items)
    table.options = {k: v for k, v in table.options.items() if k not in gone}


def _row_security(value: bool) -> Callable[[Table, Any], None]:
    def put(table: Table, _: Any) -> None:
        table.row_security = value

    return put


def _persistence(table: Table, *, logged: bool) -> None:
    table.persistence = "permanent" if logged else "unlogged"


_ON_TABLE: Final[dict[int, Callable[[Table, Any], None]]] = {
    Sub.AT_SetRelOptions: _set_table_options,
    Sub.AT_ResetRelOptions: _reset_table_options,
    Sub.AT_EnableRowSecurity: _row_security(True),
    Sub.AT_DisableRowSecurity: _row_security(False),
    Sub.AT_SetLogged: lambda table, _: _persistence(table, logged=True),
    Sub.AT_SetUnLogged: lambda table, _: _persistence(table, logged=False),
}
