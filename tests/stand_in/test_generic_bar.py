"""The bar: a prepared statement turns generic at the execution that a stand-in foretells, whatever values come.

PostgreSQL executes each sequence, and counts its generic plans in pg_prepared_statements, from 14 on.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon import releases
from rowreckon.server.stand_in.generic import generic_plan
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.settings import planning_settings
from tests.servers.fixtures import Servers

from .test_generic import SERIAL, turns_at
from .test_same_plans import facts_of, filled, folder_of

# Each query with the column of each parameter's values.
QUERIES = {
    "select count(*) from huts.stay where hut_id = $1": ("huts.stay.hut_id",),
    "select count(*) from huts.stay s join huts.hut h on h.id = s.hut_id where h.altitude > $1 and s.nights = $2": (
        *("huts.hut.altitude", "huts.stay.nights"),
    ),
    "select count(*) from huts.guest g join huts.stay s on s.guest_id = g.id where g.born < $1": ("huts.guest.born",),
    "select count(*) from huts.stay where paid and price > $1": ("huts.stay.price",),
    "select count(*) from huts.weather where day = $1 and wind < $2": ("huts.weather.day", "huts.weather.wind"),
    "select count(*) from huts.guest where land = $1 and name = $2": ("huts.guest.land", "huts.guest.name"),
    "select count(*) from huts.hut where grade = $1": ("huts.hut.grade",),
    "select max(id) from huts.stay where at between $1 and $2": ("huts.stay.at", "huts.stay.at"),
    "select count(*) from huts.visit v join huts.hut h on h.id = v.hut_id where minutes = $1": ("huts.visit.minutes",),
}
SEQUENCES = 6
EXECUTIONS = 14


def _drawn(source: psycopg.Connection[Any], columns: tuple[str, ...], seed: random.Random) -> Iterator[list[str]]:
    """For each parameter values of rows, few of them again and again in every other sequence, extremes among them."""
    for column in columns:
        table, _, name = column.rpartition(".")
        rows = source.execute(
            f"select v::text from (select distinct {name} v from {table}) d where v is not null order by v".encode()
        ).fetchall()
        values = [text for (text,) in rows]
        few = [values[0], values[-1], seed.choice(values)] if seed.random() < 0.5 else values
        yield [seed.choice(few) for _ in range(EXECUTIONS)]


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("major", [major for major in releases.MODELLED if major >= 14])
def test_the_turn_is_foretold_for_any_sequence(servers: Servers, major: int) -> None:
    """Prints how many sequences turn, and where."""
    seed = random.Random(int(os.environ.get("ROWRECKON_VALUES_SEED", str(major))))
    told, happened, wrong = [], [], []
    with filled(servers, major) as source:
        facts = facts_of(source, list(QUERIES))
        with stand_in(facts, folder_of(major)) as there:
            for query, columns in QUERIES.items():
                for _ in range(SEQUENCES):
                    values = list(zip(*_drawn(source, columns, seed), strict=True))
                    found, notes = generic_plan(query, facts, there.planner, planning_settings({}, SERIAL), values)
                    assert (found is not None, notes) == (True, ())
                    assert found is not None
                    told.append(found.turns_at)
                    happened.append(turns_at(source, query, values))
                    wrong += [(query, values, told[-1], happened[-1])] if told[-1] != happened[-1] else []
    turned = [each for each in happened if each is not None]
    print(f"\nPostgreSQL {major}: {len(told) - len(wrong)} of {len(told)} turns foretold", *wrong, sep="\n")
    print(f"{len(turned)} turn, {sum(each > 6 for each in turned)} of them after the sixth execution")

    assert not wrong
    assert 6 in turned
    assert None in happened
