"""The grid's tables: pairs of an outer table whose row estimate can be made wrong and right, and an inner table.

Every outer table has two columns `a` and `b` that always hold the same value, so that a condition on both is
estimated as if they were independent (the error), while a condition on one is estimated right. `id` counts the rows
without an index, so that `id <= n` is estimated as n rows, for finding the row count at which the planner flips.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Literal

KeyType = Literal["int", "bigint", "text", "uuid", "numeric"]
IndexKind = Literal["none", "unique", "plain", "covering", "behind", "composite"]

_KEY = {
    "int": "({0})::int",
    "bigint": "({0})::bigint",
    "text": "'k' || lpad(({0})::text, 8, '0')",
    "uuid": "md5(({0})::text)::uuid",
    "numeric": "({0})::numeric",
}
BUCKETS = 200
"""Distinct values of `a` and of `b`."""


@dataclass(frozen=True)
class Pair:
    """An outer table `o<n>` and an inner table `i<n>` that share a key domain."""

    number: int
    key: KeyType
    inner_rows: int
    per_key: int
    shuffled: bool
    width: int
    index: IndexKind
    outer_rows: int
    matched: float

    @property
    def keys(self) -> int:
        """Distinct keys of the inner table."""
        return max(self.inner_rows // self.per_key, 1)

    def statements(self) -> list[str]:
        """What builds both tables."""
        n, keys, domain = self.number, self.keys, max(int(self.keys / self.matched), 1)
        place = f"(g::bigint * 7919) % {keys} + 1" if self.shuffled else f"(g - 1) / {self.per_key} + 1"
        drawn = f"(g::bigint * 104729) % {domain} + 1"
        inner = [
            f"create table i{n}(k {self.key}, k2 int, v int, pad text)",
            f"insert into i{n} select {_KEY[self.key].format('x')}, x % 7, g % 1000, repeat('i', {self.width})"
            f" from (select g, {place} as x from generate_series(1, {self.inner_rows}) g) s",
        ]
        build = {
            "none": [],
            "unique": [f"create unique index i{n}_k on i{n}(k)"],
            "plain": [f"create index i{n}_k on i{n}(k)"],
            "covering": [f"create index i{n}_k on i{n}(k) include (v)"],
            "behind": [f"create index i{n}_vk on i{n}(v, k)"],
            "composite": [f"create index i{n}_kk on i{n}(k, k2)"],
        }
        outer = [
            f"create table o{n}(id int, a int, b int, k {self.key}, k2 int, pad text)",
            f"insert into o{n} select g, (g * 31) % {BUCKETS}, (g * 31) % {BUCKETS}, {_KEY[self.key].format('x')},"
            f" x % 7, repeat('o', 20) from (select g, {drawn} as x from generate_series(1, {self.outer_rows}) g) s",
        ]
        return [*inner, *build[self.index], *outer, f"vacuum analyze i{n}", f"vacuum analyze o{n}"]


def pairs(seed: int, count: int, largest: int) -> list[Pair]:
    """`count` pairs, inner tables up to `largest` rows."""
    draw = random.Random(seed)
    sizes = [s for s in (1_000, 3_000, 10_000, 30_000, 100_000, 300_000, 2_000_000) if s <= largest]
    found: list[Pair] = []
    kinds: list[IndexKind] = ["unique", "plain", "none", "covering", "plain", "unique", "behind", "composite"]
    types: list[KeyType] = ["int", "bigint", "text", "int", "uuid", "numeric"]
    for number in range(count):
        index = kinds[number % len(kinds)]
        per_key = 1 if index == "unique" else draw.choice([1, 2, 5, 20])
        size = sizes[number % len(sizes)] if number < 2 * len(sizes) else draw.choice(sizes[:-1])
        found.append(
            Pair(
                number=number,
                key=types[draw.randrange(len(types))],
                inner_rows=size,
                per_key=per_key,
                shuffled=draw.random() < 0.6,
                width=draw.choice([10, 40, 150]),
                index=index,
                outer_rows=draw.choice([5_000, 20_000, 60_000]),
                matched=draw.choice([1.0, 1.0, 0.5]),
            )
        )
    return found


SHARED = [
    "create table d(id int primary key, label text)",
    f"insert into d select g, repeat('d', 12) from generate_series(0, {BUCKETS * 2}) g",
    "create table e(v int, w int)",
    "insert into e select g % 1000, g from generate_series(1, 4000) g",
    "create index e_v on e(v)",
    "vacuum analyze d",
    "vacuum analyze e",
]
"""Small tables for joins of three and four."""
