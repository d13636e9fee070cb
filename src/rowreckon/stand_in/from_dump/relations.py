"""A dump's definitions as rows of a stand-in's document, each under a number of its own in place of the source's OID.

Each text is printed from its tree with the names in it replaced, so that what follows them can be cut off by a known
length; whether it may be used, `definitions` decides as for any other facts.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from typing import Any, Final

from rowreckon.declared.trees import text_of, type_text
from rowreckon.sql.grammar import printed
from rowreckon.sql.tree import strings

_FIRST: Final = 100_000
_USED: Final = ("relations", "columns", "types", "constraints", "indexes", "extended", "statistics")
Row = dict[str, Any]


class Definitions:
    """What statements of a dump have told so far; `take` adds one, `passed` names what was not taken over."""

    def __init__(self) -> None:
        self.rows: dict[str, list[Row]] = {name: [] for name in _USED}
        self.passed: list[str] = []
        self.extensions: dict[str, str] = {}
        self._number = _FIRST
        self._relations: dict[tuple[str, str], Row] = {}
        self._indexes: dict[tuple[str, str], Row] = {}

    def relation(self, schema: str, name: str) -> Row | None:
        """A table or view of this name."""
        return self._relations.get((schema or "public", name))

    def index(self, schema: str, name: str) -> Row | None:
        """An index of this name."""
        return self._indexes.get((schema or "public", name))

    def take(self, kind: str, statement: Any, tree: Any) -> None:
        """Add a statement, by the name of its node in the tree, where it is of a kind that a stand-in can take."""
        if kind == "create_stmt":
            self._table(statement, tree)
        elif kind == "view_stmt":
            self._add_relation(statement.view, "v", view=printed(_alone(statement.query)))
        elif kind == "index_stmt":
            self._add_index(statement, tree)
        elif kind == "alter_table_stmt":
            self._altered(statement, tree)
        elif kind in ("create_enum_stmt", "create_domain_stmt"):
            self._type(kind, statement)
        elif kind == "create_stats_stmt":
            self._extended(statement, tree)
        elif kind == "create_extension_stmt":
            schema = [o.def_elem.arg.string.sval for o in statement.options if o.def_elem.defname == "schema"]
            self.extensions[statement.extname] = schema[0] if schema else "public"
        elif kind == "create_table_as_stmt":
            self.passed.append(f"the materialized view {statement.into.rel.relname}")
        elif kind == "create_function_stmt":
            self.passed.append(f"the function {strings(statement.funcname)[-1]}")
        elif kind == "create_policy_stmt":
            self.passed.append(f"the policy {statement.policy_name}")
        elif kind == "create_foreign_table_stmt":
            self.passed.append(f"the foreign table {statement.base_stmt.relation.relname}")

    def _next(self) -> int:
        self._number += 1
        return self._number

    def _add_relation(self, named: Any, kind: str, **more: Any) -> Row:
        row: Row = {"oid": self._next(), "schema": named.schemaname or "public", "name": named.relname, "kind": kind}
        row |= {"pages": 0, "relpages": 0, "reltuples": -1, "relallvisible": 0, "options": [], "row_security": False}
        row |= {"parents": [], "partition": False, **more}
        self.rows["relations"].append(row)
        self._relations[row["schema"], row["name"]] = row
        return row

    def _table(self, statement: Any, tree: Any) -> None:
        partitioned = statement.HasField("partspec")
        row = self._add_relation(statement.relation, "p" if partitioned else "r")
        if partitioned:
            row["partition_key"] = _partition_key(tree)
        row["options"] = [
            f"{o.def_elem.defname}={o.def_elem.arg.integer.ival}"
            for o in statement.options
            if o.def_elem.arg.WhichOneof("node") == "integer"
        ]
        for parent in statement.inh_relations:
            above = self.relation(parent.range_var.schemaname, parent.range_var.relname)
            if above is not None:
                row["parents"].append(above["oid"])
                self._inherit_columns(row, above)
        for element in statement.table_elts:
            if element.WhichOneof("node") == "column_def":
                self._column(row, element.column_def)
            else:
                self._constraint(row, element.constraint)

    def _inherit_columns(self, row: Row, above: Row) -> None:
        for column in [c for c in self.rows["columns"] if c["relation"] == above["oid"]]:
            self.rows["columns"].append({**column, "relation": row["oid"], "number": self._columns_of(row) + 1})

    def _columns_of(self, row: Row) -> int:
        return sum(1 for c in self.rows["columns"] if c["relation"] == row["oid"])

    def _column(self, row: Row, column: Any) -> None:
        kinds = {c.constraint.contype: c.constraint for c in column.constraints}
        found: Row = {"relation": row["oid"], "number": self._columns_of(row) + 1, "name": column.colname}
        found |= {"dropped": False, "type": type_text(column.type_name), "not_null": _NOT_NULL in kinds}
        names = strings(column.coll_clause.collname)
        if names:
            found["collation"] = [names[0] if len(names) == 2 else "pg_catalog", names[-1]]
        if _GENERATED in kinds:
            virtual = getattr(kinds[_GENERATED], "generated_kind", "s") == "v"
            found |= {"generated": "v" if virtual else "s", "expression": text_of(kinds[_GENERATED].raw_expr)}
        same = [c for c in self.rows["columns"] if c["relation"] == row["oid"] and c["name"] == column.colname]
        if same:
            # a child of an inheritance that says a column of its parent again
            same[0].update({**found, "number": same[0]["number"]})
        else:
            self.rows["columns"].append(found)

    def _constraint(self, row: Row, constraint: Any) -> None:
        kind = _CONSTRAINTS.get(constraint.contype)
        if kind is None:
            return
        if kind == "f" and self.relation(constraint.pktable.schemaname, constraint.pktable.relname) is None:
            return
        found: Row = {"oid": self._next(), "relation": row["oid"], "name": constraint.conname, "type": kind}
        found |= {"index": None, "inherited": False, "definition": _constraint_text(constraint)}
        if kind in ("p", "u"):
            index = self._index_row(row, constraint.conname, "btree", strings(constraint.keys))
            index |= {"definition": "SELECT", "constraint": found["oid"]}
            found["index"] = index["oid"]
        self.rows["constraints"].append(found)

    def _index_row(self, row: Row, name: str, method: str, keys: Iterator[str] | tuple[str, ...]) -> Row:
        found: Row = {"oid": self._next(), "schema": row["schema"], "name": name, "relation": row["oid"]}
        found |= {"method": method, "constraint": None, "parent": None, "usable": True, "pages": 0, "relpages": 0}
        found |= {"reltuples": -1, "keys": list(keys), "expressions": [], "partial": False}
        self.rows["indexes"].append(found)
        self._indexes[found["schema"], name] = found
        return found

    def _add_index(self, statement: Any, tree: Any) -> None:
        row = self.relation(statement.relation.schemaname, statement.relation.relname)
        if row is None or not statement.idxname:
            self.passed.append(f"the index {statement.idxname or 'without a name'}")
            return
        keys = [p.index_elem.name for p in statement.index_params]
        found = self._index_row(
            row, statement.idxname, statement.access_method or "btree", tuple(k or "expr" for k in keys)
        )
        found |= {"definition": printed(tree), "partial": statement.HasField("where_clause")}
        found["expressions"] = [number for number, key in enumerate(keys, 1) if not key]

    def _altered(self, statement: Any, tree: Any) -> None:
        for command in statement.cmds:
            done = command.alter_table_cmd
            row = self.relation(statement.relation.schemaname, statement.relation.relname)
            part = getattr(done, "def").partition_cmd
            if done.subtype == _ADD_CONSTRAINT and row is not None:
                self._constraint(row, getattr(done, "def").constraint)
            elif done.subtype == _ATTACH and row is not None:
                child = self.relation(part.name.schemaname, part.name.relname)
                if child is not None:
                    child |= {"parents": [row["oid"]], "partition": True, "bound": _bound(tree)}
            elif done.subtype == _ATTACH:
                above = self.index(statement.relation.schemaname, statement.relation.relname)
                below = self.index(part.name.schemaname, part.name.relname)
                if above is not None and below is not None:
                    below["parent"] = above["oid"]
            elif done.subtype == _ROW_SECURITY and row is not None:
                row["row_security"] = True

    def _type(self, kind: str, statement: Any) -> None:
        names = strings(statement.type_name if kind == "create_enum_stmt" else statement.domainname)
        row: Row = {"oid": self._next(), "schema": names[0] if len(names) == 2 else "public", "name": names[-1]}
        if kind == "create_enum_stmt":
            row |= {"kind": "e", "labels": [label.string.sval for label in statement.vals]}
        else:
            row |= {"kind": "d", "base": type_text(statement.type_name)}
        self.rows["types"].append(row)

    def _extended(self, statement: Any, tree: Any) -> None:
        names = strings(statement.defnames)
        relation = self.relation(statement.relations[0].range_var.schemaname, statement.relations[0].range_var.relname)
        if relation is not None:
            self.rows["extended"].append(
                {"oid": self._next(), "schema": names[0] if len(names) == 2 else "public", "name": names[-1]}
                | {"relation": relation["oid"], "definition": printed(tree)}
            )


def _enum(kind: str, value: str) -> int:
    from postgast import pg_query_pb2

    return int(getattr(pg_query_pb2, kind).Value(value))


_NOT_NULL: Final = _enum("ConstrType", "CONSTR_NOTNULL")
_GENERATED: Final = _enum("ConstrType", "CONSTR_GENERATED")
_CONSTRAINTS: Final = {
    _enum("ConstrType", f"CONSTR_{name}"): letter
    for name, letter in (("PRIMARY", "p"), ("UNIQUE", "u"), ("CHECK", "c"), ("FOREIGN", "f"))
}
_ADD_CONSTRAINT: Final = _enum("AlterTableType", "AT_AddConstraint")
_ATTACH: Final = _enum("AlterTableType", "AT_AttachPartition")
_ROW_SECURITY: Final = _enum("AlterTableType", "AT_EnableRowSecurity")


def _alone(query: Any) -> Any:
    from rowreckon.sql.grammar import parse

    alone = parse("SELECT")
    alone.stmts[0].stmt.CopyFrom(query)
    return alone


def _constraint_text(constraint: Any) -> str:
    """A constraint as ALTER TABLE takes it, without its name."""
    from rowreckon.sql.grammar import parse

    head = "ALTER TABLE t ADD CONSTRAINT n "
    alone = parse(f"{head}CHECK (true)")
    held = getattr(alone.stmts[0].stmt.alter_table_stmt.cmds[0].alter_table_cmd, "def").constraint
    held.CopyFrom(constraint)
    held.conname = "n"
    return printed(alone).removeprefix(head)


def _bound(tree: Any) -> str:
    """FOR VALUES … or DEFAULT."""
    alone = deepcopy(tree)
    statement = alone.stmts[0].stmt.alter_table_stmt
    part = getattr(statement.cmds[0].alter_table_cmd, "def").partition_cmd
    for named in (statement.relation, part.name):
        named.schemaname, named.relname, named.inh = "", "t", True
    return printed(alone).removeprefix("ALTER TABLE t ATTACH PARTITION t ")


def _partition_key(tree: Any) -> str:
    alone = deepcopy(tree)
    statement = alone.stmts[0].stmt.create_stmt
    statement.relation.schemaname, statement.relation.relname = "", "t"
    del statement.table_elts[:]
    return printed(alone).partition(" PARTITION BY ")[2].partition(" WITH ")[0]
