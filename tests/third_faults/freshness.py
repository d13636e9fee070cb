"""Statistics that were never gathered, or have grown old."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .tables import NO_DETOUR, PASSENGERS, PLANTS, PLAYERS, TAPES, others

_NEVER: Final = (
    Fault(
        name="a radio archive's season is loaded and asked at once",
        code="never_analyzed",
        source="PostgreSQL documentation, 'Populating a Database', section 'Run ANALYZE Afterwards'",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, channel text, quality text);
insert into broadcasts
select i, 1 + i * 7 % 20000, case when i % 20 = 0 then 'long wave' else 'medium wave' end,
  case when i % 11 = 0 then 'poor' else 'good' end
from generate_series(1, 40000) i;
""",
        query="select count(*), max(t.remark) from broadcasts b join tapes t on t.id = b.tape_id"
        " where b.channel = 'medium wave' and b.quality = 'good'",
        place=at("b"),
        cure=("analyze broadcasts",),
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="two columns were added to the games after their last ANALYZE",
        code="never_analyzed",
        source="PostgreSQL documentation, 'Updating Planner Statistics'; ALTER TABLE ADD COLUMN with a default rewrites"
        " nothing, so that nothing counts as modified; selfuncs.h, DEFAULT_EQ_SEL",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int, season int);
insert into games select i, 1 + i * 13 % 20000, 2000 + i % 20 from generate_series(1, 30000) i;
analyze games;
alter table games add column outcome text not null default 'played';
alter table games add column arbiter text not null default 'none';
""",
        query="select count(*), max(p.remark) from games g join players p on p.id = g.player_id"
        " where g.outcome = 'played' and g.arbiter = 'none'",
        place=at("g"),
        cure=("analyze games",),
        others=others("games", "player_id", "players"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="two columns of the sailings became text, which threw their statistics away",
        code="never_analyzed",
        source="PostgreSQL documentation, ALTER TABLE, SET DATA TYPE (from memory): the column's statistics are"
        " removed, so that ANALYZE is recommended afterwards",
        schema=f"""{PASSENGERS}
create table tickets (id int primary key, passenger_id int, state int, class int);
insert into tickets select i, 1 + i * 3 % 20000, (i % 10 = 0)::int, (i % 8 = 0)::int from generate_series(1, 30000) i;
analyze tickets;
alter table tickets alter column state type text using case state when 0 then 'used' else 'returned' end;
alter table tickets alter column class type text using case class when 0 then 'deck' else 'cabin' end;
""",
        query="select count(*), max(p.remark) from tickets k join passengers p on p.id = k.passenger_id"
        " where k.state = 'used' and k.class = 'deck'",
        place=at("k"),
        cure=("analyze tickets",),
        others=others("tickets", "passenger_id", "passengers"),
        never_first=NO_DETOUR,
    ),
)

_STALE: Final = (
    Fault(
        name="this year's broadcasts lie past the end of the histogram",
        code="stale_statistics",
        source="PostgreSQL documentation, 'Updating Planner Statistics', on columns whose range moves, a timestamp"
        " being the example; ineq_histogram_selectivity in selfuncs.c",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, aired date);
insert into broadcasts select i, 1 + i * 7 % 20000, date '2025-01-01' + i % 365 from generate_series(1, 30000) i;
analyze broadcasts;
insert into broadcasts select i, 1 + i * 7 % 20000, date '2026-01-01' + i % 90 from generate_series(30001, 42000) i;
""",
        query="select count(*), max(t.remark) from broadcasts b join tapes t on t.id = b.tape_id"
        " where b.aired >= date '2026-01-01'",
        place=at("b"),
        cure=("analyze broadcasts",),
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="tickets got a state that no ANALYZE has seen",
        code="stale_statistics",
        source="PostgreSQL documentation, 'Row Estimation Examples': a value that is not among the common ones shares"
        " what they leave; 'Updating Planner Statistics'",
        schema=f"""{PASSENGERS}
create table tickets (id int primary key, passenger_id int, state text);
insert into tickets select i, 1 + i * 3 % 20000, case when i % 9 = 0 then 'paid' else 'used' end
from generate_series(1, 30000) i;
analyze tickets;
update tickets set state = 'refunded' where id % 5 < 2;
""",
        query="select count(*), max(p.remark) from tickets k join passengers p on p.id = k.passenger_id"
        " where k.state = 'refunded'",
        place=at("k"),
        cure=("analyze tickets",),
        others=others("tickets", "passenger_id", "passengers"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="the league was analyzed with one season's entries and grew by the next",
        code="stale_statistics",
        source="PostgreSQL documentation, 'Updating Planner Statistics' and ANALYZE, on loads that change a table much",
        schema=f"""{PLAYERS}
create table entries (id int primary key, player_id int, season int);
insert into entries select i, i, 2025 from generate_series(1, 600) i;
analyze entries;
insert into entries select i, 1 + i * 13 % 20000, 2026 from generate_series(601, 40000) i;
""",
        query="select count(*), max(p.remark) from entries e join players p on p.id = e.player_id"
        " where e.season = 2026",
        place=at("e"),
        cure=("analyze entries",),
        others=others("entries", "player_id", "players"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="waterings were turned from litres to millilitres after ANALYZE",
        code="stale_statistics",
        source="PostgreSQL documentation, 'Updating Planner Statistics', on updates that change a column's values",
        schema=f"""{PLANTS}
create table waterings (id int primary key, plant_id int, amount int);
insert into waterings select i, 1 + i * 11 % 20000, 1 + i % 40 from generate_series(1, 20000) i;
analyze waterings;
update waterings set amount = amount * 1000;
""",
        query="select count(*), max(p.remark) from waterings w join plants p on p.id = w.plant_id where w.amount > 500",
        place=at("w"),
        cure=("analyze waterings",),
        others=others("waterings", "plant_id", "plants"),
        never_first=NO_DETOUR,
    ),
)

FAULTS: Final = (*_NEVER, *_STALE)
