"""Estimates for which the planner has a fixed share and no statistics can help."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .schemas import SEEDS, SEEDS_LIST, TRAMS, TRAMS_LIST, spread

_SPELLS: Final = Fault(
    name="readings that overlap a cold spell",
    code="unexplained",
    also_right=frozenset({"join_partner_share"}),
    source="skyportal/healpix-alchemy, pull request 55: of 'range && range' as a join far more rows are expected than"
    " come",
    schema=SEEDS
    + f"""
    create table spells (spell_id int primary key, site_id int not null references sites, during int4range not null);
    create table readings (reading_id int primary key, vault_id int not null references vaults, during int4range not
      null);
    insert into spells select i, 1 + i % 800, int4range(i * 20, i * 20 + 2) from generate_series(1, 6000) i;
    insert into readings select i, 1 + i % 16, int4range(s, s + 1)
      from (select i, {spread(89, 120000)} as s from generate_series(1, 8000) i) f;
    create index on spells using gist (during);
    analyze spells, readings;
    """,
    query="select v.celsius, count(*) from readings r join spells s on s.during && r.during join vaults v using"
    " (vault_id)"
    " join sites i using (site_id) group by v.celsius",
    place=at("r", "s"),
    cure=(
        "create temp table cold as select r.vault_id, s.site_id from readings r join spells s on s.during && r.during",
        "analyze cold",
    ),
    cured_query="select v.celsius, count(*) from cold c join vaults v using (vault_id) join sites i using (site_id)"
    " group by v.celsius",
    cured_place=at("c"),
    others={**SEEDS_LIST, "a vault's readings": "select count(*) from readings where vault_id = 3"},
)

_WAIVED: Final = Fault(
    name="waived, or not on the list",
    code="unexplained",
    also_right=frozenset({"computed_result_filter"}),
    source="PostgreSQL's documentation says nothing of it; src/backend/optimizer/path/clausesel.c: half of the rows are"
    " taken for a subquery that stays one, as below OR",
    schema=TRAMS
    + f"""
    create table checks (check_id int primary key, car_id int not null references cars, waived boolean not null,
      minutes int not null);
    create table listed (car_id int not null);
    insert into checks select i, 1 + {spread(90, 3000)}, i % 2000 = 0, i % 50 from generate_series(1, 80000) i;
    insert into listed select i from generate_series(1, 2996) i;
    analyze checks, listed;
    """,
    query="select d.name, sum(k.minutes) from checks k join cars c using (car_id) join depots d using (depot_id)"
    " join lines l using (depot_id) where k.waived or k.car_id not in (select x.car_id from listed x) group by d.name",
    place=at("k"),
    cure=(
        "create temp table left_over as select k.car_id, k.minutes from checks k where k.waived"
        " or k.car_id not in (select x.car_id from listed x)",
        "analyze left_over",
    ),
    cured_query="select d.name, sum(k.minutes) from left_over k join cars c using (car_id) join depots d using"
    " (depot_id)"
    " join lines l using (depot_id) group by d.name",
    others={**TRAMS_LIST, "checks of a car": "select minutes from checks where car_id = 17"},
)

FAULTS: Final = (_SPELLS, _WAIVED)
