"""Indexes that are missing, and indexes that lure."""

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
    TRAMS,
    TRAMS_LIST,
    spread,
)

_TREATMENTS: Final = Fault(
    name="treatments of one apiary's colonies",
    code="missing_join_index",
    source="TestPlanIt/testplanit, pull request 477, and PostgreSQL documentation, 'Constraints': a foreign key"
    " makes no"
    " index on the referencing column",
    schema=BEES
    + f"""
    create table treatments (treatment_id int primary key, colony_id int not null references colonies, note text);
    insert into treatments select i, 1 + {spread(79, 16000)}, repeat('treated ', 6) from generate_series(1, 120000) i;
    analyze treatments;
    """,
    query="select b.name, count(*) from colonies c join treatments t using (colony_id) join breeds b using (breed_id)"
    " join apiaries a using (apiary_id) where a.apiary_id = 17 group by b.name",
    place=at("c", "t"),
    cure=("create index on treatments (colony_id)", "analyze treatments"),
    others={**BEES_LIST, "one treatment": "select note from treatments where treatment_id = 17"},
    measure="pages",
)

_WASHES: Final = Fault(
    name="the last wash of each car of a depot",
    code="missing_join_index",
    source="mattermost/mattermost, pull request 36506, and PostgreSQL documentation, 'Indexes and ORDER BY': the newest"
    " row of each key wants an index on the key and then the order",
    schema=TRAMS
    + f"""
    create table washes (wash_id int primary key, car_id int not null references cars, day int not null, litres int);
    insert into washes select i, 1 + {spread(80, 3000)}, i / 200, {spread(81, 900)} from generate_series(1, 80000) i;
    analyze washes;
    """,
    query="select c.car_id, w.litres from depots d join cars c using (depot_id) cross join lateral (select x.litres"
    " from washes x where x.car_id = c.car_id order by x.day desc limit 1) w where d.name = 'depot 3' and c.built ="
    " 2006",
    place=at("c", "d"),
    cure=("create index on washes (car_id, day)", "analyze washes"),
    others={**TRAMS_LIST, "washes of a day": "select count(*) from washes where day = 17"},
    measure="pages",
)

_VOUCHERS: Final = Fault(
    name="uses of an agent's vouchers, by their code",
    code="missing_join_index",
    source="mlflow/mlflow, issue 3785: no index on the key of the child; Ylianst/MeshCentral, issue 7787",
    schema=FERRY
    + f"""
    create table vouchers (voucher_id int primary key, code text not null unique,
      agent_id int not null references agents);
    create table uses (use_id int primary key, code text not null, route_id int not null references routes);
    insert into vouchers select i, 'V-' || i, 1 + i % 500 from generate_series(1, 20000) i;
    insert into uses select i, 'V-' || 1 + {spread(82, 20000)}, 1 + {spread(83, 300)} from generate_series(1, 120000) i;
    create index on vouchers (agent_id);
    analyze vouchers, uses;
    """,
    query="select p.country, count(*) from vouchers v join uses u using (code) join routes r using (route_id)"
    " join ports p on p.port_id = r.from_port where v.agent_id = 17 group by p.country",
    place=at("v", "u"),
    cure=("create index on uses (code)", "analyze uses"),
    others={**FERRY_LIST, "one use": "select code from uses where use_id = 17"},
    measure="pages",
)

_NOTES: Final = Fault(
    name="the newest notes of a region that closed long ago",
    code="luring_index",
    also_right=frozenset({"cross_table_correlation", "unexplained"}),
    source="travis-ci/travis-api, pull request 1079, and FORTH-ICS-INSPIRE/artemis, pull request 354: with LIMIT the"
    " index"
    " of the order is walked, since matches are hoped for early",
    schema=HOSTEL
    + f"""
    create table notes (note_id int primary key, room_id int not null references rooms, written int not null, body
      text);
    insert into notes select i, case when i % 60 = 0 then 1 + 4 * {spread(84, 400)}
      else 1 + {spread(85, 1600)} / 4 * 4 + 1 + i % 3 end, case when i % 60 = 0 then {spread(91, 4000)}
      else 4000 + {spread(91, 900000)} end, repeat('note ', 8) from generate_series(1, 120000) i;
    create index on notes (written);
    create index on notes (room_id);
    analyze notes;
    """,
    query="select n.note_id, h.hostel_id from notes n join rooms r using (room_id) join hostels h using (hostel_id)"
    " join towns t using (town_id) where t.region = 'west' order by n.written desc limit 20",
    place=at("n", "r", "h", "t"),
    cure=(),
    cured_query="select n.note_id, h.hostel_id from notes n join rooms r using (room_id) join hostels h using"
    " (hostel_id)"
    " join towns t using (town_id) where t.region = 'west' order by n.written + 0 desc limit 20",
    others={**HOSTEL_LIST, "the newest notes": "select note_id from notes order by written desc limit 20"},
    measure="pages",
)

_SPARE: Final = Fault(
    name="an index that nobody else uses, and a lookup by name",
    code="luring_index",
    also_right=frozenset({"cross_table_correlation", "join_key_skew"}),
    never_first=frozenset(),
    source="V. Leis et al., PVLDB 9(3), 2015: with more indexes more queries lose by underestimates, since loops"
    " over an"
    " index are chosen for thousands of rows",
    schema=CHOIR
    + f"""
    create table occasions (occasion_id int primary key, label text not null);
    create table performances (performance_id int primary key, occasion_id int not null references occasions,
      score_no int not null);
    create table scores (score_id int primary key, score_no int not null, shelf_id int not null references shelves,
      title text not null);
    insert into occasions select i, 'occasion ' || i from generate_series(1, 3000) i;
    insert into performances select i, case when i % 2 = 0 then 7 else 1 + {spread(86, 3000)} end,
      1 + {spread(87, 40000)} from generate_series(1, 60000) i;
    insert into scores select i, 1 + {spread(88, 40000)}, 1 + i % 90, repeat('title ', 5)
      from generate_series(1, 60000) i;
    create index performances_occasion on performances (occasion_id);
    create index scores_no on scores (score_no);
    analyze occasions, performances, scores;
    """,
    query="select c.shelf_id, count(*) from occasions o join performances p using (occasion_id)"
    " join scores c using (score_no) where o.label = 'occasion 7' group by c.shelf_id",
    place=at("o", "p", "c"),
    cure=("drop index scores_no",),
    others={**CHOIR_LIST, "scores of a shelf": "select title from scores where shelf_id = 17"},
    measure="pages",
)

FAULTS: Final = (_TREATMENTS, _WASHES, _VOUCHERS, _NOTES, _SPARE)
