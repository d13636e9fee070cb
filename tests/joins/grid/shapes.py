"""Joins of shapes that the other cases lack: indexes of other kinds, keys without a hash operator class, sides that are
a LIMIT or an aggregate, joins below an order, a grouping or a LIMIT, several tables on either side, and outer scans by
BRIN, GIN and GiST indexes.

As in the other cases `a` and `b` of the outer table always hold the same value, so that a condition on both is
estimated wrong and one on either is estimated right.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from .cases import Case
from .tables import BUCKETS

KINDS = ("hash", "partial", "given", "expression", "upper", "money", "sorted", "plain", "brin", "gin", "gist")
"""What each pair of tables has: the inner one's index, its key's type, or the outer one's index."""

_INNER = {
    "hash": ("create index {i}_h on {i} using hash (k)",),
    "partial": ("create index {i}_p on {i}(k) where v < 300",),
    "given": ("create index {i}_g on {i}(k) where w is not null",),
    "expression": ("create index {i}_e on {i}((k + 1))",),
    "upper": ("create index {i}_u on {i}(upper(t))",),
    "money": ("create index {i}_m on {i}(m)",),
    "sorted": ("create index {i}_k on {i}(k)",),
    "plain": ("create index {i}_k on {i}(k)",),
    "brin": ("create index {i}_k on {i}(k)",),
    "gin": ("create index {i}_k on {i}(k)",),
    "gist": ("create index {i}_k on {i}(k)",),
}
_OUTER = {
    "sorted": ("create index {o}_k on {o}(k)",),
    "brin": ("create index {o}_b on {o} using brin (s) with (pages_per_range = 8)",),
    "gin": ("create index {o}_t on {o} using gin (tags)",),
    "gist": ("create index {o}_r on {o} using gist (r)",),
}
_ON = {
    "expression": "i.k + 1 = o.k",
    "upper": "upper(i.t) = o.t",
    "money": "i.m = o.m",
}
_ABOVE = (
    "plain",
    "plain",
    "ordered",
    "first",
    "grouped",
    "distinct",
    "limited",
    "counted",
    "bushy",
    "chain",
)
"""What stands above the join, or what its outer side is."""


@dataclass(frozen=True)
class Shape:
    """An outer table `so<n>` and an inner table `si<n>` of one kind."""

    number: int
    kind: str
    inner_rows: int
    outer_rows: int
    per_key: int
    shuffled: bool

    @property
    def on(self) -> str:
        """The join condition between `o` and `i`."""
        return _ON.get(self.kind, "i.k = o.k")

    def statements(self) -> list[str]:
        """What builds both tables."""
        inner, outer = f"si{self.number}", f"so{self.number}"
        keys = max(self.inner_rows // self.per_key, 1)
        place = f"(g::bigint * 7919) % {keys} + 1" if self.shuffled else f"(g - 1) / {self.per_key} + 1"
        made = [
            f"create table {inner}(k int, v int, w int, t text, m money, pad text)",
            f"insert into {inner} select x, g % 1000, case when g % 3 = 0 then g end, 'k' || x, x::int::money,"
            f" repeat('i', 40) from (select g, {place} as x from generate_series(1, {self.inner_rows}) g) s",
            f"create table {outer}(id int, s int, a int, b int, k int, t text, m money, tags int[], r int4range)",
            f"insert into {outer} select (g * 7919) % {self.outer_rows} + 1, g, (g * 31) % {BUCKETS},"
            f" (g * 31) % {BUCKETS}, x, 'K' || x, x::int::money, array[g % 7, 10 + g % 11], int4range(g, g + 5)"
            f" from (select g, (g::bigint * 104729) % {keys} + 1 as x from generate_series(1, {self.outer_rows}) g) s",
        ]
        made += [s.format(i=inner) for s in _INNER[self.kind]] + [s.format(o=outer) for s in _OUTER.get(self.kind, ())]
        return [*made, f"vacuum analyze {inner}", f"vacuum analyze {outer}"]


def shapes(seed: int, largest: int, of_each: int = 2) -> list[Shape]:
    """Pairs of each kind, inner tables up to `largest` rows."""
    draw = random.Random(seed * 1000 + 13)
    sizes = [s for s in (2_000, 10_000, 40_000, 150_000) if s <= largest]
    return [
        Shape(
            number=number,
            kind=KINDS[number % len(KINDS)],
            inner_rows=draw.choice(sizes),
            outer_rows=draw.choice([n for n in (7_001, 20_011, 50_021) if n <= 5 * largest]),
            per_key=draw.choice([1, 2, 5, 20]),
            shuffled=draw.random() < 0.6,
        )
        for number in range(of_each * len(KINDS))
    ]


def shape_cases(seed: int, made: list[Shape], count: int) -> list[Case]:
    """`count` cases over these pairs, in a fixed order for a seed."""
    draw = random.Random(seed * 1000 + 17)
    return [_case(draw, number, made[number % len(made)]) for number in range(count)]


def _case(draw: random.Random, number: int, shape: Shape) -> Case:
    above = draw.choice(_ABOVE)
    top = draw.choice([1, 2, 4, 8, 20, 60, 120])
    of_outer = _of_outer(draw, shape)
    of_inner = {"partial": " and i.v < 300", "given": draw.choice([" and i.w is not null", " and i.w > 0"])}
    # an index on the inner side serves the query only where this implies its predicate
    own = of_inner.get(shape.kind, "")
    if not own and draw.random() < 0.3:
        own = f" and i.v < {draw.choice([50, 300, 800])}"
    wanted = draw.choice([5, 50, 500])

    def query(condition: str) -> str:
        return _query(shape, above, wanted, condition + of_outer, own)

    flips = above in ("plain", "ordered", "grouped", "distinct")
    return Case(
        name=f"{number}:{shape.kind}:{above}:{shape.inner_rows}x{shape.per_key}",
        query=query(f"o.a < {top} and o.b < {top}"),
        right=query(f"o.a < {top} and o.b >= -1"),
        flip=query("o.id <= {n} and o.b >= -1") if flips else None,
        outer="o",
        most_rows=shape.outer_rows,
        settings=_settings(draw),
    )


def _of_outer(draw: random.Random, shape: Shape) -> str:
    """A condition that the outer table's own index serves."""
    if shape.kind == "brin":
        return f" and o.s < {draw.choice([shape.outer_rows // 10, shape.outer_rows // 2])}"
    if shape.kind == "gin":
        return f" and o.tags @> array[{draw.choice([0, 3, 10, 15])}]"
    if shape.kind == "gist":
        return f" and o.r && int4range(1, {draw.choice([100, 1000, 5000])})"
    return ""


def _query(shape: Shape, above: str, wanted: int, condition: str, own: str) -> str:
    outer, inner, on = f"so{shape.number}", f"si{shape.number}", shape.on
    joined = f"from {outer} o join {inner} i on {on}{own} where {condition}"
    if above == "ordered":
        return f"select o.id, o.k, i.pad {joined} order by o.k"
    if above == "first":
        return f"select o.id, o.k, i.pad {joined} order by o.k limit {wanted}"
    if above == "grouped":
        return f"select o.k, count(*), max(i.v) {joined} group by o.k"
    if above == "distinct":
        return f"select distinct o.k, i.v {joined}"
    if above == "limited":
        of_outer = f"select * from {outer} o where {condition} order by o.id limit {wanted * 20}"
        return f"select o.id, i.pad from ({of_outer}) o join {inner} i on {on}{own}"
    if above == "counted":
        of_outer = f"select o.k, o.t, o.m, count(*) as c from {outer} o where {condition} group by 1, 2, 3"
        return f"select o.c, i.pad from ({of_outer}) o join {inner} i on {on}{own}"
    if above == "bushy":
        return (
            f"select o.id, i.pad, d.label from ({outer} o join d on d.id = o.a) join ({inner} i join e on e.v = i.v)"
            f" on {on}{own} where {condition}"
        )
    if above == "chain":
        return (
            f"select o.id, i.pad from {outer} o join {inner} i on {on}{own} join d on d.id = o.a"
            f" join e on e.v = i.v join d d2 on d2.id = o.b join e e2 on e2.w = d.id where {condition}"
        )
    return f"select o.id, i.pad {joined}"


def _settings(draw: random.Random) -> dict[str, str]:
    settings = {
        "work_mem": draw.choice(["64kB", "256kB", "1MB", "4MB", "16MB"]),
        "random_page_cost": draw.choice(["1.1", "2", "4"]),
        "max_parallel_workers_per_gather": "0",
    }
    if draw.random() < 0.3:
        settings |= {
            "max_parallel_workers_per_gather": draw.choice(["1", "2", "4"]),
            "min_parallel_table_scan_size": "0",
            "min_parallel_index_scan_size": "0",
            "parallel_setup_cost": draw.choice(["0", "10", "100"]),
            "parallel_tuple_cost": draw.choice(["0", "0.01"]),
        }
    return settings
