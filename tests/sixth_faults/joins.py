"""Rows of two tables that go together, which no statistics describe."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .schemas import CHOIR, CHOIR_LIST, FERRY, FERRY_LIST, SEEDS, SEEDS_LIST, spread

_THEME: Final = Fault(
    name="the most common theme, looked up by its name",
    code="cross_table_correlation",
    also_right=frozenset({"join_key_skew"}),
    source="pgsql-hackers, 'Is there value in having optimizer stats for joins/foreignkeys?', December 2025: query"
    " 16b of"
    " the Join Order Benchmark, a keyword with 41,840 rows where 34 are expected",
    schema=CHOIR
    + f"""
    create table themes (theme_id int primary key, label text not null);
    create table work_themes (work_id int not null references works, theme_id int not null references themes);
    create table recordings (recording_id int primary key, work_id int not null references works, minutes int not null);
    insert into themes select i, 'theme ' || i from generate_series(1, 4000) i;
    insert into work_themes select 1 + {spread(71, 6000)}, case when i % 5 < 2 then 17 else 1 + {spread(72, 4000)} end
      from generate_series(1, 60000) i;
    insert into recordings select i, 1 + {spread(73, 6000)}, 2 + i % 40 from generate_series(1, 18000) i;
    create index on work_themes (theme_id);
    create index on recordings (work_id);
    analyze themes, work_themes, recordings;
    """,
    query="select c.born, count(*) from themes t join work_themes k using (theme_id) join works w using (work_id)"
    " join composers c using (composer_id) join recordings r on r.work_id = w.work_id"
    " where t.label = 'theme 17' group by c.born",
    place=at("t", "k"),
    cure=(),
    cured_query="select c.born, count(*) from work_themes k join works w using (work_id)"
    " join composers c using (composer_id) join recordings r on r.work_id = w.work_id"
    " where k.theme_id = 17 group by c.born",
    cured_place=at("k"),
    others={**CHOIR_LIST, "a rare theme": "select count(*) from work_themes where theme_id = 900"},
)

_TURN: Final = Fault(
    name="asked for before midsummer, sent after it",
    code="cross_table_correlation",
    source="TPC-H, query 3: orders before a day whose items were shipped after it; the dates lie days apart, and are"
    " taken for independent (H.2 of the collected sources)",
    schema=SEEDS
    + f"""
    create table orders (order_id int primary key, collector_id int not null references collectors, ordered int not
      null);
    create table parcels (parcel_id int primary key, order_id int not null references orders,
      accession_id int not null references accessions, sent int not null);
    insert into orders select i, 1 + i % 400, {spread(74, 1500)} from generate_series(1, 30000) i;
    insert into parcels select p.i, o.order_id, 1 + {spread(75, 20000)}, o.ordered + 1 + p.i % 20
      from generate_series(1, 90000) p(i) join orders o on o.order_id = 1 + {spread(76, 30000, "p.i")};
    create index on parcels (order_id);
    analyze orders, parcels;
    """.replace("hashint4(i + 75)", "hashint4(p.i + 75)"),
    query="select s.family_id, count(*) from orders o join parcels p using (order_id) join accessions a using"
    " (accession_id)"
    " join species s using (species_id) where o.ordered < 750 and p.sent > 750 group by s.family_id",
    place=at("o", "p"),
    cure=(
        "create temp table waiting as select p.accession_id from orders o join parcels p using (order_id)"
        " where o.ordered < 750 and p.sent > 750",
        "analyze waiting",
    ),
    cured_query="select s.family_id, count(*) from waiting p join accessions a using (accession_id)"
    " join species s using (species_id) group by s.family_id",
    cured_place=at("p"),
    others={**SEEDS_LIST, "parcels of an order": "select sent from parcels where order_id = 17"},
)

_LORRIES: Final = Fault(
    name="lorries go on the freight vessel alone",
    code="cross_table_correlation",
    source="V. Leis et al., 'How Good Are Query Optimizers, Really?', PVLDB 9(3), 2015: correlations across joins,"
    " which"
    " statistics of single tables don't see",
    schema=FERRY
    + f"""
    create table loadings (loading_id int primary key, vessel_id int not null references vessels,
      route_id int not null references routes, category text not null);
    create table stowages (stowage_id int primary key, loading_id int not null references loadings, deck int not null);
    insert into loadings select i, case when i % 40 = 0 then 33 else 1 + {spread(77, 32)} end, 1 + {spread(78, 300)},
      case when i % 40 = 0 then 'lorry' else (array['car', 'van', 'bicycle'])[1 + i % 3] end
      from generate_series(1, 120000) i;
    insert into stowages select i, i, i % 6 from generate_series(1, 120000) i;
    create index on loadings (vessel_id);
    create index on stowages (loading_id);
    analyze loadings, stowages;
    """,
    query="select r.miles, s.deck, count(*) from loadings l join vessels v using (vessel_id) join routes r using"
    " (route_id)"
    " join stowages s using (loading_id) where v.kind = 'freight' and l.category = 'lorry' group by r.miles, s.deck",
    place=at("l", "v"),
    cure=(
        "create temp table carried as select l.loading_id, l.route_id from loadings l join vessels v using (vessel_id)"
        " where v.kind = 'freight' and l.category = 'lorry'",
        "analyze carried",
    ),
    cured_query="select r.miles, s.deck, count(*) from carried l join routes r using (route_id)"
    " join stowages s using (loading_id) group by r.miles, s.deck",
    cured_place=at("l"),
    others={**FERRY_LIST, "vans": "select vessel_id, count(*) from loadings where category = 'van' group by vessel_id"},
)

FAULTS: Final = (_THEME, _TURN, _LORRIES)
