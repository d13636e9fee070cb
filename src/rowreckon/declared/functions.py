"""CREATE FUNCTION, ALTER FUNCTION, CREATE STATISTICS and ALTER STATISTICS."""

from __future__ import annotations

from typing import Any, Final

from postgast.pg_query_pb2 import FunctionParameterMode

from rowreckon.sql.tree import strings

from .indexes import kept, uses_of
from .schema import Schema
from .tables import statistics_name
from .trees import options_of, type_text
from .working import CannotApply, Function, StatisticsObject

_KINDS: Final = ["ndistinct", "dependencies", "mcv"]
_INPUT: Final = frozenset(
    {
        FunctionParameterMode.FUNC_PARAM_IN,
        FunctionParameterMode.FUNC_PARAM_INOUT,
        FunctionParameterMode.FUNC_PARAM_VARIADIC,
        FunctionParameterMode.FUNC_PARAM_DEFAULT,
    }
)


def create_function(schema: Schema, statement: Any) -> None:
    """CREATE FUNCTION; procedures say nothing that a plan needs."""
    if statement.is_procedure:
        return
    names = strings(statement.funcname)
    home = names[-2] if len(names) > 1 else schema.home()
    options = options_of(statement.options)
    modes = [p.function_parameter.mode for p in statement.parameters]
    table = any(mode == FunctionParameterMode.FUNC_PARAM_TABLE for mode in modes)
    arguments = argument_types(statement.parameters)
    made = Function(
        home,
        names[-1],
        arguments,
        language=options.get("language"),
        returns_set=table or statement.return_type.setof,
        options={name: options[name] for name in ("cost", "rows", "volatility", "parallel") if name in options},
        support=_support(statement.options),
    )
    schema.functions.setdefault((home, made.name), {})[arguments] = made


def alter_function(schema: Schema, statement: Any) -> None:
    """ALTER FUNCTION with new options. Raises CannotApply where no file makes the function."""
    names = strings(statement.func.objname)
    homes = [names[-2]] if len(names) > 1 else schema.search_path
    home = next((s for s in homes if (s, names[-1]) in schema.functions), None)
    known = schema.functions.get((home or "", names[-1]), {})
    arguments = argument_types(statement.func.objfuncargs)
    found = known.get(arguments) or (next(iter(known.values())) if len(known) == 1 else None)
    if found is None:
        raise CannotApply("no file makes its function")
    found.options = {**found.options, **options_of(statement.actions)}
    found.support = _support(statement.actions) or found.support


def argument_types(parameters: Any) -> str:
    """The types of the input arguments, as pg_get_function_identity_arguments lists them without names."""
    given = (p.function_parameter for p in parameters)
    return ", ".join(type_text(p.arg_type) for p in given if p.mode in _INPUT)


def create_statistics(schema: Schema, statement: Any) -> None:
    """CREATE STATISTICS. Raises CannotApply."""
    relation = statement.relations[0].range_var
    table = schema.table(relation.schemaname, relation.relname)
    elements = [e.stats_elem for e in statement.exprs]
    columns = [e.name for e in elements if e.name]
    trees = [kept(e.expr) for e in elements if e.HasField("expr")]
    names = strings(statement.defnames)
    home = names[-2] if len(names) > 1 else table.schema
    name = names[-1] if names else statistics_name(schema, table, columns, trees)
    if statement.if_not_exists and (home, name) in schema.statistics:
        return
    given = strings(statement.stat_types) or tuple(_KINDS)
    if not set(given) <= set(_KINDS):
        raise CannotApply("it names a kind of statistics that is unknown")
    kinds = [kind for kind in _KINDS if kind in given]
    if len(elements) == 1 and trees:
        kinds = []  # of one expression alone there is nothing to combine
    if trees:
        kinds.append("expressions")
    made = StatisticsObject(home, name, table, kinds, columns, trees, uses_of(trees))
    schema.statistics[(home, name)] = table.statistics[(home, name)] = made


def alter_statistics(schema: Schema, statement: Any) -> None:
    """ALTER STATISTICS … SET STATISTICS."""
    names = strings(statement.defnames)
    homes = [names[-2]] if len(names) > 1 else schema.search_path
    for home in homes:
        made = schema.statistics.get((home, names[-1]))
        if made is not None:
            value = statement.stxstattarget.integer.ival if statement.HasField("stxstattarget") else -1
            made.target = None if value < 0 else value
            return
    if not statement.missing_ok:
        raise CannotApply("no file makes its statistics object")


def _support(options: Any) -> str | None:
    for option in options:
        if option.def_elem.defname == "support" and option.def_elem.arg.HasField("list"):
            return ".".join(strings(option.def_elem.arg.list.items)) or None
    return None
