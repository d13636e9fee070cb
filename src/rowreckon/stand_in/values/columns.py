"""Which column of which table a name in a query means, as far as the tables of its own level of the query tell."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from rowreckon.frozen import frozen
from rowreckon.sql.tree import every_message, kind_of, strings
from rowreckon.stand_in.facts import SourceColumn, SourceRelation, StandInFacts
from rowreckon.stand_in.scope import Scope


@frozen
class Column:
    """A column of a table of the facts, and what the query calls that table."""

    relation: SourceRelation
    column: SourceColumn
    alias: str

    @property
    def key(self) -> tuple[int, int]:
        """The table's OID and the column's number."""
        return self.relation.oid, self.column.number

    @property
    def shown(self) -> str:
        """As the query would write it."""
        return f"{self.alias}.{self.column.name}"


@frozen
class Level:
    """What one level of a query reads: tables by what they are called, and the names of all that it reads."""

    tables: Mapping[str, SourceRelation]
    scope: Scope


class Names:
    """Looks names up in a database's facts; `known_as` are names of common table expressions, which hide tables."""

    def __init__(self, facts: StandInFacts, tree: Any) -> None:
        self._relations: dict[str, list[SourceRelation]] = {}
        for relation in facts.relations:
            self._relations.setdefault(relation.name, []).append(relation)
        self._columns: dict[int, dict[str, SourceColumn]] = {}
        for column in facts.columns:
            if not column.dropped:
                self._columns.setdefault(column.relation, {})[column.name] = column
        self._schemas = facts.schemas
        self._hidden = {m.ctename for m in every_message(tree) if kind_of(m) == "CommonTableExpr"}

    def level(self, items: Iterable[Any]) -> Level:
        """The level whose FROM holds these nodes."""
        tables: dict[str, SourceRelation] = {}
        others: set[str] = set()
        waiting = list(items)
        while waiting:
            item = waiting.pop()
            which = item.WhichOneof("node")
            inside: Any = getattr(item, which) if which else None
            if which == "join_expr":
                waiting += [inside.larg, inside.rarg]
                if inside.HasField("alias"):
                    others.add(inside.alias.aliasname)
            elif which == "range_var":
                self._add(inside, tables, others)
            elif inside is not None:
                named = inside.alias.aliasname if "alias" in inside.DESCRIPTOR.fields_by_name else ""
                others.add(named)
        names = {name: frozenset(self._columns.get(r.oid, ())) for name, r in tables.items()}
        once = {name: relation for name, relation in tables.items() if name not in others}
        return Level(once, Scope({**names, **dict.fromkeys(others)}))

    def _add(self, table: Any, tables: dict[str, SourceRelation], others: set[str]) -> None:
        name = table.alias.aliasname if table.HasField("alias") else table.relname
        hidden = not table.schemaname and table.relname in self._hidden
        relation = None if hidden else self._relation(table.schemaname, table.relname)
        renamed = table.HasField("alias") and table.alias.colnames
        if relation is None or relation.kind not in ("r", "p", "m") or renamed or name in tables:
            others.add(name)
        else:
            tables[name] = relation

    def _relation(self, schema: str, name: str) -> SourceRelation | None:
        found = self._relations.get(name, [])
        if schema:
            return next((r for r in found if r.schema_ == schema), None)
        by_path = [r for path in self._schemas for r in found if r.schema_ == path]
        return next(iter(by_path), None)

    def column(self, reference: Any, levels: Sequence[Level]) -> Column | None:
        """The column that a ColumnRef means, innermost level first; None where the facts don't tell."""
        parts = strings(reference.fields)
        if len(parts) != len(reference.fields) or not 1 <= len(parts) <= 2:
            return None
        level = next((level for level in reversed(levels) if level.scope.holds(reference)), None)
        found = level.scope.found(reference) if level is not None else None
        if level is None or found is None or found.alias not in level.tables:
            return None
        return self._of(level.tables[found.alias], found.name, found.alias)

    def _of(self, relation: SourceRelation, name: str, alias: str) -> Column | None:
        column = self._columns.get(relation.oid, {}).get(name)
        return Column(relation, column, alias) if column is not None else None

    def named(self, name: str, level: Level) -> list[Column]:
        """The columns of this name in all tables of a level, which USING makes one."""
        return [c for alias, r in level.tables.items() if (c := self._of(r, name, alias)) is not None]


LEVELS: Final = {
    "SelectStmt": ("from_clause",),
    "UpdateStmt": ("relation", "from_clause"),
    "DeleteStmt": ("relation", "using_clause"),
    "MergeStmt": ("relation", "source_relation"),
}
"""The fields that a statement's level reads."""
