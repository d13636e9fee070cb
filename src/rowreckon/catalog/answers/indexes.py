"""Indexes and their heights out of the program's answer. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rowreckon.catalog.answers.columns import statistics_by_column
from rowreckon.catalog.indexes import Index, IndexKey
from rowreckon.catalog.parts import Tablespace

Row = dict[str, Any]
_CALLS_PER_LEVEL = 50
"""Operator calls that the planner charges for each page of a B-tree descent (DEFAULT_PAGE_CPU_MULTIPLIER)."""


def indexes_of(
    sections: Mapping[str, Any], spaces: Mapping[int, Tablespace], default_space: int
) -> dict[int, tuple[Index, ...]]:
    """Indexes by relation, without heights."""
    statistics = statistics_by_column(sections)
    found: dict[int, tuple[Index, ...]] = {}
    for row in sections.get("indexes") or ():
        space = spaces.get(row["tablespace"] or default_space)
        keys = []
        for key in row["keys"]:
            own = statistics.get((row["schema"], row["name"], key["column"]), ())
            keys.append(IndexKey.model_validate({**key, "statistics": own[0] if own else None}))
        fields = row | {
            "keys": tuple(keys),
            "included": row["included"] or (),
            "relpages": max(row["relpages"], 0),
            "reltuples": row["reltuples"] if row["reltuples"] >= 0 else None,
            "seq_page_cost": space.seq_page_cost if space else None,
            "random_page_cost": space.random_page_cost if space else None,
        }
        found[row["relation"]] = (*found.get(row["relation"], ()), Index.model_validate(fields))
    return found


def mark_heights(indexes: Mapping[int, tuple[Index, ...]], answers: Iterable[Row]) -> dict[int, tuple[Index, ...]]:
    """The indexes with the heights that pageinspect told or that a startup cost gives away."""
    told = {a["n"]: a for a in answers if a["kind"] == "height"}
    return {oid: tuple(_with_height(i, told.get(i.oid)) for i in group) for oid, group in indexes.items()}


def _with_height(index: Index, answer: Row | None) -> Index:
    if answer is None:
        return index
    if "height" in answer:
        return index.model_copy(update={"height": answer["height"], "height_known_by": "pageinspect"})
    height = height_from_startup(answer["startup"])
    if answer["index"] != index.name or answer["node"] not in ("Index Scan", "Index Only Scan") or height is None:
        return index
    return index.model_copy(update={"height": height, "height_known_by": "explain"})


def height_from_startup(startup_cost: float) -> int | None:
    """Height of a B-tree from the startup cost of reading it whole with cpu_operator_cost 1 and other costs 0.

    startup = ceil(log2(tuples)) + 50 x (height + 1), and the logarithm is below 50 for any table. None where the cost
    has another form (a penalty for a switched-off method, or another node's cost in it).
    Source: btcostestimate in src/backend/utils/adt/selfuncs.c.
    """
    levels, comparisons = divmod(startup_cost, _CALLS_PER_LEVEL)
    if not 1 <= levels < 100 or comparisons != int(comparisons):
        return None
    return int(levels) - 1
