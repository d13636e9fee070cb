"""The grid's cases: seeded queries whose row error is known, the same query with the estimate made right, and the
query whose outer rows are a literal."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

from .tables import BUCKETS, Pair


@dataclass(frozen=True)
class Case:
    """One case. `query` has the wrong estimate, `right` the same rows with a right one, `flip` takes {n} rows."""

    name: str
    query: str
    right: str
    flip: str | None
    outer: str
    most_rows: int
    settings: dict[str, str] = field(default_factory=dict)


_JOINS = ["inner", "inner", "inner", "inner", "left", "semi", "anti"]


def cases(seed: int, pairs: list[Pair], count: int) -> list[Case]:
    """`count` cases over these pairs, in a fixed order for a seed."""
    draw = random.Random(seed * 1000 + 7)
    return [_case(draw, number, pairs[number % len(pairs)]) for number in range(count)]


def parallel_cases(seed: int, pairs: list[Pair], count: int) -> list[Case]:
    """`count` cases that several processes may share, some of them below an aggregate or in an order."""
    draw = random.Random(seed * 1000 + 11)
    return [_shared(draw, number, pairs[number % len(pairs)]) for number in range(count)]


def _shared(draw: random.Random, number: int, pair: Pair) -> Case:
    case = _case(draw, number, pair)
    shape = draw.random()
    top = "{query}"
    if shape < 0.2:
        top = "select count(*) from ({query}) t"
    elif shape < 0.3:
        top = "select t.id % 10, count(*), sum(t.id) from ({query}) t group by 1"
    elif shape < 0.4:
        top = "{query} order by o.id"
    return replace(
        case,
        name=f"{case.name}{'' if top == '{query}' else '^' + str(int(shape * 10))}",
        query=top.replace("{query}", case.query),
        right=top.replace("{query}", case.right),
        flip=None if case.flip is None else top.replace("{query}", case.flip),
        settings=case.settings | _parallel(draw),
    )


def _parallel(draw: random.Random) -> dict[str, str]:
    return {
        "max_parallel_workers_per_gather": draw.choice(["0", "1", "2", "2", "3", "4"]),
        "parallel_leader_participation": draw.choice(["on", "on", "off"]),
        "min_parallel_table_scan_size": draw.choice(["0", "0", "64kB", "1MB"]),
        "min_parallel_index_scan_size": draw.choice(["0", "512kB"]),
        "parallel_setup_cost": draw.choice(["0", "10", "100", "1000"]),
        "parallel_tuple_cost": draw.choice(["0", "0.01", "0.1"]),
    }


def _case(draw: random.Random, number: int, pair: Pair) -> Case:
    n = pair.number
    kind = draw.choice(_JOINS)
    on = f"i.k = o.k{' and i.k2 = o.k2' if pair.index == 'composite' or draw.random() < 0.1 else ''}"
    own = f" and i.v < {draw.choice([50, 300, 800])}" if draw.random() < 0.3 else ""
    wrong, right = _conditions(draw)
    deep = draw.random() if kind in ("inner", "left") else 1.0
    more = ""
    if deep < 0.12:
        more = " join d on d.id = o.a"
    elif deep < 0.2 and kind == "inner":
        more = " join d on d.id = o.a join e on e.v = i.v"

    def query(condition: str) -> str:
        outer_condition = condition.format(o="o")
        if kind in ("semi", "anti"):
            no = "not " if kind == "anti" else ""
            return (
                f"select o.id, o.pad from o{n} o where {outer_condition}"
                f" and {no}exists (select from i{n} i where {on}{own})"
            )
        if kind == "left":
            return f"select o.id, i.v from o{n} o left join i{n} i on {on}{own}{more} where {outer_condition}"
        return f"select o.id, i.v, i.pad from o{n} o join i{n} i on {on}{more} where {outer_condition}{own}"

    return Case(
        name=f"{number}:{kind}:{pair.key}:{pair.index}:{pair.inner_rows}x{pair.per_key}{'+' if more else ''}",
        query=query(wrong),
        right=query(right),
        flip=None if more else query("{o}.id <= {{n}} and {o}.b >= -1"),
        outer="o",
        most_rows=pair.outer_rows,
        settings=_settings(draw),
    )


def _conditions(draw: random.Random) -> tuple[str, str]:
    """A condition whose estimate is wrong, and one that lets the same number of rows through, estimated right.

    `a` and `b` are equal and even, so that the first is estimated as the product of two independent parts.
    """
    shape = draw.random()
    if shape < 0.6:
        top = draw.choice([1, 2, 4, 8, 20, 60, 120])
        return f"{{o}}.a < {top} and {{o}}.b < {top}", f"{{o}}.a < {top} and {{o}}.b >= -1"
    if shape < 0.85:
        low = draw.choice([20, 60, 100])
        return f"{{o}}.a < {low + 1} and {{o}}.b >= {low}", f"{{o}}.b = {low} and {{o}}.a >= -1"
    top = draw.choice([10, 50, BUCKETS])
    return f"{{o}}.a < {top} and {{o}}.b >= -1", f"{{o}}.a < {top} and {{o}}.b >= -1"


def _settings(draw: random.Random) -> dict[str, str]:
    settings = {
        "work_mem": draw.choice(["256kB", "1MB", "4MB", "4MB", "16MB", "64MB"]),
        "random_page_cost": draw.choice(["1.1", "4"]),
        "max_parallel_workers_per_gather": "0",
    }
    if draw.random() < 0.3:
        settings["enable_memoize"] = "off"
    if draw.random() < 0.12:
        settings |= {
            "max_parallel_workers_per_gather": "2",
            "min_parallel_table_scan_size": "0",
            "parallel_setup_cost": "10",
            "parallel_tuple_cost": "0.01",
        }
    return settings
