"""The shape of an answer that came as a file: which keys its parts have, of which types and within which bounds.

What is checked here is only looked at: the answer goes on as it is, so that keys of a newer release are kept. Hence
the types are strict: no text that reads as a number passes for one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

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
    check_bounds,
)
from rowreckon.errors import BrokenPlan


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


class _Told(_Part):
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


class _Server(_Part):
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


_SECTIONS: dict[str, type[_Part]] = {
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


class _Section(_Part):
    name: Name
    content: Any


class _Refused(_Part):
    text: Node
    why: Text


class _Barred(_Part):
    relation: Oid
    why: Text


class _Answer(_Part):
    request: dict[str, Any]
    names: list[dict[str, Any]]
    answers: list[_Told]
    failures: list[_Failure]
    sections: list[_Section]
    search_path: Text | None
    refused: list[_Refused] | None = None
    barred: list[_Barred] | None = None


def check_answer(answer: Mapping[str, Any]) -> None:
    """Nothing where an answer has the shape that the script prints. Raises BrokenPlan that names the field."""
    check_bounds(answer, "the answer")
    try:
        typed = _Answer.model_validate(answer)
    except ValidationError as error:
        raise broken_answer(error, ()) from None
    for number, told in enumerate(typed.answers):
        _check_told(told, f"answers > {number}")
    for number, failure in enumerate(typed.failures):
        if failure.for_ is None and failure.part is None:
            raise BrokenPlan("a failure belongs to no question", where=f"failures > {number}", hint=_AGAIN)
    for section in typed.sections:
        _check_section(section)


def _check_told(told: _Told, where: str) -> None:
    """Whether an answer to a question about a plan holds what every plan has."""
    kinds = [(t.kind, t.n, t.what) for t in told.for_] if told.for_ is not None else [(told.kind, told.n, told.what)]
    for kind, number, what in kinds:
        if kind is None or number is None:
            raise BrokenPlan("an answer belongs to no question", where=where, hint=_AGAIN)
        needed: tuple[str, ...] = (
            _NEEDED if kind != "height" else () if told.height is not None else ("startup", "index", "node")
        )
        if kind in _PLANNED and what is None:
            needed = ("what",)
        lacking = [name for name in needed if name not in told.model_fields_set or _empty(told, name)]
        if kind in _PLANNED and lacking:
            raise BrokenPlan(f"an answer lacks {lacking[0]}", where=where, hint=_AGAIN)


_PLANNED = frozenset({"relation", "clause", "pair", "end", "height"})
_NEEDED = ("node", "rows", "width", "startup", "total", "index", "index_cond", "filter")
_MAY_BE_EMPTY = frozenset({"index", "index_cond", "filter"})


def _empty(told: _Told, name: str) -> bool:
    return name not in _MAY_BE_EMPTY and getattr(told, name) is None


def _check_section(section: _Section) -> None:
    content = section.content
    place: tuple[str, ...] = (section.name,)
    try:
        if section.name == "server":
            _Server.model_validate(content)
        elif isinstance(content, list):
            model = _SECTIONS.get(section.name)
            for number, row in enumerate(content):
                place = (section.name, str(number))
                if not isinstance(row, dict):
                    raise BrokenPlan("a row belongs here", where=f"{section.name} > {number}", hint=_AGAIN)
                if model is not None:
                    model.model_validate(row)
        elif content is not None:
            raise BrokenPlan("a list of rows belongs here", where=section.name, hint=_AGAIN)
    except ValidationError as error:
        raise broken_answer(error, place) from None


def broken_answer(error: ValidationError, place: tuple[str, ...]) -> BrokenPlan:
    """The first fault that a model found in an answer, as an error that names the field."""
    first = error.errors(include_url=False, include_context=False, include_input=False)[0]
    where = " > ".join((*place, *(str(step) for step in first["loc"])))
    return BrokenPlan(f"the answer holds a value that does not belong: {first['msg']}", where=where, hint=_AGAIN)


_AGAIN = "ask for the output as a file: psql -X -f ask.sql -o answer.txt"
