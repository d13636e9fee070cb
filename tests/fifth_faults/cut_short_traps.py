"""Traps whose estimates look wrong, since the plan's reader was content early or never asked at all."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import INDEX_KINDS, STATISTICS_KINDS, Trap, at

_CAVEATS: Final = "PostgreSQL documentation, 'Using EXPLAIN', Caveats"

FIRST_SHEEP: Final = Trap(
    name="the first five sheep that come",
    source=_CAVEATS + ": LIMIT stops the nodes below it",
    schema="""
create table sheep (id int primary key, ear text not null, farm_id int not null);
insert into sheep select i, 'ear ' || i, 1 + (i * 7) % 500 from generate_series(1, 40000) i;
create table sheep_farms (id int primary key, name text not null);
insert into sheep_farms select i, 'farm ' || i from generate_series(1, 500) i;
analyze sheep;
analyze sheep_farms;
""",
    query="select s.ear, f.name from sheep s join sheep_farms f on f.id = s.farm_id limit 5",
    place=at("s"),
    useless=("analyze sheep", "analyze sheep_farms"),
    others={
        "a sheep": "select * from sheep where id = 12",
        "a farm": "select * from sheep_farms where id = 12",
    },
)

SHORT_CATALOGUE: Final = Trap(
    name="a merge join ends when the short catalogue does",
    source=_CAVEATS + ": a merge join stops reading one input when the other is exhausted",
    schema="""
create table long_catalogue (id int primary key, magnitude int not null);
insert into long_catalogue select i, i % 20 from generate_series(1, 50000) i;
create table short_catalogue (id int primary key, name text not null);
insert into short_catalogue select i, 'star ' || i from generate_series(1, 300) i;
analyze long_catalogue;
analyze short_catalogue;
""",
    prelude=("set enable_hashjoin = off", "set enable_nestloop = off"),
    query="select count(*), max(l.magnitude) from short_catalogue s join long_catalogue l on l.id = s.id",
    place=at("l"),
    useless=("analyze long_catalogue", "analyze short_catalogue"),
    others={
        "a star": "select * from short_catalogue where id = 12",
        "a bright one": "select * from long_catalogue where id = 12",
    },
)

SAME_CORKS: Final = Trap(
    name="a merge join reads the same corks again for each bottle",
    source=_CAVEATS + ": a merge join backs up over duplicates, which are counted again",
    schema="""
create table cork_lots (lot int not null, maker text not null);
insert into cork_lots select i % 20, 'maker ' || i from generate_series(1, 400) i;
create table corked (id int primary key, lot int not null);
insert into corked select i, i % 20 from generate_series(1, 4000) i;
create index on corked (lot);
analyze cork_lots;
analyze corked;
""",
    prelude=("set enable_hashjoin = off", "set enable_nestloop = off"),
    query="select count(*), max(l.maker) from corked c join cork_lots l on l.lot = c.lot",
    place=at("l"),
    useless=("analyze cork_lots", "analyze corked"),
    others={
        "a lot": "select count(*) from cork_lots where lot = 3",
        "a bottle": "select * from corked where id = 12",
    },
)

ANY_WITNESS: Final = Trap(
    name="one witness of many is enough for each of the trials",
    source="PostgreSQL documentation, 'Subquery Expressions': EXISTS runs only long enough to see one row",
    schema="""
create table trials (id int primary key, judge text not null);
insert into trials select i, 'judge ' || i % 11 from generate_series(1, 200) i;
create table witnesses (id int primary key, trial_id int not null, spoke int not null);
insert into witnesses select i, 1 + i % 200, i % 50 from generate_series(1, 60000) i;
create index on witnesses (trial_id);
analyze trials;
analyze witnesses;
""",
    prelude=("set enable_hashjoin = off", "set enable_mergejoin = off", "set enable_material = off"),
    query="select count(*), min(t.judge) from trials t"
    " where t.id <= 20 and exists (select from witnesses w where w.trial_id = t.id)",
    place=at("w"),
    useless=("analyze witnesses",),
    others={
        "a trial": "select * from trials where id = 12",
        "a witness": "select * from witnesses where id = 12",
    },
)

NEVER_ASKED: Final = Trap(
    name="no keeper of that name, so reading the watches ended at once",
    source="ExecHashJoin in src/backend/executor/nodeHashjoin.c: an empty hash table ends the join; " + _CAVEATS,
    schema="""
create table head_keepers (id int primary key, name text not null);
insert into head_keepers select i, 'keeper ' || i from generate_series(1, 8000) i;
create table night_watches (id int primary key, keeper_id int not null, hours int not null);
insert into night_watches select i, 1 + i % 8000, i % 12 from generate_series(1, 50000) i;
analyze head_keepers;
analyze night_watches;
""",
    query="select count(*), max(w.hours) from head_keepers k join night_watches w on w.keeper_id = k.id"
    " where k.name = 'nobody'",
    place=at("w"),
    prelude=("set enable_nestloop = off", "set enable_mergejoin = off"),
    useless=("analyze night_watches",),
    others={
        "a keeper": "select * from head_keepers where id = 12",
        "a watch": "select * from night_watches where id = 12",
    },
)

TEN_OLDEST: Final = Trap(
    name="the ten oldest violins, kept in a heap of ten",
    source="PostgreSQL documentation, 'Sorting Rows' with LIMIT; " + _CAVEATS,
    schema="""
create table violins (id int primary key, built int not null, maker_id int not null);
insert into violins select i, 1600 + (i * 7919) % 400, 1 + i % 300 from generate_series(1, 50000) i;
create table luthiers (id int primary key, name text not null);
insert into luthiers select i, 'luthier ' || i from generate_series(1, 300) i;
analyze violins;
analyze luthiers;
""",
    query="select v.id, l.name from violins v join luthiers l on l.id = v.maker_id order by v.built + l.id limit 10",
    place=at("v", "l"),
    looks_off=False,
    useless=("analyze violins",),
    others={
        "a violin": "select * from violins where id = 12",
        "a luthier": "select * from luthiers where id = 12",
    },
)

FIRST_GROUPS: Final = Trap(
    name="the first eight boxes of a sorted grouping",
    source=_CAVEATS + ": LIMIT stops the nodes below it, groupings too",
    schema="""
create table letters_kept (box int not null, letter int not null, words int not null, primary key (box, letter));
insert into letters_kept select i / 8, i % 8, i % 77 from generate_series(0, 47999) i;
create table box_rooms (box int primary key, room text not null);
insert into box_rooms select i, 'room ' || i % 9 from generate_series(0, 5999) i;
vacuum analyze letters_kept;
analyze box_rooms;
""",
    query="select l.box, sum(l.words) from letters_kept l group by l.box order by l.box limit 8",
    place=at("l", grouping=True),
    useless=("analyze letters_kept",),
    others={
        "a box": "select * from letters_kept where box = 12",
        "a room": "select * from box_rooms where box = 12",
    },
)

SECOND_SHED: Final = Trap(
    name="the second shed is not opened, the first has enough",
    source=_CAVEATS + ": LIMIT stops the nodes below it; parts of an Append that were not executed",
    schema="""
create table shed_one (id int primary key, tool text not null);
insert into shed_one select i, 'tool ' || i % 500 from generate_series(1, 30000) i;
create table shed_two (id int primary key, tool text not null);
insert into shed_two select i, 'tool ' || i % 500 from generate_series(1, 30000) i;
analyze shed_one;
analyze shed_two;
""",
    query="select id, tool from shed_one union all select id, tool from shed_two limit 20",
    place=at("shed_two"),
    useless=("analyze shed_two",),
    others={
        "a tool of one": "select * from shed_one where id = 12",
        "a tool of two": "select * from shed_two where id = 12",
    },
)

SWITCHED_OFF: Final = Trap(
    name="a report's part that a setting switches off",
    source="ExecResult in src/backend/executor/nodeResult.c: a one-time filter that is false reads nothing below it",
    schema="""
create table spools (id int primary key, thread int not null);
insert into spools select i, i % 500 from generate_series(1, 30000) i;
create table dyes (thread int primary key, tone text not null);
insert into dyes select i, 'tone ' || i from generate_series(0, 499) i;
analyze spools;
analyze dyes;
""",
    query="select count(*), min(d.tone) from spools s join dyes d on d.thread = s.thread"
    " where coalesce(current_setting('report.dyes', true), 'off') = 'on'",
    place=at("s"),
    useless=("analyze spools",),
    others={
        "a spool": "select * from spools where id = 12",
        "a dye": "select * from dyes where thread = 12",
    },
)

LAST_CALL: Final = Trap(
    name="a subquery for each of a few ships reads one of its calls",
    source=_CAVEATS + ": LIMIT stops the nodes below it, in a subquery too",
    schema="""
create table liners (id int primary key, name text not null);
insert into liners select i, 'liner ' || i from generate_series(1, 100) i;
create table port_calls (id int primary key, liner_id int not null, docked int not null);
insert into port_calls select i, 1 + i % 100, i from generate_series(1, 40000) i;
create index on port_calls (liner_id, docked);
analyze liners;
analyze port_calls;
""",
    query="select l.name, (select c.id from port_calls c where c.liner_id = l.id order by c.docked desc limit 1)"
    " from liners l where l.id <= 12",
    place=at("c"),
    useless=("analyze port_calls",),
    others={
        "a liner": "select * from liners where id = 12",
        "a call": "select * from port_calls where id = 12",
    },
)

DRAWN_BY_LOT: Final = Trap(
    name="one in two thousand pieces drawn by lot",
    source="PostgreSQL documentation, 'Function Volatility Categories': random() is volatile; DEFAULT_INEQ_SEL",
    schema="""
create table wardrobe_pieces (id int primary key, chest_id int not null);
insert into wardrobe_pieces select i, 1 + i % 900 from generate_series(1, 50000) i;
create table chests (id int primary key, loft text not null);
insert into chests select i, 'loft ' || i % 4 from generate_series(1, 900) i;
analyze wardrobe_pieces;
analyze chests;
""",
    query="select count(*), min(c.loft) from wardrobe_pieces p join chests c on c.id = p.chest_id"
    " where random() < 0.0005",
    place=at("p", "c"),
    never_first=STATISTICS_KINDS | INDEX_KINDS,
    useless=("analyze wardrobe_pieces",),
    others={
        "a piece": "select * from wardrobe_pieces where id = 12",
        "a chest": "select * from chests where id = 12",
    },
)

TRAPS: Final = (
    FIRST_SHEEP,
    SHORT_CATALOGUE,
    SAME_CORKS,
    ANY_WITNESS,
    NEVER_ASKED,
    TEN_OLDEST,
    FIRST_GROUPS,
    SECOND_SHED,
    SWITCHED_OFF,
    LAST_CALL,
    DRAWN_BY_LOT,
)
