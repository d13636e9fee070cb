"""All that each remedy says, kept as a file and reviewed as a diff (common practice, no source).

ROWRECKON_UPDATE_SNAPSHOTS=1 writes it anew. The statements are written by hand in test_drafts.py and run on live
servers in test_sql.py; here are the words, locks and undo notes that come with them.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path

import pytest

from rowreckon.capture import Capture
from rowreckon.catalog.columns import Column
from rowreckon.catalog.facts import Catalog, Relation
from rowreckon.catalog.indexes import Index, IndexKey
from rowreckon.causes.registry import BY_CODE
from rowreckon.remedies.hidden_statistics import let_statistics_be_used
from rowreckon.remedies.subject import Subject, TableName

from .test_drafts import CASES, GUESTS, STAYS

KEPT = Path(__file__).with_name("pinned_drafts.json")


def _index(name: str, definition: str, **more: object) -> Index:
    return Index.model_validate(
        {"oid": 900, "schema": "shelf", "name": name, "access_method": "btree", "definition": definition}
        | {"keys": (IndexKey(attnum=1),), "idx_scan": 3}
        | more
    )


def _relation(oid: int, name: str, **more: object) -> Relation:
    column = {"type": "text", "type_oid": 25, "type_length": -1}
    columns = [
        Column.model_validate({"attnum": 1, "name": "city", "statistics_target": 250} | column),
        Column.model_validate({"attnum": 2, "name": "guest_id", "readable": False} | column),
    ]
    return Relation.model_validate(
        {"oid": oid, "schema": "tours", "name": name, "kind": "table", "columns": columns} | more
    )


PLAIN = _relation(
    1,
    "stays",
    indexes=[
        _index("stays_day", "CREATE INDEX stays_day ON tours.stays USING btree (city)"),
        _index("stays_guest_id_idx", "CREATE INDEX stays_guest_id_idx ON tours.stays USING btree ((SELECT 1))"),
    ],
)
DESCRIBED = _relation(
    1,
    "stays",
    extended_statistics=[
        {"schema": "tours", "name": "stays_city_guest_id_ndistinct", "kinds": ("ndistinct",), "columns": (1, 2)}
        | {"definition": "CREATE STATISTICS tours.stays_city_guest_id_ndistinct ON city, guest_id FROM tours.stays"}
    ],
)
FOREIGN = _relation(5, "stays", kind="foreign_table", analyzable=False)
PARENT = _relation(2, "stays", kind="partitioned_table", has_children=True, children=(3, 4))
LEAVES = (_relation(3, "stays_east", is_partition=True), _relation(4, "stays_west", is_partition=True))
CATALOG = Capture(name="rehearsal", catalog=Catalog(server_version=180006, relations=(PARENT, *LEAVES)))
HALF = Capture(name="rehearsal", catalog=Catalog(server_version=180006, relations=(PARENT, LEAVES[0])))
NONE = Capture(name="rehearsal")
KNOWN: dict[str, tuple[str, Subject, Capture]] = {
    "a target set before": ("column_target_too_low", Subject(table=STAYS, relation=PLAIN, columns=("city",)), CATALOG),
    "no target set": ("column_target_too_low", Subject(table=STAYS, relation=PLAIN, columns=("guest_id",)), CATALOG),
    "a partitioned table": ("missing_join_index", Subject(table=STAYS, relation=PARENT, columns=("city",)), CATALOG),
    "a partition unknown": ("missing_join_index", Subject(table=STAYS, relation=PARENT, columns=("city",)), HALF),
    "a name taken": ("missing_join_index", Subject(table=STAYS, relation=PLAIN, columns=("guest_id",)), CATALOG),
    "an index with its price": (
        "missing_join_index",
        Subject(table=STAYS, relation=PLAIN, columns=("city",), pages=300_000.0, prefix_of_new="stays_day"),
        CATALOG,
    ),
    "a small index": ("missing_join_index", Subject(table=GUESTS, columns=("Id",), pages=4.0, included=("a",)), NONE),
    "an index to drop": ("luring_index", Subject(table=STAYS, relation=PLAIN, index="stays_day"), CATALOG),
    "one that can't be made again": (
        "luring_index",
        Subject(table=STAYS, relation=PLAIN, index="stays_guest_id_idx"),
        CATALOG,
    ),
    "a condition that can't be read": (
        "missing_join_index",
        Subject(table=STAYS, relation=PLAIN, columns=("city",), predicate="(SELECT 1)"),
        CATALOG,
    ),
    "an object's name taken": (
        "ndistinct_multi_column",
        Subject(table=STAYS, relation=DESCRIBED, columns=("city", "guest_id")),
        CATALOG,
    ),
    "a table analyzed when": ("stale_statistics", Subject(table=STAYS, relation=PLAIN), CATALOG),
    "a foreign table": ("stale_statistics", Subject(table=STAYS, relation=FOREIGN), NONE),
    "an index of a partition": ("luring_index", Subject(table=STAYS, relation=LEAVES[0], index="x"), CATALOG),
}
HIDDEN = {
    "a column": Subject(table=STAYS, relation=PLAIN, columns=("guest_id", "city")),
    "a table": Subject(table=STAYS, relation=_relation(1, "stays", selectable=False), columns=("city",)),
    "rows": Subject(table=STAYS, relation=_relation(1, "stays", row_security_active=True), columns=("city",)),
    "a view": Subject(table=TableName("stays"), columns=()),
}
READABLE = _relation(
    1,
    "stays",
    row_security_active=True,
    columns=[Column.model_validate({"attnum": 1, "name": "city", "type": "text", "type_oid": 25, "type_length": -1})],
)
ROWS = Subject(table=STAYS, relation=READABLE, columns=("city",), alias="s")
ASKED = {
    "a filter under a policy": ("select * from tours.stays s where s.city > 'm'", ROWS, 18),
    "a prefix": ("select * from tours.stays s where s.city like 'late%'", ROWS, 18),
    "before 14": ("select * from tours.stays s where s.city > 'm'", ROWS, 13),
    "not readable": (
        "select * from tours.stays s where s.city > 'm'",
        Subject(
            table=STAYS,
            relation=_relation(1, "stays", row_security_active=True),
            columns=("city", "guest_id"),
            alias="s",
        ),
        18,
    ),
    "no policy": (
        "select * from tours.stays s where s.city > 'm'",
        Subject(table=STAYS, relation=PLAIN, columns=("city",), alias="s"),
        18,
    ),
}
"""Queries whose filter may be written another way: the text, the filter's subject and the release."""


def _said() -> dict[str, list[dict[str, object]]]:
    by_name = {code: BY_CODE[code].remedy(subject, NONE) for code, (subject, _, _) in CASES.items()}
    known = {f"{name}: {code}": BY_CODE[code].remedy(subject, of) for name, (code, subject, of) in KNOWN.items()}
    hidden = {f"hidden, {name}": let_statistics_be_used(subject, NONE) for name, subject in HIDDEN.items()}
    asked = {
        f"asked, {name}": let_statistics_be_used(subject, Capture(name="rehearsal", query=query, server_version=major))
        for name, (query, subject, major) in ASKED.items()
    }
    drafts = {**by_name, **known, **hidden, **asked}
    return {name: json.loads(json.dumps([asdict(draft) for draft in each])) for name, each in drafts.items()}


def test_all_that_is_said() -> None:
    """Word for word, each draft of each remedy; where one differs, the difference is for a person to read."""
    said = _said()
    if os.environ.get("ROWRECKON_UPDATE_SNAPSHOTS"):
        KEPT.write_text(json.dumps(said, indent=1, ensure_ascii=False) + "\n", "utf-8")
        pytest.skip("written anew")
    assert said == json.loads(KEPT.read_text("utf-8"))


def test_every_case_says_something() -> None:
    """Each subject has a draft, but the partitioned table whose partitions are not all known may not."""
    empty = [name for name, drafts in _said().items() if not drafts]
    assert empty == []
