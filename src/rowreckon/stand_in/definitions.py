"""From a database's facts to the statements that rebuild its definitions, each a checked tree that is printed anew.

Each statement is put together from names of the facts, quoted, and one text of theirs; then its tree must be exactly
that statement.  A text that tries to be more changes the tree, and is refused.  What can't be taken over is named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Final, Literal

from rowreckon.catalog.request import quoted
from rowreckon.frozen import frozen

from .bodies import STUB_CALLED
from .facts import (
    CARRIED_EXTENSIONS,
    SourceColumn,
    SourceFunction,
    SourceIndex,
    SourceRelation,
    SourceType,
    StandInFacts,
    own_functions,
    types_there,
)
from .figures import SourceExtended
from .permitted import EXPRESSION, QUERY, NotPermitted, as_text, one_statement
from .policies import policy
from .tables import dropped, table

_ALTER: Final = EXPRESSION | frozenset(
    ["AlterTableStmt", "AlterTableCmd", "RangeVar", "Constraint", "PartitionCmd", "PartitionBoundSpec", "DefElem"]
)
_INDEX: Final = EXPRESSION | frozenset(["IndexStmt", "RangeVar", "IndexElem", "DefElem"])
_FUNCTION: Final = frozenset(
    [
        "CreateFunctionStmt",
        "FunctionParameter",
        "TypeName",
        "String",
        "Integer",
        "Float",
        "A_Const",
        "DefElem",
        "List",
        "Boolean",
    ]
)
_STATISTICS: Final = EXPRESSION | frozenset(["CreateStatsStmt", "StatsElem", "RangeVar"])
_DOMAIN: Final = EXPRESSION | frozenset(["CreateDomainStmt", "Constraint", "CollateClause"])

Step = Literal[
    "schema", "type", "function", "file", "table", "inheritance", "index", "key", "statistics", "view", "policy"
]


@frozen
class Definition:
    """A statement for the stand-in, the object of the source that it makes, and what it is called in a sentence."""

    step: Step
    text: str
    oid: int
    what: str


@frozen
class Refused:
    """Something of the source that the stand-in does without; `why` is a clause."""

    what: str
    why: str


def definitions(facts: StandInFacts) -> tuple[tuple[Definition, ...], tuple[Refused, ...]]:
    """All statements in the order in which they are to be run, and what is left out."""
    made: list[Definition] = []
    refused: list[Refused] = []
    for each in _each(facts):
        try:
            made.append(Definition(each.step, each.make(), each.oid, each.what))
        except NotPermitted as error:
            refused.append(Refused(each.what, error.reason))
    return tuple(made), tuple(refused)


@frozen
class _Wanted:
    step: Step
    oid: int
    what: str
    make: Callable[[], str]


def _each(facts: StandInFacts) -> Iterator[_Wanted]:
    relations = {relation.oid: relation for relation in facts.relations}
    for schema in schemas_of(facts):
        yield _Wanted("schema", 0, f"the schema {schema}", partial(_schema, schema))
    for kind in facts.types:
        yield _Wanted("type", kind.oid, f"the type {kind.name}", partial(_type, kind))
    for each in own_functions(facts):
        yield _Wanted("function", each.oid, f"the function {each.name}", partial(function, each))
    yield from _tables(facts)
    for r in facts.relations:
        for parent in r.parents:
            if parent in relations:
                yield _Wanted("inheritance", r.oid, f"the parent of {r.name}", partial(_inherits, r, relations[parent]))
    yield from _indexes(facts, relations)
    for key in facts.constraints:
        if key.type == "f" and not key.inherited and key.relation in relations:
            make = partial(constraint, relations[key.relation], key.name, key.definition)
            yield _Wanted("key", key.oid, f"the foreign key {key.name}", make)
    for known in facts.extended:
        if known.relation in relations:
            make = partial(_statistics, known, relations[known.relation])
            yield _Wanted("statistics", known.oid, f"the statistics {known.name}", make)
    for r in facts.relations:
        if r.kind == "v":
            yield _Wanted("view", r.oid, f"the view {r.name}", partial(_view, r))
    for rule in facts.policies:
        if rule.relation in relations:
            make = partial(policy, rule, relations[rule.relation])
            yield _Wanted("policy", rule.oid, f"the policy {rule.name}", make)


def _tables(facts: StandInFacts) -> Iterator[_Wanted]:
    columns: dict[int, list[SourceColumn]] = {}
    for column in facts.columns:
        columns.setdefault(column.relation, []).append(column)
    types = types_there(facts)
    foreign = {each.relation: each for each in facts.foreign}
    checks: dict[int, list[str]] = {}
    for check in facts.constraints:
        if check.type == "c" and check.definition is not None:
            checks.setdefault(check.relation, []).append(f"CONSTRAINT {quoted(check.name)} {check.definition}")
    for r in facts.relations:
        if r.kind == "v":
            continue
        own = sorted(columns.get(r.oid, ()), key=lambda c: c.number)
        beyond = foreign.get(r.oid) if r.kind == "f" else None
        make = partial(table, r, own, checks.get(r.oid, ()), types, beyond)
        # only a superuser names the file that a table reads
        step: Step = "file" if beyond is not None and beyond.wrapper == "file_fdw" else "table"
        yield _Wanted(step, r.oid, f"the table {r.name}", make)
        for gone in own:
            if gone.dropped:
                yield _Wanted("table", r.oid, f"a dropped column of {r.name}", partial(dropped, r, gone))


def _indexes(facts: StandInFacts, relations: dict[int, SourceRelation]) -> Iterator[_Wanted]:
    """Indexes and the constraints that bring one, in the source's order: between equals the planner takes the first."""
    by_oid = {index.oid: index for index in facts.indexes}
    constraints = {c.oid: c for c in facts.constraints}
    usable = [index for index in facts.indexes if index.usable and index.relation in relations]
    for index in usable:
        owner = relations[index.relation]
        own = constraints.get(index.constraint) if index.constraint is not None else None
        if own is not None:
            make = partial(constraint, owner, own.name, own.definition)
        else:
            make = partial(index_statement, index.definition, owner, index.name)
        yield _Wanted("index", index.oid, f"the index {index.name}", make)
    for index in usable:
        parent = by_oid.get(index.parent) if index.parent is not None else None
        if parent is not None:
            what = f"the index {index.name} as a part of {parent.name}"
            yield _Wanted("inheritance", index.oid, what, partial(_attach, index, parent))


def _attach(index: SourceIndex, parent: SourceIndex) -> str:
    text = f"ALTER INDEX {quoted(parent.schema_, parent.name)} ATTACH PARTITION {quoted(index.schema_, index.name)}"
    return _one_command(text, "AT_AttachPartition")


def schemas_of(facts: StandInFacts) -> list[str]:
    """The schemas that a stand-in gets, extensions' too; not those that it has anyway."""
    parts = (facts.relations, facts.types, facts.functions, facts.extended, facts.collations)
    names = {each.schema_ for group in parts for each in group}
    names |= {schema for name, schema in facts.server.extension_schemas.items() if name in CARRIED_EXTENSIONS}
    return sorted(name for name in names if name != "public" and not name.startswith("pg_"))


def _schema(name: str) -> str:
    return as_text(one_statement(f"CREATE SCHEMA {quoted(name)}", "create_schema_stmt", {"CreateSchemaStmt"})[0])


def _type(source: SourceType) -> str:
    name = quoted(source.schema_, source.name)
    if source.kind == "e":
        labels = ", ".join("'" + label.replace("'", "''") + "'" for label in source.labels)
        text = f"CREATE TYPE {name} AS ENUM ({labels})"
        return as_text(one_statement(text, "create_enum_stmt", {"CreateEnumStmt", "String"})[0])
    if source.base is None:
        raise NotPermitted("rests on a type that only this database's own code prints")
    # without its checks: the planner asks nothing of them, and reading a sampled value would run them
    tree, domain = one_statement(f"CREATE DOMAIN {name} AS {source.base}", "create_domain_stmt", _DOMAIN)
    if domain.constraints:
        raise NotPermitted("holds more than a domain's base")
    return as_text(tree)


def function(source: SourceFunction) -> str:
    """A function of the same outside with a body that does nothing but fail: what is not taken can't run."""
    if source.result is None:
        raise NotPermitted("gives nothing back")
    text = (
        f"CREATE FUNCTION {quoted(source.schema_, source.name)}({source.arguments}) RETURNS {source.result}"
        f" LANGUAGE plpgsql {_VOLATILITY[source.volatility]} PARALLEL {_PARALLEL[source.parallel]}"
        f" {'STRICT' if source.strict else 'CALLED ON NULL INPUT'} COST {_number(source.cost)}"
        f"{f' ROWS {_number(source.rows)}' if source.set and source.rows > 0 else ''} AS $stub${_INERT}$stub$"
    )
    tree, made = one_statement(text, "create_function_stmt", _FUNCTION)
    options = [option.def_elem.defname for option in made.options]
    if len(options) != len(set(options)) or set(options) - _OPTIONS or "language" not in options:
        raise NotPermitted("has an option that is not taken over")
    language = next(o.def_elem for o in made.options if o.def_elem.defname == "language")
    body = next(o.def_elem for o in made.options if o.def_elem.defname == "as")
    if language.arg.string.sval != "plpgsql" or [i.string.sval for i in body.arg.list.items] != [_INERT]:
        raise NotPermitted("has a body")
    return as_text(tree)


_INERT: Final = f"begin raise exception using errcode = 'feature_not_supported', message = '{STUB_CALLED}'; end"
_VOLATILITY: Final = {"i": "IMMUTABLE", "s": "STABLE", "v": "VOLATILE"}
_PARALLEL: Final = {"s": "SAFE", "r": "RESTRICTED", "u": "UNSAFE"}
_OPTIONS: Final = frozenset({"language", "volatility", "parallel", "strict", "cost", "rows", "as"})


def _number(value: float) -> str:
    return f"{min(value, 1e15):.15f}".rstrip("0").rstrip(".")


def _inherits(child: SourceRelation, parent: SourceRelation) -> str:
    own, above = quoted(child.schema_, child.name), quoted(parent.schema_, parent.name)
    if not child.partition:
        return as_text(one_statement(f"ALTER TABLE {own} INHERIT {above}", "alter_table_stmt", _ALTER)[0])
    if child.bound is None:
        raise NotPermitted("has a bound that only this database's own code prints")
    text = f"ALTER TABLE {above} ATTACH PARTITION {own} {child.bound}"
    return _one_command(text, "AT_AttachPartition")


def _one_command(text: str, subtype: str) -> str:
    from postgast.pg_query_pb2 import AlterTableType

    tree, altered = one_statement(text, "alter_table_stmt", _ALTER)
    if len(altered.cmds) != 1 or altered.cmds[0].alter_table_cmd.subtype != AlterTableType.Value(subtype):
        raise NotPermitted("is another change than it should be")
    return as_text(tree)


def constraint(owner: SourceRelation, name: str, definition: str | None) -> str:
    """A key of a table. Raises NotPermitted."""
    if definition is None:
        raise NotPermitted("is printed only by this database's own code")
    table_name = quoted(owner.schema_, owner.name)
    # a foreign key of a partitioned table is its partitions' as well
    only = "" if definition.startswith("FOREIGN KEY") else "ONLY "
    return _one_command(
        f"ALTER TABLE {only}{table_name} ADD CONSTRAINT {quoted(name)} {definition}", "AT_AddConstraint"
    )


def index_statement(definition: str, owner: SourceRelation, name: str) -> str:
    """CREATE INDEX as the source prints it, on this table alone and in the one tablespace. Raises NotPermitted."""
    tree, made = one_statement(definition, "index_stmt", _INDEX)
    made.idxname = name
    made.relation.schemaname = owner.schema_
    made.relation.relname = owner.name
    made.relation.inh = owner.kind != "p" and made.relation.inh
    made.table_space = ""
    made.concurrent = False
    return as_text(tree)


def _statistics(source: SourceExtended, owner: SourceRelation) -> str:
    tree, made = one_statement(source.definition, "create_stats_stmt", _STATISTICS)
    if len(made.relations) != 1 or [n.string.sval for n in made.defnames] != [source.schema_, source.name]:
        raise NotPermitted("is another object than it should be")
    made.relations[0].range_var.schemaname = owner.schema_
    made.relations[0].range_var.relname = owner.name
    return as_text(tree)


def _view(source: SourceRelation) -> str:
    if source.view is None:
        raise NotPermitted("has a definition that only this database's own code prints")
    options = [option for option in source.options if option.split("=")[0] in _VIEW_OPTIONS]
    held = f" WITH ({', '.join(options)})" if options else ""
    text = f"CREATE VIEW {quoted(source.schema_, source.name)}{held} AS {source.view.strip().rstrip(';')}"
    tree, made = one_statement(text, "view_stmt", QUERY | {"ViewStmt", "DefElem"})
    if {option.def_elem.defname for option in made.options} - _VIEW_OPTIONS:
        raise NotPermitted("has an option that is not taken over")
    return as_text(tree)


_VIEW_OPTIONS: Final = frozenset({"security_barrier", "security_invoker"})
