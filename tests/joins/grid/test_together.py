"""How many joins are decided from plans alone, and from plans with others of the same database; how many rightly so.

`ROWRECKON_GRID_SEED=7 pytest -q -s -m full -n 0 tests/joins/grid/test_together.py` prints the table; without a seed the
day's is taken, so that nothing is tuned to it. The bar that was set is 70% of the joins with an error of ten or more
decided, at a precision of 0.95 for `crossed`. The share is missed by what no plan can tell: that an index is absent.
"""

from __future__ import annotations

import datetime
import os

import psycopg
import pytest

from rowreckon import releases
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from .cases import cases
from .companions import Score, scores, show
from .run import build
from .tables import pairs

RELEASES = (14, 16, releases.NEWEST)
TABLES, COUNT, LARGEST = 8, 60, 100_000
_BAR = 0.7


@pytest.mark.full
def test_plans_tell_each_other(servers: Servers, capsys: pytest.CaptureFixture[str]) -> None:
    """More is decided together than alone, on each release; and of what is called crossed on all of them, 95% is so."""
    seed = int(os.environ.get("ROWRECKON_GRID_SEED") or datetime.date.today().strftime("%y%m%d"))
    both = Score(), Score()
    for major in RELEASES:
        with fresh_database(servers(major).dsn) as dsn, psycopg.connect(dsn, autocommit=True) as connection:
            build(connection, seed=seed, count=TABLES, largest=LARGEST)
            shown = show(connection, cases(seed, pairs(seed, TABLES, LARGEST), COUNT))
        alone, together = scores(shown, seed)
        with capsys.disabled():
            print(f"\nPostgreSQL {major}, seed {seed}: the bar is {_BAR:.0%} decided")
            print(alone.line("alone"), together.line("together"), *together.wrong, sep="\n")
        assert together.decided >= alone.decided
        for whole, one in zip(both, (alone, together), strict=True):
            whole.add(one)
    alone, together = both

    assert together.decided > alone.decided
    assert together.rightly_crossed >= 0.95 * together.crossed
    assert together.rightly_held >= 0.95 * together.held
