"""# expression_without_statistics

## What it finds
A restriction, grouping or join by something computed from columns: lower(name), date_trunc(…, ts),
payload ->> 'kind', n % 10.

## Why it hurts
Column statistics say nothing of what a function makes of the column. The planner takes 0.5% for an equality, a third
for an inequality, 200 distinct values for a grouping or a join. Of a truth value such as (doc ->> 'open')::boolean it
takes half.

## Evidence it needs
The expression in the plan's condition, with an estimate that is the default share. From the catalog: neither a
statistics object nor an expression index keeps statistics of it.

## Remedy
CREATE STATISTICS on the expression (from release 14), or an index on it, and ANALYZE in both cases. Where a join or a
filter asks for few of many rows, the index also finds them. A stored generated column does as well, with an index or
without. Adding it writes the whole table anew, and the query has to name it.
An index and a generated column take immutable functions only. Statistics take stable ones too, such as to_char of a
point in time. On 13, and for an index, give the zone by name (AT TIME ZONE 'UTC') so that the expression is immutable.
Or let a trigger keep its value in a column. Declare your own function immutable only if it is.

## When it is wrong
A cast from varchar to text costs nothing and computes nothing: the planner looks through it. Where an expression index
exists, its statistics are there after the next ANALYZE. A function whose answer is the whole condition is taken to be
true for a third, whatever statistics there are. Asked as (…) IS TRUE they are used.

## References
PostgreSQL documentation, CREATE STATISTICS ("expressions") and "Indexes on Expressions". boolvarsel in selfuncs.c,
function_selectivity in plancat.c.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, prod
from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.clause_kinds import expression_side
from rowreckon.causes.defaults import DISTINCT, betrays, default_selectivity
from rowreckon.causes.finding import LIKELY, POSSIBLE, PROVEN, STRONG, Candidate, fact
from rowreckon.causes.groups import near_default, number_is_off
from rowreckon.causes.keys import is_expression, joins_by_default
from rowreckon.causes.restrictions import restrictions, share_of_clause
from rowreckon.causes.tested import asks_a_function
from rowreckon.causes.wording import listed, rows_sentence
from rowreckon.plan.conditions import parse_condition
from rowreckon.remedies.draft import SAMPLED, SHARE_UPDATE_EXCLUSIVE, Draft, major, targets
from rowreckon.remedies.quoting import fitting_name, name_of_expression, quote_table
from rowreckon.remedies.readable import Unreadable, read_expressions, without_statements
from rowreckon.remedies.refresh import analyze_statements
from rowreckon.remedies.statistics import MOST_COLUMNS, needed_target, statistics_object
from rowreckon.remedies.subject import Subject, TableName
from rowreckon.remedies.volatility import not_immutable
from rowreckon.sql.keywords import quote_name
from rowreckon.sql.spelling import without_alias

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context, Key, Site
    from rowreckon.plan.conditions import Clause

TITLE = "an expression without statistics"

_MANY, _FEW = 10_000, 0.01
"""Rows of a table, and share of them that a join asks for, from and up to which an index spares reading most of it;
common practice, no source."""

_NO_INDEX = "no index and no generated column takes it"
_SETTINGS = "ANALYZE computes it under its own session's settings, such as TimeZone, and autovacuum under the server's"

_EXPRESSIONS_FROM = 14
"""Release from which on CREATE STATISTICS takes expressions."""


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where an expression over one relation's columns is restricted or grouped by."""
    if site.kind == "scan":
        return _restricted(site, context)
    if site.kind == "groups":
        return _grouped(site, context)
    return _joined(site, context) if site.kind == "join" else None


def _restricted(site: Site, context: Context) -> Candidate | None:
    computed: list[str] = []
    asked: list[Clause] = []
    shares: list[float] = []
    taken: list[float | None] = []
    for restriction in restrictions(site):
        clause = restriction.clause
        side = expression_side(clause)
        if restriction.kind != "expression" or side is None or clause.subplans or not clause.columns:
            continue
        if asks_a_function(clause):
            continue  # statistics of what it answers are not looked up
        computed.append(without_alias(side, site.alias))
        asked.append(clause)
        share = default_selectivity([clause], site.relation)
        if share is not None:
            shares.append(share)
            taken.append(share_of_clause(site, context, clause))
    if not computed or site.table is None:
        return None
    expressions = tuple(dict.fromkeys(computed))
    evidence = [fact("expression restricted", text, "plan") for text in expressions]
    weight = LIKELY
    rows = site.planned_rows or site.total_rows
    alone = len(site.own) == len(computed)
    if shares and rows and alone:
        product = prod(shares)
        exactly = site.planned_rows is not None
        if betrays(site.estimate / site.executions, rows, product, exactly=exactly):
            weight = PROVEN if exactly else STRONG
            evidence.append(fact("default share without statistics", product, "PostgreSQL's selfuncs.h"))
        elif exactly:
            weight = POSSIBLE
    elif not alone:
        by_default = len(shares) == len(computed) and all(map(_is_default, taken, shares))
        weight = PROVEN if by_default else STRONG
        if by_default:
            evidence.append(fact("default share without statistics", prod(shares), "PostgreSQL's selfuncs.h"))
    known = _known_expressions(site.relation)
    if site.relation is not None:
        kept = [e for e in expressions if _plain(e) in known]
        evidence.append(fact("expressions with statistics", len(kept), "catalog"))
        if len(kept) == len(expressions):
            return None
        weight = max(weight, STRONG)
    return Candidate(
        code="expression_without_statistics",
        weight=weight,
        basis="catalog" if site.relation is not None else "plan",
        summary=f"There are no statistics for {listed(expressions)} on {site.table}. {rows_sentence(site)}",
        evidence=tuple(evidence),
        subject=Subject(
            table=site.table,
            relation=site.relation,
            expressions=expressions,
            columns=tuple(dict.fromkeys(r.column for r in restrictions(site) if r.column is not None)),
            fraction=site.kept,
            total_rows=site.total_rows,
            looked_up=all(clause.operator == "=" for clause in asked) and _reads_many_for_few(site),
        ),
    )


def _reads_many_for_few(site: Site) -> bool:
    """Whether the whole of a large table is read, of which few rows are kept."""
    few = site.kept is not None and site.kept <= _FEW and (site.total_rows or 0.0) >= _MANY
    return few and site.node.node_type == "Seq Scan"


def _is_default(taken: float | None, share: float) -> bool:
    """Whether the share that the planner answered for the clause is its default."""
    return taken is not None and abs(taken - share) <= 0.01 * share


def _grouped(site: Site, context: Context) -> Candidate | None:
    computed = [text for text in site.group_keys if is_expression(text)]
    if not computed or not number_is_off(site):
        return None
    owners: dict[tuple[str | None, TableName], Relation | None] = {}
    aliases: dict[str, str | None] = {}
    for text in computed:
        for reference in parse_condition(text).columns:
            key = context.key(reference, below=site.number)
            if key is None or not key.table.name:
                return None
            owners[(key.alias, key.table)] = key.relation
            aliases[text] = key.alias
    if len(owners) != 1:
        return None
    (_, table), relation = next(iter(owners.items()))
    expressions = tuple(_bare(without_alias(text, aliases[text])) for text in computed)
    default = near_default(site)
    known = _known_expressions(relation)
    if relation is not None and all(_plain(e) in known for e in expressions):
        return None
    weight = STRONG * 1.5 if default else LIKELY if len(site.group_keys) > 1 or relation is not None else POSSIBLE
    return Candidate(
        code="expression_without_statistics",
        weight=weight,
        basis="catalog" if relation is not None else "plan",
        summary=f"There are no statistics for {listed(expressions)} on {table}, by which rows are grouped. "
        + rows_sentence(site),
        evidence=(
            *(fact("expression grouped by", text, "plan") for text in expressions),
            fact("groups expected", site.estimate / site.executions, "plan"),
        ),
        subject=Subject(table=table, relation=relation, expressions=expressions, distinct=site.groups_came),
    )


def _joined(site: Site, context: Context) -> Candidate | None:
    """A join on one equality of which a side is computed, where the default number of distinct keys was taken."""
    if not joins_by_default(site, context) or not site.joined[0].is_equality:
        return None
    clause = site.joined[0]
    sides = (
        (clause.left_text, clause.left_column, clause.left_columns),
        (clause.right_text, clause.right_column, clause.right_columns),
    )
    found: list[tuple[float, str, Key]] = []
    for text, column, columns in sides:
        keys = [context.key(reference) for reference in columns]
        owner = keys[0] if column is None and keys else None
        if owner is None or not owner.table.name or {k.alias for k in keys if k is not None} != {owner.alias}:
            continue
        expression = _bare(without_alias(text, owner.alias))
        if owner.relation is None or _plain(expression) not in _known_expressions(owner.relation):
            found.append(((owner.relation.reltuples if owner.relation else None) or 0.0, expression, owner))
    if not found:
        return None
    rows, expression, owner = max(found, key=lambda each: each[0])
    return Candidate(
        code="expression_without_statistics",
        weight=PROVEN if owner.relation is not None else LIKELY,
        basis="catalog" if owner.relation is not None else "plan",
        summary=f"There are no statistics for {expression} on {owner.table}, by which rows are joined: the planner "
        f"takes 200 distinct values. {rows_sentence(site)}",
        evidence=(
            fact("expression joined by", expression, "plan"),
            fact("distinct values that the planner took", DISTINCT, "plan"),
        ),
        subject=Subject(
            table=owner.table,
            relation=owner.relation,
            expressions=(expression,),
            looked_up=rows >= _MANY and _drivers(site, context, owner) <= _FEW * rows,
        ),
    )


def _drivers(site: Site, context: Context, owner: Key) -> float:
    """Rows of the side that does not hold the key's table; as many as any where they were not counted."""
    inputs = context.tree.inputs(site.number)
    for side in inputs:
        if not any(number in context.scans.get(owner.alias, ()) for number in context.tree.subtree(side)):
            count = context.evidence.reckoned.counts[side]
            return count.actual if count.state == "exact" and count.actual is not None else inf
    return inf


def _bare(text: str) -> str:
    from rowreckon.plan.condition_text import strip_parentheses

    return strip_parentheses(text)


def _plain(text: str) -> str:
    return "".join(c for c in text if c not in " ()").lower()


def _known_expressions(relation: Relation | None) -> set[str]:
    """Expressions that have statistics. A role that may not read the whole table sees none (pg_stats), so that an
    index on the expression has to tell."""
    if relation is None:
        return set()
    sees_all = relation.selectable and relation.statistics_readable
    found = {_plain(e.expression) for s in relation.extended_statistics for e in s.expression_statistics}
    found |= {
        _plain(key.expression)
        for index in relation.indexes
        for key in index.keys
        if key.expression is not None and (key.statistics is not None or not sees_all)
    }
    return found


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """Statistics of an expression: a statistics object from 14, an index on 13 and where few rows are asked for."""
    tables = targets(subject)
    if not tables or not subject.expressions:
        return ()
    try:
        readable = read_expressions(subject.expressions)
    except Unreadable as error:
        return (without_statements(_statistics(subject, capture, ()), str(error)),)
    release = major(capture)
    unfit = not_immutable(readable, subject.relation, capture.catalog)
    if release is not None and release < _EXPRESSIONS_FROM:
        index = _index(subject, tables, readable)
        return (index if unfit is None else without_statements(index, f"{unfit}, which no index takes"),)
    draft = _statistics(subject, capture, readable)
    if unfit is not None:
        return (replace(draft, cautions=(*draft.cautions, f"{unfit}: {_NO_INDEX}", _SETTINGS)),)
    if not subject.looked_up:
        return (draft,)
    # few rows that a join asks for, one at a time, are found by nothing else
    return (draft, _index(subject, tables, readable)) if subject.fraction else (_index(subject, tables, readable),)


def _statistics(subject: Subject, capture: Capture, readable: tuple[str, ...]) -> Draft:
    """The statistics object for the finding's expressions, as they were read."""
    tables = targets(subject)
    release = major(capture)
    together = subject.columns if len(subject.expressions) + len(subject.columns) <= MOST_COLUMNS else ()
    members = (*(f"({e})" for e in readable), *(quote_name(c) for c in together))
    draft = statistics_object(
        subject,
        capture,
        tables=tables,
        members=members,
        columns=(*subject.expressions, *together),
        kinds=(),
        target=needed_target(subject.fraction),
        reason=f"Let ANALYZE collect statistics of {', '.join(subject.expressions)} on {tables[0]}, as it does of a "
        "column.",
        works=SAMPLED,
    )
    if release is None:
        note = "statistics of expressions exist from release 14 on; on 13 an index on the expression collects them"
        draft = replace(draft, cautions=(*draft.cautions, note))
    return draft


def _index(subject: Subject, tables: tuple[TableName, ...], readable: tuple[str, ...]) -> Draft:
    table = tables[0]
    name = fitting_name(table.name, *map(name_of_expression, subject.expressions), "idx")
    members = ", ".join(f"({e})" for e in readable)
    qualified = quote_table(TableName(name, table.schema))
    return Draft(
        kind="expression_index",
        sql=(
            f"CREATE INDEX CONCURRENTLY {quote_name(name)} ON {quote_table(table)} ({members})",
            *analyze_statements((table,)),
        ),
        sql_trial=(
            f"CREATE INDEX {quote_name(name)} ON {quote_table(table)} ({members})",
            *analyze_statements((table,)),
        ),
        undo=(f"DROP INDEX CONCURRENTLY {qualified}",),
        reason=f"An index on {', '.join(subject.expressions)} lets ANALYZE collect statistics of it. "
        + ("It also finds the few rows that are asked for." if subject.looked_up else "Release 13 has no other way."),
        works=SAMPLED,
        transactional=False,
        lock=SHARE_UPDATE_EXCLUSIVE,
        tables=(table,),
        columns=subject.expressions,
        cautions=("every write to the table maintains the index", "the expression has to be immutable"),
    )
