"""The shapes of statements that remedies have, each read off its tree: what is not named here makes it no change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from postgast.pg_query_pb2 import (
    AlterTableType,
    ConstrType,
    DefElemAction,
    DropBehavior,
    ObjectType,
    VariableSetKind,
)

from rowreckon.remedies.subject import TableName
from rowreckon.sql.grammar import NotSql
from rowreckon.sql.scalar import Uses, check, check_arguments, name_of, only_fields

Kind = Literal[
    "analyze",
    "column_target",
    "column_option",
    "table_option",
    "statistics",
    "statistics_target",
    "drop_statistics",
    "index",
    "drop_index",
    "attach_index",
    "foreign_key",
    "validate_constraint",
    "drop_constraint",
    "function_rows",
    "setting",
    "reset",
]

COLUMN_OPTIONS: Final = frozenset({"n_distinct", "n_distinct_inherited"})
TABLE_OPTIONS: Final = frozenset({"autovacuum_analyze_scale_factor"})
SETTINGS: Final = frozenset({"plan_cache_mode"})
"""The settings that a remedy sets for the queries that it is meant for."""


@dataclass(slots=True)
class Found:
    """What a reader has found in a statement, which `what` names; `kind` is set by every reader that ends well."""

    what: str
    kind: Kind | None = None
    tables: list[TableName] = field(default_factory=list)
    concurrently: bool = False
    columns: list[str] = field(default_factory=list)
    expressions: bool = False
    uses: Uses = field(default_factory=Uses)
    beside: list[str] = field(default_factory=list)
    setting: tuple[str, str | None] | None = None

    def only(self, message: Any, *allowed: str) -> None:
        """Raises NotSql where a part of the statement holds more than these fields."""
        only_fields(message, frozenset(allowed), self.what)

    def table(self, message: Any) -> None:
        """Take down a table's name. Raises NotSql where it has another form."""
        self.only(message, "schemaname", "relname", "inh", "relpersistence")
        self.tables.append(TableName(message.relname, message.schemaname or None))

    def expression(self, node: Any) -> None:
        """Check an expression and take down what it needs. Raises NotSql."""
        check(node, self.uses)
        self.expressions = True


def _analyze(node: Any, found: Found) -> None:
    found.only(node, "rels")
    found.kind = "analyze"
    if not node.rels:
        raise NotSql("an ANALYZE without a table is one of the whole database")
    for each in node.rels:
        relation = each.vacuum_relation
        found.only(relation, "relation", "va_cols")
        found.table(relation.relation)
        found.columns += [_string(column) for column in relation.va_cols]


def _alter_table(node: Any, found: Found) -> None:
    found.only(node, "relation", "cmds", "objtype")
    if node.objtype not in (ObjectType.OBJECT_TABLE, ObjectType.OBJECT_INDEX) or len(node.cmds) != 1:
        raise NotSql("it alters another thing than one property of a table")
    found.table(node.relation)
    command = node.cmds[0].alter_table_cmd
    if node.objtype == ObjectType.OBJECT_INDEX:
        if command.subtype != AlterTableType.AT_AttachPartition:
            raise NotSql("it alters another thing of an index than its partitions")
        found.only(command, "subtype", "def", "behavior")
        attached = getattr(command, "def").partition_cmd
        found.only(attached, "name")
        found.kind = "attach_index"
        found.table(attached.name)
        return
    reader = _COMMANDS.get(command.subtype)
    if reader is None:
        raise NotSql("it alters a property of the table that no remedy alters")
    reader(command, found)


def _column_target(command: Any, found: Found) -> None:
    found.only(command, "subtype", "name", "def", "behavior")
    if getattr(command, "def").WhichOneof("node") != "integer":
        raise NotSql("a statistics target is a whole number")
    found.kind = "column_target"
    found.columns.append(command.name)


def _column_option(command: Any, found: Found) -> None:
    found.only(command, "subtype", "name", "def", "behavior")
    _options(command, COLUMN_OPTIONS, found)
    found.kind = "column_option"
    found.columns.append(command.name)


def _table_option(command: Any, found: Found) -> None:
    found.only(command, "subtype", "def", "behavior")
    _options(command, TABLE_OPTIONS, found)
    found.kind = "table_option"


def _options(command: Any, allowed: frozenset[str], found: Found) -> None:
    for item in getattr(command, "def").list.items:
        option = item.def_elem
        found.only(option, "defname", "arg", "defaction")
        if option.defname not in allowed or option.defaction != DefElemAction.DEFELEM_UNSPEC:
            raise NotSql(f"no remedy sets the option {option.defname}")
        if option.HasField("arg") and option.arg.WhichOneof("node") not in ("integer", "float"):
            raise NotSql(f"the option {option.defname} takes a number")


def _add_constraint(command: Any, found: Found) -> None:
    found.only(command, "subtype", "def", "behavior")
    constraint = getattr(command, "def").constraint
    if constraint.contype != ConstrType.CONSTR_FOREIGN:
        raise NotSql("it adds another constraint than a foreign key")
    parts = {"contype", "conname", "pktable", "fk_attrs", "pk_attrs", "skip_validation", "initially_valid"}
    parts |= {"fk_matchtype", "fk_upd_action", "fk_del_action", "is_enforced"}
    found.only(constraint, *parts)
    if (constraint.fk_upd_action, constraint.fk_del_action) != ("a", "a"):
        raise NotSql("a foreign key that changes rows by itself is no remedy")
    found.kind = "foreign_key"
    found.table(constraint.pktable)
    found.columns += [_string(column) for column in constraint.fk_attrs]


def _validate(command: Any, found: Found) -> None:
    found.only(command, "subtype", "name", "behavior")
    found.kind = "validate_constraint"


def _drop_constraint(command: Any, found: Found) -> None:
    found.only(command, "subtype", "name", "behavior")
    if command.behavior != DropBehavior.DROP_RESTRICT:
        raise NotSql("what depends on the constraint would be dropped with it")
    found.kind = "drop_constraint"


_COMMANDS: Final[dict[int, Callable[[Any, Found], None]]] = {
    AlterTableType.AT_SetStatistics: _column_target,
    AlterTableType.AT_SetOptions: _column_option,
    AlterTableType.AT_ResetOptions: _column_option,
    AlterTableType.AT_SetRelOptions: _table_option,
    AlterTableType.AT_ResetRelOptions: _table_option,
    AlterTableType.AT_AddConstraint: _add_constraint,
    AlterTableType.AT_ValidateConstraint: _validate,
    AlterTableType.AT_DropConstraint: _drop_constraint,
}


def _create_statistics(node: Any, found: Found) -> None:
    found.only(node, "defnames", "stat_types", "exprs", "relations")
    name_of(node.defnames)
    for kind in node.stat_types:
        if _string(kind) not in ("ndistinct", "dependencies", "mcv"):
            raise NotSql("it names statistics that no remedy asks for")
    for each in node.exprs:
        member = each.stats_elem
        found.only(member, "name", "expr")
        if member.HasField("expr"):
            found.expression(member.expr)
        else:
            found.columns.append(member.name)
    if len(node.relations) != 1 or node.relations[0].WhichOneof("node") != "range_var":
        raise NotSql("statistics are of one table")
    found.table(node.relations[0].range_var)
    found.kind = "statistics"


def _alter_statistics(node: Any, found: Found) -> None:
    found.only(node, "defnames", "stxstattarget")
    name_of(node.defnames)
    if node.stxstattarget.WhichOneof("node") != "integer":
        raise NotSql("a statistics target is a whole number")
    found.kind = "statistics_target"


def _create_index(node: Any, found: Found) -> None:
    parts = {"idxname", "relation", "access_method", "index_params", "index_including_params", "where_clause"}
    beside = {"concurrent", "unique", "nulls_not_distinct", "options", "table_space"}
    found.only(node, *parts, *beside)
    found.kind = "index"
    found.table(node.relation)
    found.concurrently = node.concurrent
    found.beside += [name.replace("_", " ") for name in sorted(beside - {"concurrent"}) if getattr(node, name)]
    if node.access_method not in ("", "btree"):
        found.beside.append(f"access method {node.access_method}")
    _plain_options(node.options, found)
    for each in node.index_params:
        found.columns += _index_member(each.index_elem, found)
    for each in node.index_including_params:
        found.columns += _index_member(each.index_elem, found)
    if node.HasField("where_clause"):
        found.expression(node.where_clause)


def _index_member(member: Any, found: Found) -> list[str]:
    found.only(member, "name", "expr", "ordering", "nulls_ordering", "collation", "opclass", "opclassopts")
    if member.opclass:
        name_of(member.opclass)
        found.beside.append("operator class")
    _plain_options(member.opclassopts, found)
    if member.collation:
        found.uses.collations.add(name_of(member.collation))
        found.expressions = True
    if member.HasField("expr"):
        found.expression(member.expr)
        return []
    return [member.name]


def _plain_options(options: Any, found: Found) -> None:
    for option in options:
        found.only(option.def_elem, "defname", "arg", "defaction")
        if option.def_elem.arg.WhichOneof("node") not in (None, "integer", "float", "string", "type_name"):
            raise NotSql(f"the option {option.def_elem.defname} has another value than a number or a word")


def _drop(node: Any, found: Found) -> None:
    found.only(node, "objects", "remove_type", "behavior", "concurrent")
    kinds: dict[int, Kind] = {
        ObjectType.OBJECT_INDEX: "drop_index",
        ObjectType.OBJECT_STATISTIC_EXT: "drop_statistics",
    }
    kind = kinds.get(node.remove_type)
    if kind is None or len(node.objects) != 1 or node.behavior != DropBehavior.DROP_RESTRICT:
        raise NotSql("it drops more than one index or one statistics object")
    name_of(node.objects[0].list.items)
    found.kind = kind
    found.concurrently = node.concurrent


def _alter_function(node: Any, found: Found) -> None:
    found.only(node, "objtype", "func", "actions")
    if node.objtype != ObjectType.OBJECT_FUNCTION or len(node.actions) != 1:
        raise NotSql("it alters another thing than a function's ROWS")
    name_of(node.func.objname)
    check_arguments(node.func)
    action = node.actions[0].def_elem
    found.only(action, "defname", "arg", "defaction")
    if action.defname != "rows" or action.arg.WhichOneof("node") not in ("integer", "float"):
        raise NotSql("it alters another thing than a function's ROWS")
    found.kind = "function_rows"


def _set(node: Any, found: Found) -> None:
    found.only(node, "kind", "name", "args", "is_local", "jumble_args")
    if node.name not in SETTINGS:
        raise NotSql(f"no remedy sets {node.name or 'this'}")
    if node.kind == VariableSetKind.VAR_RESET:
        found.kind, found.setting = "reset", (node.name, None)
        return
    if node.kind != VariableSetKind.VAR_SET_VALUE or len(node.args) != 1:
        raise NotSql("it sets another thing than one value")
    value = node.args[0]
    if value.WhichOneof("node") != "a_const" or value.a_const.WhichOneof("val") != "sval":
        raise NotSql(f"{node.name} takes a word")
    found.kind, found.setting = "setting", (node.name, value.a_const.sval.sval)


READERS: Final[dict[str, tuple[str, Callable[[Any, Found], None]]]] = {
    "vacuum_stmt": ("ANALYZE", _analyze),
    "alter_table_stmt": ("ALTER TABLE", _alter_table),
    "create_stats_stmt": ("CREATE STATISTICS", _create_statistics),
    "alter_stats_stmt": ("ALTER STATISTICS", _alter_statistics),
    "index_stmt": ("CREATE INDEX", _create_index),
    "drop_stmt": ("DROP", _drop),
    "alter_function_stmt": ("ALTER FUNCTION", _alter_function),
    "variable_set_stmt": ("SET", _set),
}
"""By the statement's node: what it is called, and who reads it. A reader raises NotSql where its shape has no place for
a part."""


def _string(node: Any) -> str:
    if node.WhichOneof("node") != "string":
        raise NotSql("a name belongs where something else stands")
    return str(node.string.sval)
