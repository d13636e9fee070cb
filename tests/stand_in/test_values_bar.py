"""The bar: for every value the map's plan is the plan of the server that has the data.

Values are drawn over whole domains: values of rows, values between and beyond them. A value for which the map names no
plan counts as missed; that happens only where two plans meet between two numbers, times or texts.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import psycopg
import pytest

from rowreckon import releases
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.server.stand_in.values import plans_by_value
from rowreckon.sql.grammar import parse
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.settings import planning_settings
from rowreckon.stand_in.values.kinds import Value
from rowreckon.stand_in.values.places import PATTERNS, Place, comparisons
from tests.servers.fixtures import Servers

from .test_same_plans import facts_of, filled, folder_of
from .value_lookup import plan_told, server_says

QUERIES = (
    "select * from huts.hut h join huts.stay s on s.hut_id = h.id where h.altitude > 3000",
    "select * from huts.hut h join huts.stay s on s.hut_id = h.id where h.altitude between 1000 and 1010",
    "select * from huts.guest g join huts.stay s on s.guest_id = g.id where g.land = 'Aldria'",
    "select * from huts.guest g join huts.stay s on s.guest_id = g.id where g.land < 'Brenta' and g.id > 39000",
    "select * from huts.guest where name = 'Guest 3' and mail = 'g77@huts.example'",
    "select * from huts.guest g join huts.stay s on s.guest_id = g.id where g.born < '1941-01-01'",
    "select * from huts.guest where land = 'Aldria' and born = '1950-03-04'",
    "select * from huts.stay where paid and price > 620",
    "select * from huts.stay where paid = true and nights = 3 and price <= 5.5 order by id limit 20",
    "select * from huts.stay s join huts.guest g on g.id = s.guest_id where s.id < 40 order by g.name",
    "select * from huts.stay a join huts.stay b on b.guest_id = a.guest_id and b.id < a.id where a.nights = 9",
    "select * from huts.hut h join huts.stay s on s.hut_id = h.id where grade = 'hard' and h.id < 100",
    "select * from huts.hut where grade >= 'hard' and altitude = 937",
    "select count(*) from huts.stay where at between '2024-03-01' and '2024-03-09'",
    "select * from huts.weather w join huts.hut h on h.id = w.hut_id where w.day > '2025-12-20'",
    "select * from huts.weather where day = '2024-07-07' and wind > 100",
    "select * from huts.report r join huts.hut h on h.id = r.hut_id where r.words > 890",
    "select * from huts.busy b join huts.hut h on h.id = b.hut_id where b.stays > 40",
    "select * from huts.stay where hut_id = 17 and nights > 3",
    "select * from huts.guest g join huts.stay s on s.guest_id = g.id where g.land <> 'Aldria' and g.id < 400",
    "select * from huts.guest g join huts.stay s on s.guest_id = g.id where g.land in ('Aldria', 'Brenta', 'Corvara')",
    "select * from huts.guest where land not in ('Aldria', 'Brenta') and born <> '1950-03-04' order by id limit 9",
    "select * from huts.hut h join huts.stay s on s.hut_id = h.id where h.altitude = any (array[937, 1000, 1001])",
    "select * from huts.stay where hut_id in (17, 18) and nights <> 3",
    "select * from huts.guest g join huts.stay s on s.guest_id = g.id where g.name like 'Guest 3%'",
    "select * from huts.guest where mail like 'g77%' and land not like 'Al%'",
)
DRAWN = int(os.environ.get("ROWRECKON_VALUES_DRAWN", "60"))
"""Values of rows, and as many again from between and beyond them, at each place."""
SERIAL = {"max_parallel_workers_per_gather": "0"}


def _drawn(source: psycopg.Connection[Any], place: Place, seed: random.Random) -> Iterator[Value]:
    """Values of the column's rows, then others of its type."""
    column, kind = place.column, place.kind
    assert kind is not None
    rows = source.execute(
        f'select v::text from (select distinct "{column.column.name}" v'
        f" from {column.relation.schema_}.{column.relation.name}) d where v is not null order by 1".encode()
    ).fetchall()
    found = [value for (text,) in rows if (value := kind.read(text)) is not None]
    yield from seed.sample(found, min(DRAWN, len(found)))
    places: list[Any] = [value.at for value in found if isinstance(value.at, int | Decimal)]
    if kind.write is None or not places:
        yield from (value for text in ("A", "Zz", "nobody") if kind.form == "string" and (value := kind.read(text)))
        return
    low, high = min(places), max(places)
    for _ in range(DRAWN):
        part = Decimal(repr(seed.uniform(-0.1, 1.1)))
        value = kind.write(low + (int(part * (high - low)) if kind.whole else part * (high - low)))
        if value is not None:
            yield value


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("major", releases.MODELLED)
def test_each_value_gets_the_plan_that_the_map_says(servers: Servers, major: int) -> None:
    """Prints how many values agree, what the map cost in plans asked for, and each miss."""
    seed = random.Random(int(os.environ.get("ROWRECKON_VALUES_SEED", str(major))))
    agreed, asked, plans = 0, 0, 0
    unsaid: list[str] = []
    wrong: list[str] = []
    with filled(servers, major) as source:
        facts: StandInFacts = facts_of(source, QUERIES)
        with stand_in(facts, folder_of(major)) as there:
            for query in QUERIES:
                found = plans_by_value(query, facts, there.planner, planning_settings({}, SERIAL))
                assert not found.notes
                for place in comparisons(parse(query), facts).places:
                    entries = [entry for entry in found.values if entry.parameter == place.shown]
                    asked += entries[0].asked or 0
                    plans += len({entry.plan for entry in entries})
                    assert place.kind is not None
                    listed = [Value(text, None) for entry in entries for text in entry.values]
                    for value in listed if place.operator in PATTERNS else _drawn(source, place, seed):
                        said = server_says(source, query, place, value, facts, _settings())
                        told = plan_told(entries, value, place.kind)
                        where = f"{query}: {place.shown} {value.text}"
                        agreed += told == said
                        unsaid += [where] if told is None else []
                        wrong += [f"{where}: {said}, not {told}"] if told not in (said, None) else []
    count = agreed + len(unsaid) + len(wrong)
    print(f"\nPostgreSQL {major}: {agreed:,} of {count:,} values agree, {len(unsaid)} have no plan in the map")
    print(f"{asked:,} plans asked for, {plans} plans in the maps", *wrong, *unsaid, sep="\n")

    assert count > 1_500
    assert not wrong
    assert len(unsaid) <= count / 200


def _settings() -> str:
    return "; ".join(f"set local {name} = {value}" for name, value in SERIAL.items())
