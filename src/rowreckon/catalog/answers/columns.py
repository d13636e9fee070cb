"""Columns and statistics objects out of the program's answer. Pure."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import ValidationError

from rowreckon.catalog.columns import (
    Column,
    ColumnStatistics,
    Dependency,
    ExpressionStatistics,
    ExtendedStatistics,
    NDistinctGroup,
)
from rowreckon.errors import BrokenPlan

Row = dict[str, Any]
Entry = TypeVar("Entry")
_KINDS = {"d": "ndistinct", "f": "dependencies", "m": "mcv", "e": "expressions"}


def statistics_from(row: Row) -> ColumnStatistics:
    """One row of pg_stats or pg_stats_ext_exprs; an expression's row may be empty before ANALYZE."""
    return ColumnStatistics(
        inherited=bool(row.get("inherited")),
        null_frac=row["null_frac"],
        avg_width=row["avg_width"],
        n_distinct=row["n_distinct"],
        correlation=row["correlation"],
        most_common_freqs=row["most_common_freqs"] or (),
        n_histogram=row["n_histogram"],
        elem_count_average=row.get("elem_count_average"),
        most_common_vals=row.get("most_common_vals"),
        histogram_bounds=row.get("histogram_bounds"),
    )


def statistics_by_column(sections: Mapping[str, Any]) -> dict[tuple[str, str, str], tuple[ColumnStatistics, ...]]:
    """Rows of pg_stats by schema, table or index, and column."""
    found: dict[tuple[str, str, str], tuple[ColumnStatistics, ...]] = {}
    for row in sections.get("statistics") or ():
        key = (row["schema"], row["table"], row["name"])
        found[key] = (*found.get(key, ()), statistics_from(row))
    return found


def columns_of(sections: Mapping[str, Any], relations: Sequence[Row]) -> dict[int, tuple[Column, ...]]:
    """Columns by relation, in attnum order."""
    by_oid = {r["oid"]: r for r in relations}
    types = {t["oid"]: t for t in sections.get("types") or ()}
    statistics = statistics_by_column(sections)
    found: dict[int, list[Column]] = {}
    for row in sections.get("columns") or ():
        relation = by_oid.get(row["relation"])
        if relation is None:
            continue
        own = statistics.get((relation["schema"], relation["name"], row["name"]), ())
        target = row["statistics_target"]
        options: Row = row["options"] or {}
        known = types.get(row["type_oid"], {})
        found.setdefault(row["relation"], []).append(
            Column(
                attnum=row["attnum"],
                name=row["name"],
                type=row["type"],
                typmod=row["typmod"],
                type_length=row["type_length"],
                not_null=row["not_null"],
                statistics_target=None if target is None or target < 0 else target,
                n_distinct_override=options.get("n_distinct"),
                n_distinct_inherited_override=options.get("n_distinct_inherited"),
                hashable=known.get("hashable"),
                mergejoinable=known.get("mergejoinable"),
                statistics=own,
                statistics_missing=None if own else _why_none(relation, row),
                readable=row["readable"],
            )
        )
    return {oid: tuple(columns) for oid, columns in found.items()}


def _why_none(relation: Row, column: Row) -> str:
    if relation["row_security_active"]:
        return "hidden by row security"
    if not column["readable"]:
        return "hidden from this role, which may not read the column"
    if column["statistics_target"] == 0:
        return "switched off by a statistics target of 0"
    if relation["kind"] == "v":
        return "a view keeps none"
    if relation["reltuples"] < 0 or (relation["relpages"] <= 0 and relation["reltuples"] == 0):
        return "never analyzed"
    return "not analyzed since the column was added, or all that was sampled could not be summed up"


def expression_statistics_of(sections: Mapping[str, Any]) -> dict[tuple[str, str], tuple[ExpressionStatistics, ...]]:
    """Expressions' statistics by statistics object (schema, name); those not filled yet are left out."""
    found: dict[tuple[str, str], tuple[ExpressionStatistics, ...]] = {}
    for row in sections.get("expression_statistics") or ():
        if row["null_frac"] is None:
            continue
        key = (row["schema"], row["name"])
        entry = ExpressionStatistics(expression=row["expression"], statistics=statistics_from(row))
        found[key] = (*found.get(key, ()), entry)
    return found


def extended_statistics_of(
    sections: Mapping[str, Any],
    relations: Sequence[Row],
    expressions: Mapping[tuple[str, str], tuple[ExpressionStatistics, ...]],
) -> dict[int, tuple[ExtendedStatistics, ...]]:
    """Statistics objects by relation. From 15 on a parent's object can have a row with its children and one without."""
    trees = {r["oid"] for r in relations if r["kind"] == "p"}
    best: dict[tuple[int, str, str], Row] = {}
    for row in sections.get("extended_statistics") or ():
        key = (row["relation"], row["schema"], row["name"])
        if key not in best or bool(row["inherited"]) == (row["relation"] in trees):
            best[key] = row
    found: dict[int, tuple[ExtendedStatistics, ...]] = {}
    for (oid, schema, name), row in best.items():
        own = expressions.get((schema, name), ())
        target = row["statistics_target"]
        filled = (row["n_distinct"], row["dependencies"], row["most_common_freqs"], own)
        entry = ExtendedStatistics(
            schema_=schema,
            name=name,
            kinds=tuple(_KINDS.get(k, k) for k in row["kinds"]),
            columns=row["columns"] or (),
            expressions=row["expressions"] or (),
            statistics_target=None if target is None or target < 0 else target,
            built=any(filled),
            n_distinct=_groups(row),
            dependencies=_dependencies(row),
            most_common_freqs=row["most_common_freqs"] or (),
            expression_statistics=own,
            definition=row["definition"],
        )
        found[oid] = (*found.get(oid, ()), entry)
    return found


def _groups(row: Row) -> tuple[NDistinctGroup, ...]:
    """pg_ndistinct prints {"1, 2": 50}: attnums, and the number of distinct combinations."""
    return _printed(row, "n_distinct", lambda key, value: NDistinctGroup(columns=_numbers(key), n_distinct=value))


def _dependencies(row: Row) -> tuple[Dependency, ...]:
    """pg_dependencies prints {"1 => 2": 1.000000, "1, 3 => 2": 0.9}."""

    def one(key: str, degree: Any) -> Dependency:
        determinant, _, dependent = key.partition("=>")
        return Dependency(determinant=_numbers(determinant), dependent=int(dependent), degree=degree)

    return _printed(row, "dependencies", one)


def _printed(row: Row, field: str, entry: Callable[[str, Any], Entry]) -> tuple[Entry, ...]:
    """The entries of a value that the server prints as a JSON object. Raises BrokenPlan, and pydantic's error."""
    try:
        return tuple(entry(key, value) for key, value in json.loads(row[field] or "{}").items())
    except ValidationError:
        raise
    except (ValueError, AttributeError, RecursionError):
        raise BrokenPlan(
            f"the {field} of the statistics object {row['name']} is not as a server prints it",
            where="extended_statistics",
            hint="have the script run once more",
        ) from None


def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(part) for part in text.split(","))
