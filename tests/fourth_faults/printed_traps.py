"""Plans that print rows far from the estimate, or run long, although no estimate of theirs is wrong."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import STATISTICS_KINDS, Trap, at

_CAVEATS: Final = "PostgreSQL documentation, 'Using EXPLAIN', 'Caveats'"

_WISHES: Final = """
create table plant (plant_id int primary key, common_name text not null);
create table wish (wish_id int primary key, plant_id int not null references plant, wished_on date not null, grams int
  not null);
create index on wish (wished_on);
insert into plant select n, 'plant ' || n from generate_series(1, 3000) n;
insert into wish select n, 1 + n * 7 % 3000, date '2020-01-01' + n / 12, n % 40 from generate_series(1, 20000) n;
analyze;
"""

_LEDGERS: Final = """
create table ledger (entry_no int primary key, cents int not null);
create table correction (entry_no int primary key, reason text not null);
insert into ledger select n, n % 977 from generate_series(1, 40000) n;
insert into correction select n, 'reason ' || n % 5 from generate_series(1, 1000) n;
analyze;
"""

_PAUSED: Final = """
create table pause (started timestamp not null);
create table queue_entry (entry_id int primary key, topic_id int not null, waiting_since timestamp not null);
create table topic (topic_id int primary key, title text not null);
insert into pause values ('2025-06-01');
insert into topic select n, 'topic ' || n from generate_series(1, 500) n;
insert into queue_entry select n, 1 + n % 500, timestamp '2025-01-01' + n * interval '3 minutes'
  from generate_series(1, 30000) n;
analyze;
"""

_THRESHOLDS: Final = """
create table alarm_rule (rule_id int primary key, ceiling int not null);
create table level (level_id int primary key, height int not null);
insert into alarm_rule select n, 50 + n % 40 from generate_series(1, 200) n;
insert into level select n, 100 + n % 900 from generate_series(1, 4000) n;
analyze;
"""

_STUCK_CRATES: Final = """
create table crate (crate_id int not null, lane int not null, tier int not null);
create table crate_move (crate_id int not null, moved_at timestamp not null);
insert into crate select n, n % 50, (n * 7 + n / 50) % 50
  from generate_series(1, 10000) n where not (n % 50 = 3 and (n * 7 + n / 50) % 50 = 9);
insert into crate_move select 1 + n % 10000, timestamp '2025-03-01' + n * interval '1 minute'
  from generate_series(1, 60000) n;
analyze;
"""

_CLASSES: Final = """
create table course_day (day_code int not null, hours int not null);
create table course_room (day_code int not null, room text not null);
insert into course_day select n % 50, n % 9 from generate_series(1, 2000) n;
insert into course_room select n % 50, 'room ' || n from generate_series(1, 2000) n;
analyze;
"""

_YEARLY: Final = """
create table household_meter (meter_id int primary key, zone text not null);
create table reading (meter_id int not null references household_meter, month date not null, litres int not null,
  primary key (meter_id, month));
insert into household_meter select n, 'zone ' || n % 12 from generate_series(1, 3000) n;
insert into reading select m, date '2024-01-01' + k * 30, m * k % 500
  from generate_series(1, 3000) m, generate_series(1, 12) k;
analyze;
"""

_TOUCHED: Final = """
create table account (account_id int primary key, branch_id int not null, seen_at timestamp);
create table branch (branch_id int primary key, town text not null);
insert into branch select n, 'town ' || n from generate_series(0, 199) n;
insert into account select n, n % 200, null from generate_series(1, 20000) n;
analyze;
update account set seen_at = timestamp '2025-02-02' where account_id % 3 = 0;
"""

_QUARTERS: Final = """
create table stay (guest_no int not null, quarter int not null, nights int not null) partition by range (quarter);
create table stay_first partition of stay for values from (1) to (2);
create table stay_second partition of stay for values from (2) to (3);
create table guest_card (guest_no int primary key, tongue text not null);
insert into guest_card select n, 'tongue ' || n % 9 from generate_series(1, 6000) n;
insert into stay select 1 + n * 7 % 6000, 1 + n % 2, n % 14 from generate_series(1, 24000) n;
analyze guest_card;
analyze stay_first;
analyze stay_second;
"""

PRINTED_TRAPS: Final = (
    Trap(
        name="a LIMIT that ends the join early",
        source=_CAVEATS,
        schema=_WISHES,
        query="select p.common_name, w.grams from wish w join plant p on p.plant_id = w.plant_id order by"
        " w.wished_on limit 5",
        place=at("w", "p"),
        others={
            "a day": "select count(*) from wish where wished_on = '2021-05-05'",
            "a plant": "select * from plant where plant_id = 4",
        },
    ),
    Trap(
        name="a merge join whose other side ends first",
        source=_CAVEATS,
        schema=_LEDGERS,
        prelude=("set enable_hashjoin = off", "set enable_nestloop = off"),
        query="select c.reason, sum(l.cents) from ledger l join correction c on c.entry_no = l.entry_no"
        " group by c.reason",
        place=at("l"),
        others={
            "an entry": "select * from ledger where entry_no = 5",
            "reasons": "select reason, count(*) from correction group by reason",
        },
    ),
    Trap(
        name="a gate that is closed: nothing below it was executed",
        source="PostgreSQL sources, nodeResult.c: a one-time filter that is false; common practice, no source, for"
        " reading it",
        schema=_PAUSED,
        query="select t.title, q.waiting_since from queue_entry q join topic t on t.topic_id = q.topic_id"
        " where not exists (select from pause)",
        place=at("q", "t"),
        others={
            "long waiting": "select count(*) from queue_entry where waiting_since < '2025-01-02'",
            "a topic": "select title from topic where topic_id = 5",
        },
    ),
    Trap(
        name="EXISTS that stops at the first match",
        source="PostgreSQL sources, costsize.c, compute_semi_anti_join_factors: the inner scan stops after one match",
        schema=_THRESHOLDS,
        query="select count(*) from alarm_rule r where exists (select from level v where v.height > r.ceiling)",
        place=at("v"),
        others={
            "low": "select count(*) from level where height < 120",
            "rules": "select max(ceiling) from alarm_rule",
        },
    ),
    Trap(
        name="a hash of no rows: the other side is read for one",
        source="PostgreSQL sources, nodeHashjoin.c, ExecHashJoinImpl: an empty hash table ends an inner join",
        schema=_STUCK_CRATES,
        prelude=("set enable_mergejoin = off",),
        query="select m.moved_at from crate c join crate_move m on m.crate_id = c.crate_id"
        " where c.lane = 3 and c.tier = 9",
        place=at("m"),
        others={
            "a lane": "select count(*) from crate where lane = 7",
            "late moves": "select count(*) from crate_move where moved_at > '2025-04-10'",
        },
        never_first=STATISTICS_KINDS | {"drop_index"},
    ),
    Trap(
        name="a merge join that reads repeated keys again",
        source=_CAVEATS,
        schema=_CLASSES,
        prelude=("set enable_hashjoin = off", "set enable_nestloop = off"),
        query="select r.room, sum(d.hours) from course_day d join course_room r on r.day_code = d.day_code"
        " group by r.room",
        place=at("r"),
        others={
            "a day": "select count(*) from course_day where day_code = 7",
            "a room": "select day_code from course_room where room = 'room 7'",
        },
    ),
    Trap(
        name="a year of all meters, all of it wanted",
        source="common practice, no source: work that is what was expected",
        schema=_YEARLY,
        query="select m.zone, sum(r.litres) from reading r join household_meter m on m.meter_id = r.meter_id group"
        " by m.zone",
        place=at("r", "m"),
        looks_off=False,
        useless=("analyze reading", "analyze household_meter"),
        others={
            "a meter": "select * from reading where meter_id = 77",
            "zones": "select zone, count(*) from household_meter group by zone",
        },
    ),
    Trap(
        name="many rows changed, in a column that is not asked for",
        source="PostgreSQL documentation, 'Updating Planner Statistics': what matters is the distribution of values",
        schema=_TOUCHED,
        query="select b.town, count(*) from account a join branch b on b.branch_id = a.branch_id"
        " where a.branch_id between 20 and 60 group by b.town",
        place=at("a"),
        looks_off=False,
        useless=("analyze account",),
        others={
            "an account": "select * from account where account_id = 6",
            "a town": "select * from branch where town = 'town 6'",
        },
    ),
    Trap(
        name="a partitioned table without its own statistics, restricted and joined on a key",
        source="PostgreSQL documentation, ANALYZE; selfuncs.c, eqjoinsel_inner: the larger number of distinct values"
        " counts",
        schema=_QUARTERS,
        query="select g.tongue, sum(s.nights) from stay s join guest_card g on g.guest_no = s.guest_no"
        " where s.nights > 10 group by g.tongue",
        place=at("s", "g"),
        looks_off=False,
        useless=("analyze stay",),
        others={
            "a guest": "select tongue from guest_card where guest_no = 9",
            "first quarter": "select count(*) from stay where quarter = 1",
        },
    ),
)
