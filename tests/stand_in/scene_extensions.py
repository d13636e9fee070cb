"""Indexes by operator classes of extensions that PostgreSQL ships, and a query's call of a function of theirs.

Invented: which team looks after which hut, and when.
"""

from __future__ import annotations

SCHEMA = """
create schema tools;
create extension btree_gist with schema tools;
create extension pg_trgm with schema public;
create schema teams;
create table teams.turn (id int primary key, team int not null, days daterange not null, name text not null);
insert into teams.turn select i, i % 300, daterange(date '2024-01-01' + i % 600, date '2024-01-02' + i % 600 + i % 7),
  'Team ' || (i * 7919) % 4001 from generate_series(1, 15000) i;
create index turn_team_days on teams.turn using gist (team, days);
create index turn_name on teams.turn using gist (name gist_trgm_ops);
create index turn_team on teams.turn (team);
vacuum analyze teams.turn;
"""
QUERIES: dict[str, tuple[str, ...]] = {
    "extensions": (
        "select * from teams.turn where team = 7 and days && daterange('2024-05-01', '2024-05-04')",
        "select * from teams.turn where name like '%77%'",
        "select * from teams.turn where name % 'Team 77' and team < 40",
        "select * from teams.turn order by name <-> 'Team 7' limit 5",
        "select * from teams.turn where similarity(name, 'Team 9') > 0.8 and team = 9",
    ),
}
