"""From the program's answer, one JSON document, to a Catalog for each plan. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rowreckon.catalog.answers.clauses import clause_facts
from rowreckon.catalog.answers.columns import columns_of, expression_statistics_of, extended_statistics_of
from rowreckon.catalog.answers.estimates import pair_estimates, relation_estimates
from rowreckon.catalog.answers.indexes import indexes_of, mark_heights
from rowreckon.catalog.answers.missing import missing_facts
from rowreckon.catalog.answers.unasked import unasked_of
from rowreckon.catalog.facts import Catalog, ForeignKey, PlanName, Relation, UniqueKey
from rowreckon.catalog.parts import FunctionFacts, OperatorFacts, Setting, Tablespace
from rowreckon.catalog.request import FactsRequest
from rowreckon.cost.capabilities import marks_never_analyzed
from rowreckon.errors import StatementFailed, UsageError
from rowreckon.plural import counted

FACTS_SCHEMA = "rowreckon.facts/1"
_KINDS = {
    "r": "table",
    "p": "partitioned_table",
    "v": "view",
    "m": "materialized_view",
    "f": "foreign_table",
    "t": "toast_table",
    "S": "sequence",
    "c": "composite",
}
_PERSISTENCE = {"p": "permanent", "u": "unlogged", "t": "temporary"}
_COUNTERS = (
    "n_live_tup",
    "n_dead_tup",
    "n_mod_since_analyze",
    "last_analyze",
    "last_autoanalyze",
    "last_vacuum",
    "last_autovacuum",
    "analyze_count",
)

Row = dict[str, Any]


def catalogs_from_answer(answer: Mapping[str, Any], *, plans: int | None = None) -> tuple[Catalog, ...]:
    """One catalog a plan of the request, in its order; `plans` is how many there must be, if that is known.

    Raises StatementFailed where the answer lacks the server's identity, without which nothing can be read from it, and
    UsageError where it is about another number of plans.
    """
    request = FactsRequest.model_validate(answer["request"])
    if plans is not None and request.plans != plans:
        raise UsageError(
            f"the answer is about {counted(request.plans, 'plan')}, the input holds {plans}",
            hint="give the same plans, in the same order, as to `rowreckon ask`",
        )
    unasked = unasked_of(request, answer)
    answers, failures = _each(answer["answers"]), _each(answer["failures"])
    sections: dict[str, Any] = {s["name"]: s["content"] for s in answer["sections"]}
    server = sections.get("server")
    if server is None:
        reason = next((f"{f['message']}" for f in failures if f["part"] == "server"), "it gave no answer")
        raise StatementFailed(f"the server did not tell its version: {reason}", hint="read the facts again")
    names = tuple(PlanName.model_validate(n) for n in answer["names"])
    tablespaces = tuple(Tablespace.model_validate(t) for t in sections.get("tablespaces") or ())
    relations = _relations(sections, server, tablespaces, answers)
    by_oid = {r.oid: r for r in relations}
    operators = tuple(OperatorFacts.model_validate(o) for o in sections.get("operators") or ())
    estimates = relation_estimates(request, names, answers, unasked)
    clauses = clause_facts(request, names, by_oid, operators, answers)
    pairs = pair_estimates(request, answers)
    shared = {
        "server_version": server["server_version"],
        "block_size": server["block_size"],
        "database": server["database"],
        "role": server["role"],
        "search_path": answer["search_path"],
        "in_recovery": server["in_recovery"],
        "read_at": server["read_at"],
        "stats_reset": server["stats_reset"],
        "settings": tuple(_setting(s) for s in sections.get("settings") or ()),
        "tablespaces": tablespaces,
        "functions": tuple(FunctionFacts.model_validate(f) for f in sections.get("functions") or ()),
        "operators": operators,
    }
    catalogs = []
    for plan in range(request.plans):
        scans = [r for r in request.relations if r.plan == plan]
        asked = {(r.schema_name, r.name) for r in scans}
        own_names = tuple(n for n in names if (n.schema_, n.name) in asked)
        own = _with_ancestors((n.oid for n in own_names if n.oid is not None), by_oid)
        catalog = Catalog(
            **shared,
            names=own_names,
            relations=own,
            join_clauses=clauses.get(plan, ()),
            relation_estimates=estimates.get(plan, ()),
            join_pairs=pairs.get(plan, ()),
        )
        missing = missing_facts(catalog, request, plan, failures, unasked, track_counts=server["track_counts"])
        catalogs.append(catalog.model_copy(update={"missing": missing}))
    return tuple(catalogs)


def _each(entries: Iterable[Row]) -> list[Row]:
    """An answer or failure for each question that it belongs to: equal statements are planned once."""
    found: list[Row] = []
    for entry in entries:
        targets = entry.get("for")
        if targets is None:
            found.append(entry)
        else:
            found.extend({**entry, **target, "part": target["kind"]} for target in targets)
    return found


def _with_ancestors(oids: Iterable[int], by_oid: Mapping[int, Relation]) -> tuple[Relation, ...]:
    found: dict[int, Relation] = {}
    waiting = list(oids)
    while waiting:
        relation = by_oid.get(waiting.pop())
        if relation is None or relation.oid in found:
            continue
        found[relation.oid] = relation
        if relation.parent is not None:
            waiting.append(relation.parent)
    return tuple(found[oid] for oid in sorted(found))


def _setting(row: Row) -> Setting:
    """pg_settings gives every value as text, in the unit beside it."""
    value: bool | float | str | None = row["setting"]
    if row["vartype"] == "bool":
        value = row["setting"] == "on"
    elif row["vartype"] in ("integer", "real") and row["setting"] is not None:
        value = float(row["setting"])
    return Setting(name=row["name"], value=value, unit=row["unit"], source=row["source"])


def _relations(
    sections: Mapping[str, Any], server: Row, tablespaces: tuple[Tablespace, ...], answers: list[Row]
) -> tuple[Relation, ...]:
    spaces = {t.oid: t for t in tablespaces}
    rows: list[Row] = sections.get("relations") or []
    columns = columns_of(sections, rows)
    indexes = mark_heights(indexes_of(sections, spaces, server["tablespace"]), answers)
    expressions = expression_statistics_of(sections)
    extended = extended_statistics_of(sections, rows, expressions)
    foreign, unique = _keys(sections.get("constraints") or ())
    relations = []
    for row in rows:
        space = spaces.get(row["tablespace"] or server["tablespace"])
        options: Row = row["options"] or {}
        oid = row["oid"]
        counted = _counters_kept(row, server)
        relations.append(
            Relation(
                oid=oid,
                schema_=row["schema"],
                name=row["name"],
                kind=_KINDS[row["kind"]],
                persistence=_PERSISTENCE[row["persistence"]],
                owner=row["owner"],
                pages=row["pages"],
                relpages=max(row["relpages"], 0),
                reltuples=_reltuples(row, server),
                relallvisible=row["relallvisible"],
                has_children=row["has_children"],
                is_partition=row["is_partition"],
                parent=row["parent"],
                children=row["children"] or (),
                partition_key=row["partition_key"],
                partition_bound=row["partition_bound"],
                fillfactor=options.get("fillfactor"),
                parallel_workers=options.get("parallel_workers"),
                autovacuum_enabled=options.get("autovacuum_enabled"),
                seq_page_cost=space.seq_page_cost if space else None,
                random_page_cost=space.random_page_cost if space else None,
                **{name: row[name] if counted else None for name in _COUNTERS},
                columns=columns.get(oid, ()),
                indexes=indexes.get(oid, ()),
                extended_statistics=extended.get(oid, ()),
                foreign_keys=foreign.get(oid, ()),
                unique_keys=unique.get(oid, ()),
                row_security=row["row_security"],
                row_security_active=row["row_security_active"],
                selectable=row["selectable"],
                statistics_readable=not row["row_security_active"] and all(c.readable for c in columns.get(oid, ())),
                analyzable=row["analyzable"],
            )
        )
    return tuple(relations)


def _reltuples(row: Row, server: Row) -> float | None:
    """-1 says 'never counted' from 14 on, where 0 is an empty table's count; 13 says it by no pages and no rows."""
    uncounted = not marks_never_analyzed(server["server_version"] // 10000)
    if row["reltuples"] < 0 or (uncounted and row["reltuples"] == 0 and row["relpages"] <= 0):
        return None
    return float(row["reltuples"])


def _counters_kept(row: Row, server: Row) -> bool:
    """Whether the cumulative counters say anything: none on a standby, none with track_counts off, all zero if lost."""
    if server["in_recovery"] or not server["track_counts"]:
        return False
    if row["kind"] not in ("r", "m", "t", "p", "f"):
        return False
    empty = not any(row[name] for name in (*_COUNTERS, "changes"))
    return not (empty and (row["pages"] or row["relpages"] > 0))


def _keys(rows: Iterable[Row]) -> tuple[dict[int, tuple[ForeignKey, ...]], dict[int, tuple[UniqueKey, ...]]]:
    foreign: dict[int, tuple[ForeignKey, ...]] = {}
    unique: dict[int, tuple[UniqueKey, ...]] = {}
    for row in rows:
        oid = row["relation"]
        if row["type"] == "f":
            foreign[oid] = (*foreign.get(oid, ()), ForeignKey.model_validate(row))
        else:
            key = UniqueKey.model_validate(row | {"primary": row["type"] == "p"})
            unique[oid] = (*unique.get(oid, ()), key)
    return foreign, unique
