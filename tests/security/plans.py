"""Hostile plan files: a plan of the house's own tables with one text or name replaced, and its harmless twin.

A twin's evidence is what a server tells of the untouched plan: an estimate for each of the two scans.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .conditions import CONDITIONS

_COSTS = {"Startup Cost": 0.29, "Total Cost": 700.5, "Plan Rows": 3, "Plan Width": 16}
_ACTUALS = {"Actual Startup Time": 0.1, "Actual Total Time": 30.5, "Actual Rows": 7000, "Actual Loops": 1}


def _node(kind: str, **more: Any) -> dict[str, Any]:
    keys = {key.replace("_", " "): value for key, value in more.items()}
    return {"Node Type": kind, **_COSTS, **_ACTUALS, **keys}


def plan() -> dict[str, Any]:
    """A misestimated hash join of bookings and payments under a sort and an aggregate, as EXPLAIN prints it."""
    bookings = _node(
        "Seq Scan",
        Relation_Name="bookings",
        Schema="public",
        Alias="b",
        Output=["b.id", "b.nights", "b.land"],
        Filter="(b.land >= 'land 3'::text)",
    )
    payments = _node(
        "Index Scan",
        Relation_Name="payments",
        Schema="public",
        Alias="p",
        Index_Name="payments_booking",
        Scan_Direction="Forward",
        Output=["p.booking_id", "p.amount", "p.method"],
        Filter="(p.amount > 1)",
    )
    hashed = _node("Hash", Output=["b.id", "b.nights", "b.land"], Plans=[{**bookings, "Parent Relationship": "Outer"}])
    join = _node(
        "Hash Join",
        Join_Type="Inner",
        Inner_Unique=True,
        Hash_Cond="(p.booking_id = b.id)",
        Output=["b.land", "p.amount"],
        Plans=[{**payments, "Parent Relationship": "Outer"}, {**hashed, "Parent Relationship": "Inner"}],
    )
    sort = _node(
        "Sort", Output=["b.land", "p.amount"], Sort_Key=["b.land"], Plans=[{**join, "Parent Relationship": "Outer"}]
    )
    top = _node(
        "Aggregate",
        Strategy="Sorted",
        Partial_Mode="Simple",
        Output=["b.land", "count(p.amount)"],
        Group_Key=["b.land"],
        Plans=[{**sort, "Parent Relationship": "Outer"}],
    )
    return {"Plan": top, "Settings": {"work_mem": "4MB"}, "Planning Time": 0.2, "Execution Time": 40.0}


WAYS: dict[str, list[int]] = {"top": [], "sort": [0], "join": [0, 0], "payments": [0, 0, 0], "bookings": [0, 0, 1, 0]}

# Which keys of EXPLAIN hold expressions, by the kind of node that the file gives them to.
EXPRESSION_KEYS: dict[str, tuple[str, ...]] = {
    "top": ("Output", "Group Key", "Filter", "One-Time Filter", "Run Condition", "Conflict Filter"),
    "sort": ("Sort Key", "Presorted Key", "Output", "Cache Key"),
    "join": ("Hash Cond", "Merge Cond", "Join Filter", "Output", "Filter"),
    "bookings": ("Filter", "Output", "Recheck Cond", "Function Call", "Table Function Call", "Sampling Parameters"),
    "payments": ("Filter", "Index Cond", "Output", "Order By", "TID Cond", "Remote SQL", "Repeatable Seed"),
}
LISTS = ("Output", "Group Key", "Sort Key", "Presorted Key", "Sampling Parameters")
KINDS = {
    "Merge Cond": "Merge Join",
    "Recheck Cond": "Bitmap Heap Scan",
    "TID Cond": "Tid Scan",
    "Remote SQL": "Foreign Scan",
    "Function Call": "Function Scan",
    "Table Function Call": "Table Function Scan",
    "Sampling Parameters": "Sample Scan",
    "Repeatable Seed": "Sample Scan",
    "Cache Key": "Memoize",
    "Presorted Key": "Incremental Sort",
    "Run Condition": "WindowAgg",
}
COLUMNS = {"bookings": ("b.nights", "b.land"), "payments": ("p.amount", "p.method")}


@dataclass(frozen=True)
class PlanFile:
    """A plan under a name; `asked` where its twin must get the planner's estimates of both scans."""

    name: str
    document: dict[str, Any]
    asked: bool = False

    def write(self, folder: Path, place: dict[str, str]) -> Path:
        """Write it as EXPLAIN (FORMAT JSON) prints it."""
        text = json.dumps([self.document])
        for key, value in place.items():
            text = text.replace(f"<{key}>", value)
        path = folder / (self.name.replace(" ", "-").replace("/", "-") + ".json")
        path.write_text(text)
        return path


def at(document: dict[str, Any], where: str) -> dict[str, Any]:
    """The node of this name in the plan."""
    node: dict[str, Any] = document["Plan"]
    for step in WAYS[where]:
        node = node["Plans"][step]
    return node


def with_text(where: str, key: str, text: str) -> dict[str, Any]:
    """The plan with this text in this key; where the key is a list or the scan's filter, beside what it held."""
    document = copy.deepcopy(plan())
    node = at(document, where)
    integer, letters = COLUMNS.get(where, COLUMNS["bookings"])
    text = text.replace("{c}", integer).replace("{t}", letters)
    node["Node Type"] = KINDS.get(key, node["Node Type"])
    if key in LISTS:
        node[key] = [*node.get(key, []), text]
    elif key == "Join Filter":
        node[key] = text
    elif key in ("Filter", "Hash Cond") and key in node:
        node[key] = f"({node[key]} AND {text})" if text.startswith("(") and text.endswith(")") else text
    else:
        node[key] = text
    return document


def expressions(*, twin: bool, every: bool) -> Iterator[PlanFile]:
    """Each text in each key, or each text in the scans' filters and in two more keys by turns."""
    places = [(where, key) for where, keys in EXPRESSION_KEYS.items() for key in keys]
    for number, (name, texts) in enumerate(CONDITIONS.items()):
        text = texts[1] if twin else texts[0]
        turns = [("bookings", "Filter"), places[(2 * number) % len(places)], places[(2 * number + 1) % len(places)]]
        for where, key in places if every else dict.fromkeys(turns):
            yield PlanFile(
                f"{where} {key} {name}", with_text(where, key, text), asked=key == "Filter" and where in COLUMNS
            )


NAMES: dict[str, tuple[str, str]] = {
    "statement": ("bookings; select snare.spring('name'); --", "bookings of 2026"),
    "closing quote": ("bookings\"; select snare.spring('name'); --", 'bookings "2026"'),
    "closing apostrophe": ("bookings'); select snare.spring('name'); --", "guest's bookings"),
    "doubled quote": ("bookings\"\"; select snare.spring('name'); --", 'bookings ""'),
    "backslash": ("bookings\\'; select snare.spring('name'); --", "bookings\\2026"),
    "dollar": ("$rowreckon_request$; select snare.spring('name'); --", "bookings$1"),
    "psql": ("bookings\n\\! touch <YARD>/psql\n", "bookings\n2026"),
    "call": ("snare.spring('name')", "abs"),
    "star": ("bookings b, lateral snare.spring('name')", "bookings_b"),
    "null": ("bookings\x00; select snare.spring('name')", "bookings_0"),
    "long": ("b" * 70_000 + "'; select snare.spring('name'); --", "b" * 63),
    "conversion": ("%s %I $1 {} {0} '; select snare.spring('name'); --", "%s"),
}
NAME_KEYS: dict[str, tuple[str, ...]] = {
    "bookings": ("Relation Name", "Schema", "Alias", "CTE Name", "Function Name", "Subplan Name"),
    "payments": ("Index Name", "Alias", "Relation Name", "Custom Plan Provider"),
    "join": ("Subplan Name", "Node Type", "Join Type"),
}


def names(*, twin: bool, every: bool) -> Iterator[PlanFile]:
    """Each hostile name in each key, or every third of them."""
    number = 0
    for where, keys in NAME_KEYS.items():
        for key in keys:
            for name, texts in NAMES.items():
                number += 1
                if every or number % 3 == 0:
                    document = copy.deepcopy(plan())
                    at(document, where)[key] = texts[1] if twin else texts[0]
                    yield PlanFile(f"{where} {key} name {name}", document)


SETTINGS = {
    "read-only": ("transaction_read_only", "off"),
    "role": ("role", "postgres"),
    "session authorization": ("session_authorization", "postgres"),
    "quoted read-only": ("TRANSACTION_READ_ONLY", "off"),
    "path": ("search_path", "shadow, public"),
    "strings": ("standard_conforming_strings", "off"),
    "encoding": ("client_encoding", "SQL_ASCII"),
    "library": ("local_preload_libraries", "auto_explain"),
    "library now": ("session_preload_libraries", "auto_explain"),
    "triggers": ("session_replication_role", "replica"),
    "no limit": ("statement_timeout", "0"),
    "value's end": ("work_mem", "4MB'; select snare.spring('setting'); --"),
    "name's end": ("work_mem = '4MB'; select snare.spring('setting'); --", "4MB"),
    "program": ("archive_command", "touch <YARD>/archived"),
    "constraints": ("constraint_exclusion", "on"),
    "log": ("log_statement", "all"),
    "unknown": ("huts.token", "x'; select snare.spring('setting'); --"),
}


def settings(*, twin: bool) -> Iterator[PlanFile]:
    """Each hostile setting in the plan's Settings; the twin names ones that EXPLAIN prints."""
    for number, (name, (key, value)) in enumerate(SETTINGS.items()):
        document = copy.deepcopy(plan())
        document["Settings"] = {"work_mem": f"{number + 1}MB"} if twin else {key: value}
        yield PlanFile(f"setting {name}", document, asked=True)


RELATIONS = {
    "partial index": ("public", "booby_index"),
    "check": ("public", "booby_check"),
    "statistics": ("public", "booby_statistics"),
    "domain column": ("public", "booby_domain"),
    "partitions": ("public", "booby_parent"),
    "partition": ("public", "booby_part_2"),
    "generated column": ("public", "booby_generated"),
    "view": ("public", "door"),
    "view of a view": ("snare", "attic"),
    "row security": ("snare", "guarded"),
    "hidden rows": ("snare", "register"),
    "forbidden table": ("snare", "strongroom"),
    "foreign program": ("snare", "from_program"),
    "foreign view": ("snare", "far_view"),
    "foreign, planned remotely": ("snare", "far_planned"),
    "sequence": ("public", "tickets"),
    "catalog": ("pg_catalog", "pg_authid"),
    "shadowed": ("shadow", "huts"),
}


def relations(*, twin: bool) -> Iterator[PlanFile]:
    """Plans that name a relation whose own definition runs code, or which the role may not read; conditions plain."""
    for number, (name, (schema, table)) in enumerate(RELATIONS.items()):
        document = copy.deepcopy(plan())
        node = at(document, "bookings")
        if not twin:
            column = {"strongroom": "secret", "register": "guest", "attic": "n", "door": "n"}.get(table, "id")
            node.update(
                {
                    "Schema": schema,
                    "Relation Name": table,
                    "Output": [f"b.{column}"],
                    "Filter": f"(b.{column} IS NOT NULL)",
                }
            )
        else:
            node["Filter"] = f"(b.nights = {number})"
        yield PlanFile(f"relation {name}", document, asked=True)
