"""Parts may be merged in any order and grouping: properties over generated executions, and the sketch's error."""

from __future__ import annotations

import pickle
import random
import statistics
from collections.abc import Mapping

from hypothesis import given
from hypothesis import strategies as st

from rowreckon.archive.digest import Digest
from rowreckon.archive.folds import Place
from rowreckon.archive.partial import Partial, Unread
from rowreckon.archive.spread import Spread
from rowreckon.archive.store import FoldStore

digests = st.builds(
    Digest,
    fingerprint=st.sampled_from([b"bookings", b"huts", b"guests"]),
    query_id=st.sampled_from([None, "17"]),
    query=st.sampled_from([None, "select 1"]),
    at=st.one_of(st.none(), st.sampled_from([f"2026-07-01 00:00:{s:02d}.000 UTC" for s in range(60)])),
    worst=st.one_of(st.none(), st.floats(1, 1e12)),
    misestimated=st.integers(0, 3),
    joins=st.integers(0, 4),
    crossed=st.integers(0, 2),
    held=st.integers(0, 2),
    undecided=st.integers(0, 2),
    lost_us=st.integers(0, 10**9),
    execution_us=st.one_of(st.none(), st.integers(0, 10**10)),
)
executions = st.lists(digests, max_size=30)


def _partial(items: list[tuple[int, Digest]]) -> Partial:
    out = Partial()
    for number, digest in items:
        out.add(digest, Place(number % 3, number))
        if number % 5 == 0:
            out.reject(Unread(Place(number % 3, number), "cut off", ""))
    return out


@given(executions, st.randoms(use_true_random=False), st.integers(1, 6))
def test_any_split_and_any_order_give_the_same(found: list[Digest], draw: random.Random, parts: int) -> None:
    """Whole at once, or in parts that are merged in any order, also by way of files."""
    numbered = list(enumerate(found))
    whole = _partial(numbered)
    pieces: list[list[tuple[int, Digest]]] = [[] for _ in range(parts)]
    for item in numbered:
        pieces[draw.randrange(parts)].append(item)
    draw.shuffle(pieces)
    store = FoldStore(most_in_memory=draw.choice([0, 1, 100]))
    for piece in pieces:
        store.add(pickle.loads(pickle.dumps(_partial(piece))))

    assert _plain(dict(store.folds())) == _plain(whole.folds)
    assert _plain(dict(store.folds())) == _plain(whole.folds), "asked twice"
    assert store.whole.totals == whole.totals
    assert sorted(store.whole.unread) == sorted(whole.unread)


@given(executions, executions, executions)
def test_merging_is_associative(a: list[Digest], b: list[Digest], c: list[Digest]) -> None:
    """(a + b) + c = a + (b + c)."""
    numbered = list(enumerate([*a, *b, *c]))
    split = (numbered[: len(a)], numbered[len(a) : len(a) + len(b)], numbered[len(a) + len(b) :])
    left, middle, right = (_partial(part) for part in split)
    left.merge(middle)
    left.merge(right)
    first, second, third = (_partial(part) for part in split)
    second.merge(third)
    first.merge(second)

    assert _plain(left.folds) == _plain(first.folds)
    assert left.totals == first.totals


def _plain(folds: Mapping[bytes, object]) -> dict[bytes, object]:
    """Folds as values that compare."""
    return {
        name: [_value(getattr(fold, slot)) for slot in fold.__slots__]  # type: ignore[attr-defined]
        for name, fold in sorted(folds.items())
    }


def _value(value: object) -> object:
    if isinstance(value, Spread):
        return sorted(value.counts.items()), value.smallest, value.largest
    return value


@given(st.lists(st.floats(1, 1e15), min_size=1, max_size=300), st.sampled_from([0.5, 0.95]))
def test_a_quantile_is_within_one_percent(values: list[float], share: float) -> None:
    """Against the value at that place of the sorted list (bound of the paper that `spread` names)."""
    spread = Spread()
    for value in values:
        spread.add(value)
    place = min(max(-int(-(share * len(values)) // 1) - 1, 0), len(values) - 1)
    exact = sorted(values)[place]
    read = spread.quantile(share)

    assert read is not None
    assert abs(read - exact) <= 0.0101 * exact
    assert (spread.smallest, spread.largest) == (min(values), max(values))


def test_a_known_spread() -> None:
    """1 to 1,001: the median of the standard library, to within 1 %."""
    spread = Spread()
    for value in range(1, 1002):
        spread.add(float(value))

    assert abs((spread.quantile(0.5) or 0) / statistics.median(range(1, 1002)) - 1) < 0.01
