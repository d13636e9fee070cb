"""What could not be read, why, and what would bring it: hidden facts prove nothing, so each is named. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from rowreckon.catalog.answers.unasked import Unasked, missing_questions
from rowreckon.catalog.facts import Catalog, Relation
from rowreckon.catalog.parts import MissingFact
from rowreckon.catalog.request import FactsRequest, quoted

Row = dict[str, Any]


def missing_facts(
    catalog: Catalog, request: FactsRequest, plan: int, failures: Iterable[Row], unasked: Unasked, *, track_counts: bool
) -> tuple[MissingFact, ...]:
    """All that this plan's catalog lacks, each once."""
    found: dict[MissingFact, None] = {}
    for name in catalog.names:
        if name.oid is None:
            shown = f"{name.schema_}.{name.name}" if name.schema_ else name.name
            found[MissingFact(what=f"facts of {shown}", why=name.why or "not found", how=_name_how(name.why))] = None
        elif name.why:
            found[
                MissingFact(
                    what=f"certainty that {name.name} is the relation meant",
                    why=name.why,
                    how="take the plan with EXPLAIN (VERBOSE), which names schemas",
                )
            ] = None
    for relation in catalog.relations:
        found.update(dict.fromkeys(_of_relation(relation, catalog, track_counts=track_counts)))
    found.update(dict.fromkeys(missing_questions(catalog, request, plan, unasked)))
    found.update(dict.fromkeys(_of_failures(failures, request, plan)))
    return tuple(found)


def _name_how(why: str | None) -> str:
    if why and why.startswith("several"):
        return "take the plan with EXPLAIN (VERBOSE), which names schemas, or set search_path as the application does"
    return "connect to the database that the plan comes from, as the role that ran it"


def _of_relation(relation: Relation, catalog: Catalog, *, track_counts: bool) -> Iterator[MissingFact]:
    name = relation.qualified_name
    sql_name = quoted(relation.schema_, relation.name)
    if relation.row_security_active:
        yield MissingFact(
            what=f"statistics of {name}",
            why=f"row security hides them from {catalog.role or 'this role'}",
            how="read the facts as the table's owner or as a role with BYPASSRLS",
            relation=name,
        )
    elif not relation.statistics_readable:
        columns = ", ".join(c.name for c in relation.columns if not c.readable)
        yield MissingFact(
            what=f"statistics of {name} ({columns})",
            why=f"{catalog.role or 'this role'} may not read these columns",
            how=f"GRANT SELECT ON {sql_name} TO {quoted(catalog.role or '…')}, or read the facts as another role",
            relation=name,
        )
    if relation.n_live_tup is None and relation.kind in ("table", "materialized_view", "partitioned_table"):
        if catalog.in_recovery:
            why = "a standby keeps no counts of changes"
        elif not track_counts:
            why = "track_counts is off"
        else:
            why = "the counters are empty: a fresh copy, a restored backup, or a reset"
        yield MissingFact(
            what=f"counts of changes to {name} and when it was last analyzed",
            why=why,
            how="read the facts on the primary that the plan comes from",
            relation=name,
        )
    unknown = [i.name for i in relation.indexes if i.access_method == "btree" and i.pages is not None and i.valid]
    unknown = [n for n in unknown if (index := relation.index(n)) is not None and index.height is None]
    if unknown:
        yield MissingFact(
            what=f"height of {', '.join(unknown)}",
            why="no printed cost gives it away, and pageinspect is not there for this role",
            how="install pageinspect and read the facts as a superuser",
            relation=name,
        )


def _of_failures(failures: Iterable[Row], request: FactsRequest, plan: int) -> Iterator[MissingFact]:
    """Failed parts of the program; those of other plans' scans are theirs."""
    parts: dict[tuple[str, str], None] = {}
    asked: dict[str, Sequence[object]] = {
        "relation": request.relations,
        "clause": request.clauses,
        "end": request.clauses,
        "pair": request.pairs,
    }
    for failure in failures:
        part, number = failure["part"], failure.get("n")
        what = str(part).replace("_", " ")
        if part in asked and not 0 < (number or 0) <= len(asked[part]):
            continue  # a question that was not asked has no answer
        if part == "relation" and number is not None:
            scan = request.relations[number - 1]
            if scan.plan != plan:
                continue
            what = f"the planner's estimate for {scan.alias}"
        elif part in ("clause", "end") and number is not None:
            clause = request.clauses[number - 1]
            if clause.plan != plan:
                continue
            what = f"the planner's figures for {clause.left} {clause.operator} {clause.right}"
        elif part == "pair" and number is not None:
            pair = request.pairs[number - 1]
            if pair.plan != plan:
                continue
            what = f"the planner's estimate for {pair.left_alias} with {pair.right_alias}"
        elif part == "height":
            continue  # named with its relation
        why = failure.get("message") or "the server answered with an error"
        code = failure.get("sqlstate")
        parts[what, f"{why} (SQLSTATE {code})" if code else str(why)] = None
    for what, why in parts:
        yield MissingFact(what=what, why=why)
