"""A table of the source as CREATE TABLE for the stand-in: its columns in their places, each of a type that is there."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

from rowreckon.catalog.request import quoted

from .beyond.foreign import SourceForeign, foreign_table
from .facts import SourceColumn, SourceRelation
from .permitted import EXPRESSION, NotPermitted, as_text, one_statement

_TABLE: Final = EXPRESSION | frozenset(
    ["CreateStmt", "RangeVar", "ColumnDef", "CollateClause", "Constraint", "PartitionSpec"]
)
_TABLE_PARTS: Final = _TABLE | frozenset({"PartitionElem", "DefElem"})
_DROP: Final = frozenset({"AlterTableStmt", "AlterTableCmd", "RangeVar"})


def table(
    source: SourceRelation,
    columns: Sequence[SourceColumn],
    checks: Sequence[str],
    types: set[tuple[str, str]],
    foreign: SourceForeign | None = None,
) -> str:
    """CREATE TABLE with the columns in their places; a column that was dropped stands as one until `_dropped`."""
    parts = [_column(column, types) for column in columns]
    if foreign is not None:
        return foreign_table(quoted(source.schema_, source.name), (*parts, *checks), foreign)
    text = f"CREATE TABLE {quoted(source.schema_, source.name)} ({', '.join((*parts, *checks))})"
    if source.kind == "p":
        if source.partition_key is None:
            raise NotPermitted("has a partition key that only this database's own code prints")
        text += f" PARTITION BY {source.partition_key}"
    else:
        options = [option for option in source.options if option.split("=")[0] in _TABLE_OPTIONS]
        text += f" WITH ({', '.join(options)})" if options else ""
    tree, made = one_statement(text, "create_stmt", _TABLE_PARTS)
    if len(made.table_elts) != len(parts) + len(checks) or made.tablespacename or made.access_method:
        raise NotPermitted("is not the table that it should be")
    return as_text(tree)


_TABLE_OPTIONS: Final = frozenset({"fillfactor", "parallel_workers"})


def _column(column: SourceColumn, types: set[tuple[str, str]]) -> str:
    if column.dropped:
        return f"{quoted(f'dropped {column.number}')} int"
    text = f"{quoted(column.name)} {type_text(column.type, types)}"
    if column.collation is not None:
        text += f" COLLATE {quoted(*column.collation)}"
    if column.not_null:
        text += " NOT NULL"
    if column.generated == "s" and column.expression is not None:
        text += f" GENERATED ALWAYS AS ({column.expression}) STORED"
    if column.generated == "v" and column.expression is not None:
        text += f" GENERATED ALWAYS AS ({column.expression}) VIRTUAL"
    return text


def type_text(text: str | None, types: set[tuple[str, str]]) -> str:
    """The type printed anew; `text` in place of one that the stand-in does not have. Raises NotPermitted."""
    if text is None:
        return "text"
    schema, name, array, shown = _read_type(text)
    if schema not in (None, "pg_catalog", "information_schema") and (schema, name) not in types:
        return f"text{array}"
    return shown


@lru_cache(maxsize=1_000)
def _read_type(text: str) -> tuple[str | None, str, str, str]:
    """A type's schema and name, `[]` for an array, and all of it printed anew. Raises NotPermitted."""
    tree, select = one_statement(f"SELECT NULL::{text}", "select_stmt", EXPRESSION | {"SelectStmt", "ResTarget"})
    if len(select.target_list) != 1 or select.target_list[0].res_target.val.WhichOneof("node") != "type_cast":
        raise NotPermitted("is no type")
    named = select.target_list[0].res_target.val.type_cast.type_name
    names = [name.string.sval for name in named.names]
    schema = names[0] if len(names) == 2 else None
    return schema, names[-1], "[]" if named.array_bounds else "", as_text(tree).removeprefix("SELECT NULL::")


def unknown_type(text: str | None, types: set[tuple[str, str]]) -> bool:
    """Whether a column of this type gets another one on the stand-in."""
    try:
        return type_text(text, types).removesuffix("[]") == "text" and (text or "").removesuffix("[]") != "text"
    except NotPermitted:
        return True


def dropped(source: SourceRelation, column: SourceColumn) -> str:
    text = f"ALTER TABLE {quoted(source.schema_, source.name)} DROP COLUMN {quoted(f'dropped {column.number}')}"
    return as_text(one_statement(text, "alter_table_stmt", _DROP)[0])
