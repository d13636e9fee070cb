"""Facts for a stand-in out of a dump's text: its definitions, and the statistics that it would bring back."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from typing import Any, Final

from rowreckon.bounds import check_bounds
from rowreckon.declared.script import parts
from rowreckon.errors import BrokenPlan
from rowreckon.sql.grammar import NotSql, parse
from rowreckon.stand_in.facts import SCHEMA, StandInFacts, stand_in_facts

from .calls import ATTRIBUTE, RELATION, figures, restored, whole
from .heights import guessed_height
from .relations import Definitions, Row

_TOLD: Final = (
    "page counts are those of the last VACUUM or ANALYZE",
    "heights of B-trees are guessed from their pages",
    "the collation and the settings of the database stand in no dump",
    "the true ends of columns stand in no dump, the histograms' take their places",
)
"""What no dump holds, or not as the planner would find it."""
_MOST_PASSED: Final = 20
_VERSION: Final = "version"


def holds_statistics(text: str) -> bool:
    """Whether a file may be a dump with statistics; a quick look, no reading."""
    return RELATION in text


def facts_of_dump(texts: Sequence[str], wanted: Collection[tuple[str | None, str]]) -> StandInFacts | None:
    """What a stand-in for the wanted relations (schema or None, name) is built from; None without statistics of any.

    Raises BrokenPlan where the dump holds what no database has.
    """
    told = Definitions()
    calls: list[tuple[str, dict[str, str]]] = []
    for text in texts:
        for part in parts(text):
            if part.command is None and part.trouble is None:
                _take(told, calls, part.text)
    versions = [whole(found, _VERSION) for _, found in calls if found.get(_VERSION, "").isdecimal()]
    if not versions:
        return None
    _set_sizes(told, calls)
    kept = _kept(told, wanted)
    kept |= {index["oid"] for index in told.rows["indexes"] if index["relation"] in kept}
    document: dict[str, Any] = {"stand_in": SCHEMA, "with_values": True, "schemas": ["pg_catalog", "public"]}
    document["server"] = _server(max(versions), told)
    document |= {name: [row for row in rows if _is_kept(name, row, kept)] for name, rows in told.rows.items()}
    passed = [f"{what} is not taken from a dump" for what in dict.fromkeys(told.passed)]
    document["missing"] = [*_TOLD, *passed[:_MOST_PASSED]]
    document["from_dump"] = True
    try:
        check_bounds(document, "the dump")
        return stand_in_facts(json.dumps(document)) if document["relations"] else None
    except BrokenPlan as error:
        raise BrokenPlan(
            f"no stand-in is built from the dump: {error.what}",
            where=error.where,
            hint="leave it out with --no-stand-in",
        ) from None


def _take(told: Definitions, calls: list[tuple[str, dict[str, str]]], text: str) -> None:
    try:
        tree = parse(text)
        for each in tree.stmts:
            kind = each.stmt.WhichOneof("node")
            if kind == "select_stmt":
                found = restored(each.stmt.select_stmt)
                calls += [found] if found is not None else []
            elif kind is not None:
                told.take(kind, getattr(each.stmt, kind), tree)
    except NotSql:
        return


def _server(version: int, told: Definitions) -> Row:
    names = sorted({"plpgsql", *told.extensions})
    return {
        **{"version": version, "block_size": 8192, "segment_pages": 131_072, "encoding": "UTF8"},
        **{"collate": None, "ctype": None, "provider": None, "locale": None},
        **{"extensions": names, "extension_schemas": told.extensions},
    }


def _set_sizes(told: Definitions, calls: Sequence[tuple[str, dict[str, str]]]) -> None:
    """Give relations and indexes their sizes, and columns their statistics."""
    numbers = {(c["relation"], c["name"]): c["number"] for c in told.rows["columns"]}
    for function, found in calls:
        try:
            _set_one(told, numbers, function, found)
        except ValueError:
            told.passed.append(f"a statistic of {found.get('relname', 'a relation')} that is no number")
    _guess_heights(told)


def _set_one(told: Definitions, numbers: dict[tuple[int, str], int], function: str, found: dict[str, str]) -> None:
    """Raises ValueError where a number is none."""
    schema, name = found.get("schemaname", "public"), found.get("relname", "")
    owner = told.relation(schema, name) or told.index(schema, name)
    if owner is not None and function == RELATION:
        pages, rows = whole(found, "relpages"), float(found.get("reltuples", "-1"))
        owner |= {"relpages": pages, "reltuples": rows, "pages": pages if owner.get("kind", "r") == "r" else 0}
        if "relallvisible" in owner:
            owner["relallvisible"] = whole(found, "relallvisible")
    elif owner is not None and function == ATTRIBUTE:
        number = int(found.get("attnum") or numbers.get((owner["oid"], found.get("attname", "")), 0))
        if number:
            row = {"relation": owner["oid"], "number": number, **figures(found)}
            told.rows["statistics"].append(row | {"inherited": found.get("inherited", "f")[:1] == "t"})


def _guess_heights(told: Definitions) -> None:
    numbers = {(c["relation"], c["name"]): c["number"] for c in told.rows["columns"]}
    widths = {(s["relation"], s["number"]): s["width"] for s in told.rows["statistics"]}
    for index in told.rows["indexes"]:
        if index["method"] == "btree" and index["pages"]:
            columns = [(index["relation"], numbers.get((index["relation"], key))) for key in index["keys"]]
            width = sum(widths.get(column, 8) for column in columns)
            index["guessed_height"] = guessed_height(index["pages"], width)


def _kept(told: Definitions, wanted: Collection[tuple[str | None, str]]) -> set[int]:
    """The wanted relations, what they inherit from and what inherits from them, and what views read."""
    from rowreckon.stand_in.mentioned import mentioned

    rows = {row["oid"]: row for row in told.rows["relations"]}
    names = set(wanted)
    kept: set[int] = set()
    while True:
        found = {
            oid for oid, row in rows.items() if (row["schema"], row["name"]) in names or (None, row["name"]) in names
        }
        found |= {parent for oid in found | kept for parent in rows[oid]["parents"]}
        found |= {oid for oid, row in rows.items() if set(row["parents"]) & (found | kept)}
        if found <= kept:
            return kept
        for oid in found - kept:
            names |= mentioned(rows[oid]["view"])[0] if rows[oid].get("view") else set()
        kept |= found


def _is_kept(name: str, row: Row, kept: set[int]) -> bool:
    if name == "relations":
        return row["oid"] in kept
    return name == "types" or row["relation"] in kept
