"""Plans made for any value of a parameter."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .schemas import FERRY, FERRY_LIST, SEEDS, SEEDS_LIST, spread

_CUSTOM: Final = ("set plan_cache_mode = force_custom_plan",)

_SKEWED: Final = Fault(
    name="the largest agent through a prepared statement",
    code="generic_plan",
    source="jackc/pgx, issue 1158: slower through prepared statements than with the values in the text; PostgreSQL"
    " documentation, 'PREPARE'",
    schema=FERRY
    + f"""
    create table bookings (booking_id int primary key, agent_id int not null references agents,
      route_id int not null references routes, seats int not null);
    insert into bookings select i, case when i % 10 < 6 then 7 else 1 + {spread(26, 500)} end, 1 + {spread(27, 300)},
      1 + i % 5 from generate_series(1, 120000) i;
    create index on bookings (agent_id);
    analyze bookings;
    """,
    prelude=(
        "set plan_cache_mode = force_generic_plan",
        "prepare seats_of(int) as select p.country, sum(b.seats) from bookings b join routes r using (route_id)"
        " join ports p on p.port_id = r.from_port where b.agent_id = $1 group by p.country",
    ),
    query="execute seats_of(7)",
    place=at("b"),
    cure=_CUSTOM,
    others={**FERRY_LIST, "a small agent": "select sum(seats) from bookings where agent_id = 200"},
)

_OPTIONAL: Final = Fault(
    name="an optional filter that was left out",
    code="generic_plan",
    source="oban-bg/oban, issue 79: quick in psql, slow through the driver's prepared statement; the pattern '$1 is"
    " null"
    " or column = $1' is common practice",
    schema=SEEDS
    + f"""
    create table requests (request_id int primary key, accession_id int not null references accessions,
      collector_id int not null references collectors, purpose text not null, grams int not null);
    insert into requests select i, 1 + {spread(28, 20000)}, 1 + {spread(29, 400)}, 'purpose ' || i % 300,
      1 + i % 40 from generate_series(1, 80000) i;
    analyze requests;
    """,
    prelude=(
        "set plan_cache_mode = force_generic_plan",
        "prepare asked_for(text) as select f.name, sum(q.grams) from requests q join accessions a using (accession_id)"
        " join species s using (species_id) join families f using (family_id)"
        " where $1 is null or q.purpose = $1 group by f.name",
    ),
    query="execute asked_for(null)",
    place=at("q"),
    cure=_CUSTOM,
    others={**SEEDS_LIST, "one purpose": "select sum(grams) from requests where purpose = 'purpose 17'"},
)

FAULTS: Final = (_SKEWED, _OPTIONAL)
