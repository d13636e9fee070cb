"""A query in two steps: the rows whose number no statistics tell are kept in a temporary table, which is analyzed.

The tables of a chain of inner joins, and the conditions on them alone, go into the first statement. The second reads
its rows in their place. So both give the same rows, within one transaction that sees one state of the data.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rowreckon.frozen import frozen
from rowreckon.remedies.draft import SAMPLED, Draft
from rowreckon.remedies.quoting import fitting_name, quote_table
from rowreckon.remedies.subject import Subject, TableName

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.catalog.facts import Catalog
    from rowreckon.sql.flat_select import FlatSelect

_BEGIN = "BEGIN ISOLATION LEVEL REPEATABLE READ"
"""So that both statements see the same rows."""
_CAUTIONS = (
    "the first step writes: it needs the TEMPORARY right, and a standby refuses it",
    "where the rows to keep are many, writing and analyzing them may take longer than the better plan saves",
    "it changes the text of this query alone",
)


@frozen
class Step:
    """The query that fills a temporary table, and the one that reads it in place of the tables that it came from."""

    first: str
    second: str
    table: TableName
    columns: frozenset[str]


def two_steps(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The tables of the subject's keys kept apart: joined, or each by itself. Nothing where the query has another
    shape."""
    aliases = tuple(dict.fromkeys(alias for alias, _ in subject.keys))
    steps = _all_steps(capture, [(alias,) for alias in aliases]) if subject.each_apart else []
    steps = steps or _all_steps(capture, [aliases])
    if not steps:
        return ()
    what = " and ".join(str(t) for t in (subject.table, subject.other_table if len(aliases) > 1 else None) if t)
    return (as_draft(steps, f"the rows of {what} that the query needs"),)


def as_draft(steps: Sequence[Step], what: str) -> Draft:
    """The steps as statements of one transaction, and as a trial would run them; `what` is kept by them."""
    names = [quote_table(step.table) for step in steps]
    fills = [f"CREATE TEMPORARY TABLE {name} AS {step.first}" for name, step in zip(names, steps, strict=True)]
    bound = [f"CREATE TEMPORARY TABLE {n} ON COMMIT DROP AS {s.first}" for n, s in zip(names, steps, strict=True)]
    analyze = [f"ANALYZE {name}" for name in names]
    where = "temporary tables" if len(steps) > 1 else "a temporary table"
    return Draft(
        kind="query_rewrite",
        title="Use analyzed temporary tables" if len(steps) > 1 else "Use an analyzed temporary table",
        sql=(_BEGIN, *bound, *analyze, steps[-1].second, "COMMIT"),
        sql_trial=(*fills, *analyze, steps[-1].second),
        reason=f"Keep {what} in {where} first. ANALYZE counts them, so that the planner knows them for the rest of "
        "the query.",
        works=SAMPLED,
        undo=(),
        undo_note="send the query as it was. What is temporary ends with its transaction",
        cautions=_CAUTIONS,
    )


def _all_steps(capture: Capture, groups: Sequence[tuple[str, ...]]) -> list[Step]:
    """One step for each group of aliases, each on the query that the one before it left; none unless all can be."""
    if capture.query is None or capture.catalog is None:
        return []
    steps: list[Step] = []
    query = capture.query
    for aliases in groups:
        step = kept_apart(query, capture.catalog, aliases, made=steps) if aliases else None
        if step is None:
            return []
        steps.append(step)
        query = step.second
    return steps


def kept_apart(query: str, catalog: Catalog, aliases: tuple[str, ...], *, made: Sequence[Step] = ()) -> Step | None:
    """The query with the tables of these aliases, one or two, kept apart under the first alias; None for any other
    shape, and where a column could be another table's. `made` are the steps before it."""
    from rowreckon.sql.flat_select import flat_select
    from rowreckon.sql.grammar import NotSql
    from rowreckon.sql.merged_columns import written_with_on

    if len(aliases) > 2:
        return None
    try:
        flat = flat_select(query, aliases)
        types = None if flat is None else _types_by_alias(flat, catalog, {s.table.name: s.columns for s in made})
        if flat is None or types is None or not written_with_on(flat.tree, flat.select, types):
            return None
        return _step(flat, aliases, {alias: frozenset(columns) for alias, columns in types.items()})
    except NotSql:
        return None


def _types_by_alias(
    flat: FlatSelect, catalog: Catalog, temporary: Mapping[str, frozenset[str]]
) -> dict[str, dict[str, str]] | None:
    """The types of the columns of each table in FROM, by alias and column, those of temporary tables left empty.

    None where one is neither a table of the catalog nor one of these temporary ones.
    """
    from rowreckon.sql.conjuncts import from_items, name_of

    found: dict[str, dict[str, str]] = {}
    for item in from_items(flat.select):
        name = name_of(item)
        if name is None or item.WhichOneof("node") != "range_var":
            return None
        table = item.range_var
        relation = catalog.relation(table.relname, table.schemaname or None)
        if relation is None and table.relname not in temporary:
            return None
        kept = dict.fromkeys(temporary.get(table.relname, ()), "")
        found[name] = kept if relation is None else {c.name: c.type for c in relation.columns}
    return found


def _step(flat: FlatSelect, aliases: tuple[str, ...], columns: Mapping[str, frozenset[str]]) -> Step | None:
    from rowreckon.sql.conjuncts import conjuncts, from_items, name_of
    from rowreckon.sql.flat_select import all_of, own_conditions
    from rowreckon.sql.grammar import parse, printed

    owner = _owner_among(columns)
    own = list(own_conditions(flat, owner, aliases))[::-1]
    moved = {id(condition) for condition in own}
    rest = [condition for condition in conjuncts(flat.select) if id(condition) not in moved][::-1]
    if not own or _hangs_on_a_key(flat.select, aliases, owner):
        return None
    tables = [_copy(flat.table(alias)) for alias in aliases]
    others = [_copy(item) for item in from_items(flat.select) if name_of(item) not in aliases][::-1]
    first_where, second_where = _copy(all_of(own)), _copy(all_of(rest)) if rest else None
    flat.select.ClearField("where_clause")
    del flat.select.from_clause[:]
    names = _renamed(flat.tree, second_where, aliases, owner, columns)
    if not names:
        return None
    temporary = TableName(fitting_name(*(t.relname for t in tables), "kept"))
    first = parse("SELECT 1 FROM t WHERE true")
    _fill(first.stmts[0].stmt.select_stmt, tables, first_where, names)
    kept = flat.select.from_clause.add().range_var
    kept.relname, kept.inh, kept.relpersistence = temporary.name, True, "p"
    kept.alias.aliasname = aliases[0]
    for item in others:
        flat.select.from_clause.add().CopyFrom(item)
    if second_where is not None:
        flat.select.where_clause.CopyFrom(second_where)
    return Step(printed(first), printed(flat.tree), temporary, frozenset(names.values()))


def _hangs_on_a_key(select: Any, aliases: tuple[str, ...], owner: Callable[[Any], str | None]) -> bool:
    """Whether a grouping selects a kept table's column that it does not group by: PostgreSQL permits that beside the
    table's primary key, which a temporary table does not have."""
    from rowreckon.sql.tree import columns_outside_calls, strings

    def place(reference: Any) -> tuple[str | None, str]:
        return owner(reference), strings(reference.fields)[-1] if strings(reference.fields) else ""

    grouped = {place(node.column_ref) for node in select.group_clause if node.WhichOneof("node") == "column_ref"}
    numbers = {node.a_const.ival.ival for node in select.group_clause if node.WhichOneof("node") == "a_const"}
    targets = [target for number, target in enumerate(select.target_list, start=1) if number not in numbers]
    shown = [*targets, *select.sort_clause, select.having_clause]
    named = (place(reference) for part in shown for reference in columns_outside_calls(part))
    return bool(select.group_clause) and any(alias in aliases and (alias, name) not in grouped for alias, name in named)


def _fill(select: Any, tables: list[Any], where: Any, names: Mapping[tuple[str, str], str]) -> None:
    """The first step: the columns wanted of its tables, under the names that they get."""
    del select.from_clause[:]
    for table in tables:
        select.from_clause.add().range_var.CopyFrom(table)
    select.where_clause.CopyFrom(where)
    del select.target_list[:]
    for (alias, column), name in names.items():
        target = select.target_list.add().res_target
        target.val.column_ref.fields.add().string.sval = alias
        target.val.column_ref.fields.add().string.sval = column
        if name != column:
            target.name = name


def _renamed(
    tree: Any, where: Any, aliases: tuple[str, ...], owner: Callable[[Any], str | None], columns: Mapping[str, Any]
) -> dict[tuple[str, str], str]:
    """Let all that is left of the query name the kept columns under the first alias; the names that they get.

    Empty where a name is not clear: a star, a whole row, a column that may be another table's.
    """
    from rowreckon.sql.tree import strings

    names: dict[tuple[str, str], str] = {}
    changes: list[tuple[Any, str]] = []
    given, several = _output_names(tree), _hold_several_selects(tree, where)
    for reference in _references(tree, where):
        parts = strings(reference.fields)
        if len(parts) != len(reference.fields) or (len(parts) == 1 and (several or parts[0] in given)):
            return {}
        if len(parts) == 2 and parts[0] not in columns:
            continue  # a table of another SELECT in the query
        alias = owner(reference)
        if alias is None:
            return {}
        if alias in aliases:
            if parts[-1] not in columns[alias]:
                return {}
            place = (alias, parts[-1])
            taken = {name for known, name in names.items() if known != place}
            names[place] = names.get(place) or (f"{alias}_{place[1]}" if place[1] in taken else place[1])
            changes.append((reference, names[place]))
    if len(set(names.values())) < len(names):
        return {}
    for reference, name in changes:
        del reference.fields[:]
        for part in (aliases[0], name):
            reference.fields.add().string.sval = part
    return names


def _output_names(tree: Any) -> frozenset[str]:
    """The names that the query gives to what it computes, which ORDER BY and GROUP BY may mean."""
    from rowreckon.sql.tree import every_message, kind_of

    return frozenset(m.name for m in every_message(tree) if kind_of(m) == "ResTarget" and m.name)


def _hold_several_selects(*trees: Any) -> bool:
    """Whether a column without its table's name may be one of another SELECT, whose own tables come first."""
    from rowreckon.sql.conjuncts import selects

    return sum(1 for tree in trees if tree is not None for _ in selects(tree)) > 1


def _references(*trees: Any) -> Iterator[Any]:
    from rowreckon.sql.tree import every_message, kind_of

    for tree in trees:
        if tree is not None:
            yield from [message for message in every_message(tree) if kind_of(message) == "ColumnRef"]


def _owner_among(columns: Mapping[str, frozenset[str]]) -> Callable[[Any], str | None]:
    from rowreckon.sql.tree import strings

    def owner(reference: Any) -> str | None:
        parts = strings(reference.fields)
        if len(parts) == 2 and parts[0] in columns:
            return parts[0]
        having = [alias for alias, names in columns.items() if len(parts) == 1 and parts[0] in names]
        return having[0] if len(having) == 1 else None

    return owner


def _copy(message: Any) -> Any:
    new = type(message)()
    new.CopyFrom(message)
    return new
