"""Join keys: of several columns, uneven on both sides, and without partners."""

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

_SAILINGS: Final = Fault(
    name="tickets of a sailing, by route and number",
    code="multi_column_join_key",
    source="PostgreSQL documentation, 'Multivariate Statistics Examples' (none serves joins), and D. Rowley,"
    " pgsql-hackers, 18 May 2017, on the estimates that a foreign key of several columns gives",
    schema=FERRY
    + f"""
    create table sailings (route_id int not null references routes, sailing_no int not null,
      vessel_id int not null references vessels, primary key (route_id, sailing_no));
    create table tickets (ticket_id int primary key, route_id int not null, sailing_no int not null, cents int not
      null);
    insert into sailings select 1 + i % 300, i, 1 + {spread(62, 40)} from generate_series(1, 30000) i;
    insert into tickets select i, 1 + s % 300, s, 500 + i % 900
      from (select i, 1 + {spread(63, 30000)} as s from generate_series(1, 90000) i) f;
    analyze sailings, tickets;
    """,
    query="select v.name, sum(t.cents) from tickets t join sailings s on s.route_id = t.route_id"
    " and s.sailing_no = t.sailing_no join vessels v using (vessel_id) group by v.name",
    place=at("t", "s"),
    cure=("alter table tickets add foreign key (route_id, sailing_no) references sailings", "analyze tickets"),
    others={**FERRY_LIST, "tickets of a sailing": "select cents from tickets where sailing_no = 17"},
)

_LOTS: Final = Fault(
    name="tests of a lot, by site, year and number",
    code="multi_column_join_key",
    source="V. Leis et al., PVLDB 9(3), 2015, on joins of several keys; the worked case is TPC-H's lineitem and"
    " partsupp"
    " as in H.2 of the collected sources",
    schema=SEEDS
    + f"""
    create table lots (site_id int not null references sites, year int not null, lot_no int not null,
      species_id int not null references species, primary key (site_id, year, lot_no));
    create table tests (test_id int primary key, site_id int not null, year int not null, lot_no int not null,
      percent int not null);
    insert into lots select 1 + i % 800, 1960 + (i % 800) % 60, i / 20, 1 + {spread(64, 2000)}
      from generate_series(1, 24000) i;
    insert into tests select i, 1 + s % 800, 1960 + (s % 800) % 60, s / 20, i % 100
      from (select i, 1 + {spread(65, 24000)} as s from generate_series(1, 70000) i) f;
    analyze lots, tests;
    """,
    query="select f.name, avg(t.percent) from tests t join lots l on l.site_id = t.site_id and l.year = t.year"
    " and l.lot_no = t.lot_no join species s using (species_id) join families f using (family_id) group by f.name",
    place=at("t", "l"),
    cure=("alter table tests add foreign key (site_id, year, lot_no) references lots", "analyze tests"),
    others={**SEEDS_LIST, "tests of a site": "select percent from tests where site_id = 17 and year = 1977"},
)


def _uneven(first: int, column: str, own: int, own_rows: int, shared: int, shared_rows: int, tail: int) -> str:
    """Keys of one side: `own` that are common here alone, `shared` common on both sides, and a tail of single ones."""
    return f"""
      select {first} + k as {column} from generate_series(1, {own}) k, generate_series(1, {own_rows})
      union all select 5000 + k from generate_series(1, {shared}) k, generate_series(1, {shared_rows})
      union all select 100000 + k from generate_series(1, {tail}) k"""


_SEGMENTS: Final = Fault(
    name="brakings and alarms on the same segments of track",
    code="join_key_skew",
    also_right=frozenset({"column_target_too_low"}),
    source="instantdb/instant, pull request 1081: longer lists of common values help to choose a better join;"
    " linz/postgresql-tableversion, issue 34, on what ANALYZE costs, for which short lists are set by hand",
    schema=TRAMS
    + f"""
    create table brakings (segment_no int not null, car_id int not null);
    create table alarms (segment_no int not null, stop_id int not null);
    insert into brakings select segment_no, 1 + (row_number() over ()) % 3000
      from ({_uneven(1000, "segment_no", 30, 130, 60, 110, 12000)}) k;
    insert into alarms select segment_no, 1 + (row_number() over ()) % 900
      from ({_uneven(3000, "segment_no", 30, 110, 60, 90, 9000)}) k;
    alter table brakings alter column segment_no set statistics 20;
    alter table alarms alter column segment_no set statistics 20;
    analyze brakings, alarms;
    """,
    query="select d.name, count(*) from brakings b join alarms a using (segment_no) join cars c using (car_id)"
    " join depots d using (depot_id) group by d.name",
    place=at("b", "a"),
    cure=(
        "alter table brakings alter column segment_no set statistics 1000",
        "alter table alarms alter column segment_no set statistics 1000",
        "analyze brakings",
        "analyze alarms",
    ),
    others={**TRAMS_LIST, "alarms at a stop": "select segment_no from alarms where stop_id = 17"},
)

_MELODIES: Final = Fault(
    name="quotations and recordings of the same melodies",
    code="join_key_skew",
    also_right=frozenset({"column_target_too_low"}),
    source="V. Leis et al., PVLDB 9(3), 2015: joins over uneven keys are underestimated more with each join; PostgreSQL"
    " documentation, 'ALTER TABLE', SET STATISTICS",
    schema=CHOIR
    + f"""
    create table quotations (melody_no int not null, work_id int not null);
    create table renditions (melody_no int not null, singer_id int not null);
    insert into quotations select melody_no, 1 + (row_number() over ()) % 6000
      from ({_uneven(1000, "melody_no", 40, 190, 90, 150, 16000)}) k;
    insert into renditions select melody_no, 1 + (row_number() over ()) % 8000
      from ({_uneven(3000, "melody_no", 40, 100, 90, 80, 12000)}) k;
    alter table quotations alter column melody_no set statistics 30;
    alter table renditions alter column melody_no set statistics 30;
    analyze quotations, renditions;
    """,
    query="select s.voice, count(*) from quotations q join renditions r using (melody_no) join singers s using"
    " (singer_id)"
    " join works w using (work_id) group by s.voice",
    place=at("q", "r"),
    cure=(
        "alter table quotations alter column melody_no set statistics 1000",
        "alter table renditions alter column melody_no set statistics 1000",
        "analyze quotations",
        "analyze renditions",
    ),
    others={**CHOIR_LIST, "melodies of a singer": "select melody_no from renditions where singer_id = 17"},
)

_SILENT: Final = Fault(
    name="old members who never came again",
    code="join_partner_share",
    also_right=frozenset({"cross_table_correlation"}),
    source="V. Leis et al., PVLDB 9(3), 2015, and TPC-H's customers without orders: of an anti-join one row is expected"
    " where the filtered rows have no partners",
    schema=HOSTEL
    + f"""
    create table stays (stay_id int primary key, member_id int not null references members, nights int not null);
    create table letters (letter_id int primary key, member_id int not null references members, year int not null);
    insert into stays select i, 3601 + {spread(66, 16400)}, 1 + i % 9 from generate_series(1, 90000) i;
    insert into letters select i, 1 + {spread(67, 20000)}, 2000 + i % 25 from generate_series(1, 60000) i;
    create index on letters (member_id);
    analyze stays, letters;
    """,
    query="select t.region, count(*) from members m left join stays s using (member_id) join towns t using (town_id)"
    " join letters l using (member_id) where s.stay_id is null and m.joined < 1996 group by t.region",
    place=at("m", "s"),
    cure=(
        "create temp table silent as select m.member_id, m.town_id from members m where m.joined < 1996 and not exists"
        " (select from stays s where s.member_id = m.member_id)",
        "analyze silent",
    ),
    cured_query="select t.region, count(*) from silent m join towns t using (town_id) join letters l using (member_id)"
    " group by t.region",
    cured_place=at("m"),
    others={**HOSTEL_LIST, "stays of a member": "select nights from stays where member_id = 5017"},
)

_STRANGERS: Final = Fault(
    name="tags of hives that were bought elsewhere",
    code="join_partner_share",
    source="PostgreSQL documentation, 'Row Estimation Examples': an equality join is taken to match every value of the"
    " side that has fewer; nothing says how many are on both sides",
    schema=BEES
    + f"""
    create table sold_tags (tag_no int primary key, keeper_id int not null references keepers);
    create table seen_tags (seen_id int primary key, tag_no int not null, colony_id int not null references colonies);
    create table frames (frame_id int primary key, colony_id int not null references colonies, side text not null);
    insert into sold_tags select i, 1 + {spread(68, 900)} from generate_series(1, 60000) i;
    insert into seen_tags select i, 59700 + i, 1 + {spread(69, 16000)} from generate_series(1, 60000) i;
    insert into frames select i, 1 + {spread(70, 16000)}, 'side ' || i % 2 from generate_series(1, 64000) i;
    create index on frames (colony_id);
    analyze sold_tags, seen_tags, frames;
    """,
    query="select k.since, count(*) from sold_tags o join seen_tags e using (tag_no) join keepers k using (keeper_id)"
    " join frames f using (colony_id) group by k.since",
    place=at("o", "e"),
    cure=(
        "create temp table met as select k.since, e.colony_id from sold_tags o join seen_tags e using (tag_no)"
        " join keepers k using (keeper_id)",
        "analyze met",
    ),
    cured_query="select m.since, count(*) from met m join frames f using (colony_id) group by m.since",
    cured_place=at("m"),
    others={**BEES_LIST, "tags of a colony": "select tag_no from seen_tags where colony_id = 17"},
)

FAULTS: Final = (_SAILINGS, _LOTS, _SEGMENTS, _MELODIES, _SILENT, _STRANGERS)
