"""The shape of an answer that came as a file: which keys its parts have, of which types and within which bounds.

What is checked here is only looked at: the answer goes on as it is, so that keys of a newer release are kept. Hence
the types are strict: no text that reads as a number passes for one.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from rowreckon.bounds import (
    AttNum,
    AttNums,
    BlockSize,
    Cost,
    Counter,
    Difference,
    Freqs,
    Name,
    Node,
    Oid,
    Rows,
    Share,
    Text,
    Version,
    Whole,
    Width,
)


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", defer_build=True, protected_namespaces=(), strict=True)


_Moment = Annotated[datetime, Field(strict=False)]
_Freqs = Annotated[Freqs, Field(strict=False)]
_AttNums = Annotated[AttNums, Field(strict=False)]


class _Target(_Part):
    """Which question an answer belongs to: the n-th of its kind, or an index by its oid."""

    kind: Name
    n: Oid
    what: Name | None = None


class Told(_Part):
    """An answer. `rows` is at least 0; what it lacks is left out or null."""

    for_: Annotated[list[_Target] | None, Field(alias="for")] = None
    kind: Name | None = None
    n: Oid | None = None
    what: Name | None = None
    node: Name | None = None
    rows: Rows | None = None
    width: Width | None = None
    startup: Cost | None = None
    total: Cost | None = None
    index: Name | None = None
    index_cond: Text | None = None
    filter: Text | None = None
    height: Annotated[int, Field(ge=0, le=1_000)] | None = None


class _Failure(_Part):
    for_: Annotated[list[_Target] | None, Field(alias="for")] = None
    part: Name | None = None
    n: Oid | None = None
    message: Text | None = None
    sqlstate: Name | None = None


class Server(_Part):
    role: Name | None
    read_at: _Moment | None
    database: Name | None
    block_size: BlockSize
    tablespace: Oid
    in_recovery: bool
    stats_reset: _Moment | None
    track_counts: bool
    server_version: Version


class _Setting(_Part):
    name: Name
    unit: Name | None
    source: Name | None
    setting: Text | None
    vartype: Name

    @model_validator(mode="after")
    def _number(self) -> Self:
        """pg_settings gives numbers as text."""
        if self.vartype in ("integer", "real") and self.setting is not None:
            try:
                finite = math.isfinite(float(self.setting))
            except ValueError:
                finite = False
            if not finite:
                raise ValueError(f"the setting {self.name} is no number")
        return self


class _Options(_Part):
    """As ALTER TABLE … SET stored them: texts."""

    model_config = ConfigDict(strict=False)

    n_distinct: Difference | None = None
    n_distinct_inherited: Difference | None = None


class _Relation(_Part):
    oid: Oid
    kind: Literal["r", "p", "v", "m", "f", "t", "S", "c"]
    name: Name
    owner: Name | None
    pages: Counter | None
    parent: Oid | None
    schema_: Annotated[Name, Field(alias="schema")]
    changes: Counter | None
    options: dict[Name, Any] | None
    children: list[Oid] | None
    relpages: Whole
    reltuples: Difference
    analyzable: bool | None
    n_dead_tup: Counter | None
    n_live_tup: Counter | None
    selectable: bool
    tablespace: Oid
    persistence: Literal["p", "u", "t"]
    has_children: bool
    is_partition: bool
    last_vacuum: _Moment | None
    last_analyze: _Moment | None
    last_autovacuum: _Moment | None
    last_autoanalyze: _Moment | None
    row_security: bool
    row_security_active: bool
    analyze_count: Counter | None
    partition_key: Text | None
    partition_bound: Text | None
    relallvisible: Whole
    n_mod_since_analyze: Counter | None


class _Column(_Part):
    name: Name
    type: Name
    attnum: AttNum
    typmod: Whole
    options: _Options | None
    not_null: bool
    readable: bool
    relation: Oid
    type_oid: Oid
    type_length: AttNum
    statistics_target: Whole | None


class _Type(_Part):
    oid: Oid
    hashable: bool | None
    mergejoinable: bool | None


class _Figures(_Part):
    inherited: bool | None = None
    null_frac: Share | None
    avg_width: Width | None
    n_distinct: Difference | None
    correlation: Difference | None
    n_histogram: Counter | None
    most_common_freqs: _Freqs | None
    most_common_vals: list[Text] | None = None
    histogram_bounds: list[Text] | None = None
    elem_count_average: Rows | None = None


class _Statistics(_Figures):
    name: Name
    table: Name
    schema_: Annotated[Name, Field(alias="schema")]
    null_frac: Share
    avg_width: Width
    n_distinct: Difference
    n_histogram: Counter


class _ExpressionStatistics(_Figures):
    name: Name
    schema_: Annotated[Name, Field(alias="schema")]
    expression: Text


class _Key(_Part):
    column: Name | None


class _Index(_Part):
    relation: Oid
    schema_: Annotated[Name, Field(alias="schema")]
    name: Name
    keys: Annotated[list[_Key], Field(max_length=1_700)]
    included: _AttNums | None
    relpages: Whole
    reltuples: Difference
    tablespace: Oid


class _Extended(_Part):
    relation: Oid
    schema_: Annotated[Name, Field(alias="schema")]
    name: Name
    kinds: list[Name]
    columns: _AttNums | None
    inherited: bool | None
    definition: Text
    expressions: list[Text] | None
    n_distinct: Text | None
    dependencies: Text | None
    most_common_freqs: _Freqs | None
    statistics_target: Whole | None


class _Constraint(_Part):
    relation: Oid
    type: Name


SECTIONS: dict[str, type[_Part]] = {
    "settings": _Setting,
    "relations": _Relation,
    "columns": _Column,
    "types": _Type,
    "statistics": _Statistics,
    "indexes": _Index,
    "extended_statistics": _Extended,
    "expression_statistics": _ExpressionStatistics,
    "constraints": _Constraint,
}


class Section(_Part):
    name: Name
    content: Any


class _Refused(_Part):
    text: Node
    why: Text


class _Barred(_Part):
    relation: Oid
    why: Text


class Answer(_Part):
    request: dict[str, Any]
    names: list[dict[str, Any]]
    answers: list[Told]
    failures: list[_Failure]
    sections: list[Section]
    search_path: Text | None
    refused: list[_Refused] | None = None
    barred: list[_Barred] | None = None
