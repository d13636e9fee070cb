"""Plans that print other numbers than came, because a node was ended early, never begun, or read again."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import INDEX_KINDS, STATISTICS_KINDS, Trap, at

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

_CAVEATS: Final = "PostgreSQL documentation, 'Using EXPLAIN', Caveats: "
_TOUCHING: Final = STATISTICS_KINDS | INDEX_KINDS

_FIRST_TEN: Final = Trap(
    name="the first ten defects of any car",
    source=_CAVEATS + "LIMIT ends its input before all its rows were read",
    schema=TRAMS
    + f"""
    create table faults (fault_id int primary key, car_id int not null references cars, note text not null);
    insert into faults select i, 1 + {spread(101, 3000)}, 'note ' || i from generate_series(1, 50000) i;
    analyze faults;
    """,
    query="select f.note, c.maker, d.name from faults f join cars c using (car_id) join depots d using (depot_id)"
    " limit 10",
    place=at("f"),
    useless=("analyze faults",),
    others=TRAMS_LIST,
)

_MERGED: Final = Trap(
    name="a merge that ends with the shorter list",
    source=_CAVEATS + "a merge join stops reading one input when the other has no more keys",
    schema=BEES
    + f"""
    create table queens (queen_id int primary key, breed_id int not null references breeds, hatched int not null);
    create table marks (queen_id int primary key references queens, colour text not null);
    insert into queens select i, 1 + i % 9, {spread(102, 3000)} from generate_series(1, 120000) i;
    insert into marks select i, 'colour ' || i % 5 from generate_series(1, 2500) i;
    analyze queens, marks;
    """,
    query="select q.breed_id, m.colour, count(*) from marks m join queens q using (queen_id) group by q.breed_id,"
    " m.colour",
    prelude=("set enable_nestloop = off", "set enable_hashjoin = off"),
    place=at("q"),
    never_first=_TOUCHING,
    useless=("analyze queens",),
    others=BEES_LIST,
)

_ANY: Final = Trap(
    name="is there any use at all",
    source=_CAVEATS + "the inner side of a semi-join is left at the first match; V. Leis et al., 2015, on EXISTS",
    schema=FERRY
    + f"""
    create table uses (use_id int primary key, agent_id int not null references agents, route_id int not null);
    insert into uses select i, 1 + {spread(103, 500)}, 1 + i % 300 from generate_series(1, 60000) i;
    create index on uses (agent_id);
    analyze uses;
    """,
    query="select a.name, p.name from agents a join ports p using (port_id)"
    " where p.port_id = 12 and exists (select from uses u where u.agent_id = a.agent_id)",
    place=at("u"),
    useless=("analyze uses",),
    others=FERRY_LIST,
)

_NEVER: Final = Trap(
    name="a side that was never begun",
    source=_CAVEATS + "a node that was not executed shows no rows; common practice: a status that does not occur today",
    schema=HOSTEL
    + f"""
    create table complaints (complaint_id int primary key, member_id int not null references members,
      grade int not null);
    create table replies (reply_id int primary key, complaint_id int not null references complaints, body text);
    insert into complaints select i, 1 + {spread(104, 20000)}, 1 + i % 5 from generate_series(1, 4000) i;
    insert into replies select i, 1 + i % 4000, 'reply' from generate_series(1, 80000) i;
    create index on complaints (grade);
    create index on replies (complaint_id);
    analyze complaints, replies;
    """,
    query="select m.joined, r.body from complaints c join members m using (member_id) join replies r using"
    " (complaint_id)"
    " where c.grade = 9",
    place=at("r"),
    useless=("analyze replies", "analyze complaints"),
    others=HOSTEL_LIST,
)

_EMPTY_BUILD: Final = Trap(
    name="nothing to compare with",
    source="PostgreSQL, src/backend/executor/nodeHashjoin.c: with an empty inner side the outer is not read to its end",
    schema=SEEDS
    + f"""
    create table recalls (recall_id int primary key, vault_id int not null references vaults, lot_no int not null);
    create table bags (bag_id int primary key, lot_no int not null, vault_id int not null references vaults);
    insert into recalls select i, 1 + i % 15, i from generate_series(1, 3000) i;
    insert into bags select i, {spread(105, 30000)}, 1 + i % 16 from generate_series(1, 70000) i;
    analyze recalls, bags;
    """,
    query="select v.celsius, b.bag_id from bags b join recalls r using (lot_no) join vaults v on v.vault_id ="
    " b.vault_id"
    " where r.vault_id = 16",
    place=at("b"),
    useless=("analyze bags", "analyze recalls"),
    never_first=STATISTICS_KINDS | {"drop_index"},
    others=SEEDS_LIST,
)

_NEWEST: Final = Trap(
    name="the loans of the newest day",
    source="PostgreSQL documentation, 'Aggregate Functions' and Caveats: the greatest value is the first row of an"
    " index",
    schema=CHOIR
    + f"""
    create table lent (lent_id int primary key, work_id int not null references works, day int not null);
    insert into lent select i, 1 + {spread(106, 6000)}, i / 80 from generate_series(1, 60000) i;
    create index on lent (day);
    analyze lent;
    """,
    query="select c.name, l.lent_id from lent l join works w using (work_id) join composers c using (composer_id)"
    " where l.day = (select max(x.day) from lent x)",
    place=at("x"),
    useless=("analyze lent",),
    others=CHOIR_LIST,
)

_TOP: Final = Trap(
    name="the twenty newest notes, by their index",
    source=_CAVEATS + "LIMIT ends an index scan; here the order is the right one",
    schema=HOSTEL
    + f"""
    create table entries (entry_id int primary key, hostel_id int not null references hostels, written int not null);
    insert into entries select i, 1 + {spread(107, 200)}, i from generate_series(1, 80000) i;
    create index on entries (written);
    analyze entries;
    """,
    query="select e.entry_id, t.name from entries e join hostels h using (hostel_id) join towns t using (town_id)"
    " order by e.written desc limit 20",
    place=at("e"),
    useless=("analyze entries",),
    others=HOSTEL_LIST,
)

_MONTHS: Final = " ".join(
    f"create table rides_{month} partition of rides for values in ({month});" for month in range(1, 21)
)

_PRUNED: Final = Trap(
    name="the month that another table names",
    source="PostgreSQL documentation, 'Partition Pruning': at run time partitions are left out, after the estimate was"
    " made",
    schema=TRAMS
    + f"""
    create table rides (ride_no int not null, month int not null, car_id int not null) partition by list (month);
    {_MONTHS}
    create table closing (closed int not null);
    insert into rides select i, 1 + i % 20, 1 + {spread(108, 3000)} from generate_series(1, 60000) i;
    insert into closing values (7);
    analyze rides; analyze closing;
    """,
    query="select d.name, count(*) from rides r join cars c using (car_id) join depots d using (depot_id)"
    " where r.month = (select k.closed from closing k) group by d.name",
    place=at("r"),
    useless=("analyze rides",),
    others=TRAMS_LIST,
)

_REREAD: Final = Trap(
    name="equal keys that are read again",
    source=_CAVEATS + "a merge join reads equal keys of the inner side again, and each time counts",
    schema=CHOIR
    + f"""
    create table rehearsals (work_id int not null references works, singer_id int not null);
    create table remarks (work_id int not null references works, mark int not null);
    insert into rehearsals select 1 + i % 1000, 1 + {spread(109, 8000)} from generate_series(1, 30000) i;
    insert into remarks select 1 + i % 1000, i % 7 from generate_series(1, 20000) i;
    analyze rehearsals, remarks;
    """,
    query="select k.mark, count(*) from rehearsals r join remarks k using (work_id) join works w using (work_id)"
    " where w.voices > 0 group by k.mark",
    prelude=("set enable_hashjoin = off", "set enable_nestloop = off"),
    place=at("r"),
    never_first=_TOUCHING,
    useless=("analyze rehearsals", "analyze remarks"),
    others=CHOIR_LIST,
)

TRAPS: Final = (_FIRST_TEN, _MERGED, _ANY, _NEVER, _EMPTY_BUILD, _NEWEST, _TOP, _PRUNED, _REREAD)
