"""Columns of one table: what goes together, and lists of common values that are too short."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .schemas import (
    BEES,
    BEES_LIST,
    CHOIR,
    CHOIR_LIST,
    FERRY,
    FERRY_LIST,
    HOSTEL,
    HOSTEL_LIST,
    SEEDS,
    SEEDS_LIST,
    TRAMS,
    TRAMS_LIST,
    spread,
)

_KEY_VALUE: Final = Fault(
    name="facts of cars as keys and values",
    code="correlated_columns_equality",
    source="backstage/backstage, pull request 34315: in a table of keys and values a value belongs to one key; 13 rows"
    " were expected and 17,291 came",
    schema=TRAMS
    + """
    create table car_facts (fact_id int primary key, car_id int not null references cars, key text not null,
      value text not null);
    insert into car_facts select i, 1 + (i / 30) % 3000, 'key ' || i % 30, 'value ' || i % 30 || '.' || (i / 30) % 2
      from generate_series(1, 90000) i;
    create index on car_facts (key, value);
    analyze car_facts;
    """,
    query="select d.name, count(*) from car_facts f join cars c using (car_id) join depots d using (depot_id)"
    " where f.key = 'key 7' and f.value = 'value 7.1' group by d.name",
    place=at("f"),
    cure=("create statistics facts_together (mcv, dependencies) on key, value from car_facts", "analyze car_facts"),
    others={**TRAMS_LIST, "facts of a car": "select key, value from car_facts where car_id = 17"},
)

_PLACES: Final = Fault(
    name="a province, its country and its climate",
    code="correlated_columns_equality",
    source="medplum/medplum, pull request 10353: a value is used by few properties, so that two clauses together were"
    " understated by 30 to 2,000 times",
    schema=SEEDS
    + f"""
    create table findings (finding_id int primary key, collector_id int not null references collectors,
      species_id int not null references species, country text not null, province text not null, climate text not null);
    insert into findings select i, 1 + i % 400, 1 + {spread(41, 2000)}, 'country ' || p / 5, 'province ' || p,
      'climate ' || p % 9 from (select i, {spread(42, 90)} as p from generate_series(1, 80000) i) f;
    analyze findings;
    """,
    query="select f.name, count(*) from findings n join species s using (species_id) join families f using (family_id)"
    " join collectors c using (collector_id) where n.country = 'country 4' and n.province = 'province 22'"
    " and n.climate = 'climate 4' and c.since > 1960 group by f.name",
    place=at("n"),
    cure=(
        "create statistics findings_place (dependencies, mcv) on country, province, climate from findings",
        "analyze findings",
    ),
    others={**SEEDS_LIST, "finds of a collector": "select province from findings where collector_id = 17"},
)

_TENANT: Final = Fault(
    name="a state that one agent alone uses",
    code="correlated_columns_equality",
    source="emoss08/Trenova, issue 470, and authzed/spicedb, issue 3318: pairs of owner and state that belong together"
    " by structure are underestimated",
    schema=FERRY
    + f"""
    create table vouchers (voucher_id int primary key, agent_id int not null references agents,
      route_id int not null references routes, state text not null);
    insert into vouchers select i, case when i % 60 = 0 then 3 else 4 + {spread(43, 490)} end, 1 + {spread(44, 300)},
      case when i % 60 = 0 then 'refunded' else (array['open', 'used'])[1 + i % 2] end
      from generate_series(1, 120000) i;
    create index on vouchers (agent_id);
    analyze vouchers;
    """,
    query="select p.country, count(*) from vouchers v join routes r using (route_id) join ports p on p.port_id ="
    " r.to_port"
    " join agents a using (agent_id) where v.agent_id = 3 and v.state = 'refunded' group by p.country",
    place=at("v"),
    cure=("create statistics vouchers_owner (mcv) on agent_id, state from vouchers", "analyze vouchers"),
    others={
        **FERRY_LIST,
        "open ones": "select route_id, count(*) from vouchers where state = 'open' group by route_id",
    },
)

_SEASONS: Final = Fault(
    name="prices valid on a day",
    code="correlated_columns_range",
    source="explainextended.com, 'Overlapping ranges: PostgreSQL', 2009, after a question on Stack Overflow: a row's"
    " start"
    " and end, both compared with a day; the planner multiplies the two shares",
    schema=HOSTEL
    + f"""
    create table prices (price_id int primary key, room_id int not null references rooms, valid_from int not null,
      valid_to int not null, cents int not null);
    insert into prices select i, 1 + {spread(45, 1600)}, p * 14, p * 14 + 13, 900 + i % 600
      from (select i, {spread(46, 80)} as p from generate_series(1, 64000) i) f;
    analyze prices;
    """,
    query="select t.region, avg(p.cents) from prices p join rooms r using (room_id) join hostels h using (hostel_id)"
    " join towns t using (town_id) where p.valid_from <= 565 and p.valid_to >= 565 group by t.region",
    place=at("p"),
    cure=("create statistics prices_valid (mcv) on valid_from, valid_to from prices", "analyze prices"),
    others={**HOSTEL_LIST, "prices of a room": "select cents from prices where room_id = 17"},
)

_WEEKS: Final = Fault(
    name="watches that run at a moment, by the week",
    code="correlated_columns_range",
    source="PostgreSQL documentation, 'Multivariate Statistics Examples': the list of common combinations serves ranges"
    " too, as far as it reaches; commandprompt/pgcolumnar, issue 438: how many it holds decides",
    schema=FERRY
    + f"""
    create table watches (watch_id int primary key, crew_id int not null references crew, starts int not null,
      ends int not null);
    insert into watches select i, 1 + {spread(47, 2000)}, p * 7, p * 7 + 6
      from (select i, {spread(48, 300)} as p from generate_series(1, 90000) i) f;
    analyze watches;
    """,
    query="select v.name, count(*) from watches w join crew c using (crew_id) join vessels v using (vessel_id)"
    " where w.starts <= 1053 and w.ends >= 1053 group by v.name",
    place=at("w"),
    cure=(
        "create statistics watches_span (mcv) on starts, ends from watches",
        "alter statistics watches_span set statistics 1000",
        "analyze watches",
    ),
    others={**FERRY_LIST, "watches of one": "select starts from watches where crew_id = 17"},
)

_REPAIRS: Final = Fault(
    name="repairs opened and closed since last week",
    code="correlated_columns_range",
    source="internxt/drive-server-wip, pull request 707: statistics for a pair with a time in it; that a row's two"
    " times lie close together is common practice",
    schema=TRAMS
    + f"""
    create table repairs (repair_id int primary key, car_id int not null references cars,
      workshop_id int not null references workshops, opened_week int not null, closed_week int not null);
    insert into repairs select i, 1 + {spread(93, 3000)}, 1 + i % 30, w, w + i % 2
      from (select i, {spread(92, 45)} as w from generate_series(1, 80000) i) f;
    create index on repairs (opened_week);
    analyze repairs;
    """,
    query="select d.name, w.lifts, count(*) from repairs r join cars c using (car_id) join workshops w"
    " using (workshop_id) join depots d on d.depot_id = c.depot_id"
    " where r.opened_week >= 44 and r.closed_week >= 44 group by d.name, w.lifts",
    place=at("r"),
    cure=("create statistics repairs_weeks (mcv) on opened_week, closed_week from repairs", "analyze repairs"),
    others={**TRAMS_LIST, "repairs of a car": "select opened_week from repairs where car_id = 17"},
)

_THREADS: Final = Fault(
    name="a thread below the longest hundred",
    code="column_target_too_low",
    source="mattermost/mattermost, pull request 36506: a long tail of threads, for which a list of a hundred common"
    " values is too coarse",
    schema=CHOIR
    + f"""
    create table remarks (remark_id int primary key, thread_no int not null, work_id int not null references works,
      singer_id int not null references singers);
    insert into remarks select i, case when i % 20 < 10 then 1 + {spread(49, 100)}
      when i % 20 < 16 then 1001 + {spread(50, 150)} else 100000 + i end, 1 + {spread(51, 6000)}, 1 + {spread(52, 8000)}
      from generate_series(1, 200000) i;
    create index on remarks (thread_no);
    analyze remarks;
    """,
    query="select c.born, count(*) from remarks r join works w using (work_id) join composers c using (composer_id)"
    " join singers s using (singer_id) where r.thread_no = 1077 group by c.born",
    place=at("r"),
    cure=("alter table remarks alter column thread_no set statistics 1000", "analyze remarks"),
    others={**CHOIR_LIST, "a long thread": "select singer_id from remarks where thread_no = 7"},
)

_YARDS: Final = Fault(
    name="a few yards of middling size",
    code="column_target_too_low",
    source="baserow/baserow, pull request 4371, and e2b-dev/infra, pull request 3393: values too rare for the list of"
    " common values, asked for together, are underestimated until the target is raised",
    schema=BEES
    + f"""
    create table harvests (harvest_id int primary key, yard_no int, colony_id int not null references colonies,
      grams int not null);
    insert into harvests select i, case when i % 10 < 4 then 1 + {spread(53, 110)} when i % 10 < 7 then 501 +
      {spread(54, 200)} when i % 10 < 9 then 100000 + i end, 1 + {spread(55, 16000)}, 1 + i % 9000
      from generate_series(1, 150000) i;
    create index on harvests (yard_no);
    analyze harvests;
    """,
    query="select b.name, sum(h.grams) from harvests h join colonies c using (colony_id) join breeds b using (breed_id)"
    " join apiaries a using (apiary_id) where h.yard_no in (520, 544, 587, 611, 650, 699) and a.altitude < 1200"
    " group by b.name",
    place=at("h"),
    cure=("alter table harvests alter column yard_no set statistics 1500", "analyze harvests"),
    others={**BEES_LIST, "a large yard": "select sum(grams) from harvests where yard_no = 17"},
)

FAULTS: Final = (_KEY_VALUE, _PLACES, _TENANT, _SEASONS, _WEEKS, _REPAIRS, _THREADS, _YARDS)
