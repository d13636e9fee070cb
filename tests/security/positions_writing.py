"""Every place in which a statement that writes, defines or declares takes an expression, as in `positions.py`.

What writes is run with --allow-writes, which permits the write and no volatile call.  What defines is refused with
and without it; its hole holds a function that is declared immutable, since much of it takes no other.
"""

from __future__ import annotations

from .positions import Position

_WRITING = {
    13: {
        "insert values": "insert into trio(n) values ({e})",
        "insert several": "insert into trio(n) values (1), ({e})",
        "insert query": "insert into trio(n) select n + {e} from trio",
        "insert with": "with a as (select {e} as n) insert into trio(n) select n from a",
        "insert returning": "insert into trio(n) values (1) returning n + {e}",
        "insert subscript": "insert into lots(id, parts[{e}]) values (9, 2)",
        "conflict target": "insert into lots(id) values (9) on conflict ((id + {e})) do nothing",
        "conflict target's condition": "insert into lots(id) values (9) on conflict (id) where id > {e} do nothing",
        "conflict set": "insert into lots(id) values (1) on conflict (id) do update set id = {e} + 8",
        "conflict condition": "insert into lots(id) values (1) on conflict (id) do update set id = 9"
        " where lots.id >= {e}",
        "update set": "update trio set n = {e}",
        "update row": "update trio set (n, label) = ({e}, 'x')",
        "update row of a query": "update trio set (n, label) = (select {e}, 'x')",
        "update subscript": "update lots set parts[{e}] = 2",
        "update slice": "update lots set parts[1:{e}] = array[2]",
        "update from": "update trio set n = 1 from (select {e} as m) q where q.m = trio.n",
        "update from function": "update trio set n = 1 from generate_series(1, {e}) g where g = trio.n",
        "update where": "update trio set n = 1 where n >= {e}",
        "update returning": "update trio set n = 1 returning {e}",
        "update with": "with a as (select {e} as m) update trio set n = 1 from a where a.m = trio.n",
        "delete using": "delete from trio using (select {e} as m) q where q.m = trio.n",
        "delete where": "delete from trio where n >= {e}",
        "delete returning": "delete from trio returning n + {e}",
        "delete with": "with a as (select {e} as m) delete from trio using a where a.m = trio.n",
        "write in a query": "with d as (delete from trio where n >= {e} returning n) select n from d",
    },
    15: {
        "merge source": "merge into trio t using (select {e} as n) s on t.n = s.n when matched then delete",
        "merge on": "merge into trio t using lots s on t.n = s.id + {e} when matched then delete",
        "merge when": "merge into trio t using lots s on t.n = s.id when matched and t.n >= {e} then do nothing",
        "merge set": "merge into trio t using lots s on t.n = s.id when matched then update set n = {e}",
        "merge values": "merge into trio t using lots s on t.n = s.id + 100"
        " when not matched then insert (n) values ({e})",
        "merge with": "with a as (select {e} as n) merge into trio t using a on t.n = a.n when matched then delete",
    },
    17: {
        "merge returning": "merge into trio t using lots s on t.n = s.id when matched then delete returning {e}",
        "merge by source": "merge into trio t using lots s on t.n = s.id"
        " when not matched by source and t.n >= {e} then delete",
    },
    18: {
        "returning old": "update trio set n = 2 returning old.n + {e}",
        "returning with": "update trio set n = 2 returning with (old as before) before.n + {e}",
    },
}

_DEFINING = {
    13: {
        "call": "call snare.noted({e})",
        "copy of a query": "copy (select {e}) to stdout",
        "copy's condition": "copy trio from stdin where n > {e}",
        "cursor": "declare c cursor for select {e}",
        "explained": "explain analyze select {e}",
        "table of a query": "create table fresh as select {e} as n",
        "temporary table of a query": "create temp table fresh as select {e} as n",
        "table of an EXECUTE": "prepare q as select {e} as n; create table fresh as execute q",
        "into": "select {e} as n into fresh",
        "materialized view": "create materialized view fresh as select {e} as n",
        "view": "create view fresh as select {e} as n",
        "column default": "create table fresh(n int default {e})",
        "column check": "create table fresh(n int check (n > {e}))",
        "table check": "create table fresh(n int, check (n > {e}))",
        "generated column": "create table fresh(n int, m int generated always as (n + {e}) stored)",
        "exclusion": "create table fresh(n int, exclude using btree ((n + {e}) with =))",
        "exclusion's condition": "create table fresh(n int, exclude using btree (n with =) where (n > {e}))",
        "partition key": "create table fresh(n int) partition by range ((n + {e}))",
        "partition bounds": "create table fresh partition of booby_parent for values from ({e} + 999) to (2000)",
        "partition's upper bound": "create table fresh partition of booby_parent for values from (999) to ({e} + 999)",
        "partition list": "create table fresh(n int) partition by list (n);"
        " create table fresh_1 partition of fresh for values in ({e})",
        "attached partition": "create table fresh(id int, n int);"
        " alter table booby_parent attach partition fresh for values from ({e} + 999) to (2000)",
        "schema's table": "create schema fresh create table t(n int default {e})",
        "foreign table": "create foreign table fresh(n int default {e}) server loop",
        "domain check": "create domain fresh as int check (value > {e})",
        "domain default": "create domain fresh as int default {e}",
        "altered domain default": "create domain fresh as int; alter domain fresh set default {e}",
        "altered domain check": "create domain fresh as int; alter domain fresh add check (value > {e})",
        "parameter default": "create function fresh(a int default {e}) returns int language sql as 'select 1'",
        "index expression": "create index fresh on trio((n + {e}))",
        "index condition": "create index fresh on trio(n) where n > {e}",
        "policy": "create policy fresh on trio using (n > {e})",
        "policy check": "create policy fresh on trio with check (n > {e})",
        "altered policy": "create policy fresh on trio using (true); alter policy fresh on trio using (n > {e})",
        "altered policy check": "create policy fresh on trio; alter policy fresh on trio with check (n > {e})",
        "rule's condition": "create rule fresh as on update to trio where old.n > {e} do also nothing",
        "rule's action": "create rule fresh as on update to trio do also select {e}",
        "trigger's condition": "create trigger fresh before update on trio for each row when (old.n > {e})"
        " execute function on_write()",
        "set default": "alter table trio alter n set default {e}",
        "changed type": "alter table trio alter n type bigint using n + {e}",
        "added column": "alter table trio add column fresh int default {e}",
        "added check": "alter table trio add check (n + {e} > 0)",
    },
    14: {
        "function's body": "create function fresh() returns int begin atomic select {e};\nend",
        "function's result": "create function fresh() returns int return {e}",
        "statistics": "create statistics fresh on (n + {e}), n from trio",
    },
}

WRITING: tuple[Position, ...] = tuple(
    Position(name, statement, since) for since, some in _WRITING.items() for name, statement in some.items()
)
DEFINING: tuple[Position, ...] = tuple(
    Position(name, statement, since) for since, some in _DEFINING.items() for name, statement in some.items()
)
