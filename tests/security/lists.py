"""Hostile query lists that no table of places makes: acting statements, hidden writes, namesakes, odd spellings.

`;;` ends a statement that comes before the one that bears the attack's name.  Each has a twin of the same shape.
"""

from __future__ import annotations

from .lists_spelled import SPELLINGS

Pairs = dict[str, tuple[str, str]]

STATEMENTS: Pairs = {
    "second statement": ("select 1;; drop table notes", "select 1;; select 2"),
    "do block": ("do $$ begin perform snare.spring('do'); end $$", "select $$ begin end $$"),
    "do block, quoted": ("do 'begin perform snare.spring(''do''); end'", "select 'begin end'"),
    "call": ("call snare.spring('call')", "select abs(1)"),
    "copy to a program": ("copy (select 1) to program 'touch <YARD>/copied'", "select 1 as program"),
    "copy to a file": ("copy trio to '<YARD>/copied'", "table trio"),
    "copy to the client": ("copy (select snare.spring('copy')) to stdout", "select abs(2)"),
    "copy from": ("copy trio from program 'touch <YARD>/copied'", "select * from trio where n = 1"),
    "explain analyze": ("explain analyze select snare.spring('explain')", "select 1 as explain"),
    "explain in brackets": ("explain (analyze on) delete from notes", "select 1 as analyze"),
    "explain folding": ("explain select snare.stable_liar(1), snare.spring('x')", "select 3"),
    "declare": ("declare c cursor for select snare.spring('cursor')", "select 1 as cursor"),
    "declare with hold": ("declare c cursor with hold for select snare.spring('hold')", "select 1 as hold"),
    "create table as": ("create table fresh as select snare.spring('ctas')", "select abs(3)"),
    "create temporary table as": ("create temp table fresh as select snare.spring('ctas')", "select abs(4)"),
    "select into": ("select snare.spring('into') as n into fresh", "select abs(5) as into_n"),
    "materialized view": ("create materialized view mv as select snare.spring('mv')", "select abs(6)"),
    "create function": ("create function f() returns int language sql as 'select 1'", "select 'create function'"),
    "grant": ("grant all on snare.strongroom to keeper", "select 'grant all'"),
    "alter role": ("alter role keeper set search_path = shadow", "select 'alter role'"),
    "alter database": ("alter database postgres set work_mem = '1MB'", "select 'alter database'"),
    "alter system": ("alter system set work_mem = '1MB'", "select 'alter system'"),
    "alter table": ("alter table notes add column gone int", "select 'alter table'"),
    "comment": ("comment on table huts is 'changed'", "select 'comment on table'"),
    "truncate": ("truncate notes", "select 'truncate'"),
    "lock": ("lock table notes in access exclusive mode", "select 'lock table'"),
    "analyze": ("analyze huts", "select 'analyze'"),
    "vacuum": ("vacuum huts", "select 'vacuum'"),
    "reindex": ("reindex table huts", "select 'reindex'"),
    "cluster": ("cluster huts using huts_pkey", "select 'cluster'"),
    "checkpoint": ("checkpoint", "select 'checkpoint'"),
    "listen": ("listen alarm", "select 'listen'"),
    "notify": ("notify alarm, 'x'", "select 'notify'"),
    "load": ("load 'auto_explain'", "select 'load'"),
    "discard": ("discard all", "select 'discard all'"),
    "refresh": ("refresh materialized view mv", "select 'refresh'"),
    "prepare a transaction": ("prepare transaction 'x'", "select 'prepare transaction'"),
    "commit": ("commit;; delete from notes", "select 'commit'"),
    "rollback": ("rollback;; delete from notes", "select 'rollback'"),
    "begin": ("begin read write;; delete from notes", "select 'begin read write'"),
    "savepoint": ("savepoint a;; delete from notes", "select 'savepoint'"),
    "import foreign schema": ("import foreign schema snare from server loop into public", "select 'import'"),
    "security label": ("security label on table huts is 'x'", "select 'label'"),
    "reassign": ("reassign owned by keeper to guide", "select 'reassign'"),
    "drop owned": ("drop owned by keeper", "select 'drop owned'"),
    "event trigger": ("create event trigger e on ddl_command_end execute function on_write()", "select 'event'"),
    "delete": ("delete from notes", "select 'delete from notes'"),
    "update": ("update notes set line = 'gone'", "select 'update notes'"),
    "insert": ("insert into notes values ('come')", "select 'insert into'"),
    "delete in a CTE": ("with d as (delete from notes returning *) select * from d", "with d as (table notes) table d"),
    "nested write": (
        "select (select count(*) from (with d as (delete from notes returning 1) select 1 from d) q)",
        "select (select count(*) from (with d as (select 1 from notes) select 1 from d) q)",
    ),
    "for update": ("select * from notes for update", "select * from notes"),
    "for share": ("select * from notes for share", "select * from notes limit 1"),
    "execute an unknown": ("execute nobody(snare.spring('unknown'))", "select 'execute nobody'"),
    "execute with a cast": (
        "prepare q_1(text) as select $1;; execute q_1(snare.spring('cast')::text)",
        "prepare q_1(text) as select $1;; execute q_1(abs(1)::text)",
    ),
    "execute in explain": (
        "prepare q_2(int) as select $1;; explain execute q_2(snare.spring('explain'))",
        "prepare q_2(int) as select $1;; execute q_2(1)",
    ),
    "execute as a table": (
        "prepare q_3(int) as select $1 as n;; create temp table t as execute q_3(snare.spring('ctas'))",
        "prepare q_3(int) as select $1 as n;; execute q_3(2)",
    ),
    "prepared call": (
        "prepare q_4 as select snare.spring('prepared');; execute q_4",
        "prepare q_4 as select abs(1);; execute q_4",
    ),
    "prepared parameter of a domain": (
        "prepare q_5(snare.checked) as select $1;; execute q_5(1)",
        "prepare q_5(smallint) as select $1;; execute q_5(1)",
    ),
    "prepared folding": (
        "prepare q_6 as select snare.quiet('folded') where snare.quiet('x') > 0;; execute q_6",
        "prepare q_6 as select abs(1) where abs(2) > 0;; execute q_6",
    ),
    "prepare text": (
        'prepare "q 7" as select snare.spring(\'named\');; execute "q 7"',
        'prepare "q 7" as select 7;; execute "q 7"',
    ),
}

ACTING: Pairs = {
    "terminate": (
        "select pg_terminate_backend(pid) from pg_stat_activity where application_name = 'bystander'",
        "select count(*) from pg_stat_activity where application_name = 'bystander'",
    ),
    "cancel": (
        "select pg_cancel_backend(pid) from pg_stat_activity where application_name = 'bystander'",
        "select count(pid) from pg_stat_activity",
    ),
    "advisory lock": ("select pg_advisory_lock(4711)", "select 4711"),
    "shared lock": ("select pg_try_advisory_xact_lock_shared(4711)", "select 4712"),
    "pg_notify": ("select pg_notify('alarm', 'x')", "select lower('ALARM')"),
    "nextval": ("select nextval('tickets')", "select last_value from tickets"),
    "setval": ("select setval('tickets', 99)", "select is_called from tickets"),
    "lo_create": ("select lo_create(0)", "select 0::oid"),
    "lo_unlink": ("select lo_unlink(424242)", "select 424242"),
    "lo_put": ("select lo_put(424242, 0, 'x')", "select length('x'::bytea)"),
    "lo_from_bytea": ("select lo_from_bytea(0, 'x')", "select 'x'::bytea"),
    "lo_export": ("select lo_export(424242, '<YARD>/taken')", "select 'taken'"),
    "lo_import": ("select lo_import('/etc/hostname')", "select '/etc/hostname'"),
    "lowrite": ("select lowrite(lo_open(424242, 131072), 'x')", "select octet_length('x')"),
    "pg_read_file": ("select pg_read_file('postgresql.conf')", "select 'postgresql.conf'"),
    "pg_ls_dir": ("select pg_ls_dir('.')", "select '.'"),
    "reload": ("select pg_reload_conf()", "select 'reload'"),
    "rotate": ("select pg_rotate_logfile()", "select 'rotate'"),
    "reset statistics": ("select pg_stat_reset()", "select count(*) from pg_stat_user_tables"),
    "reset one": ("select pg_stat_reset_single_table_counters('huts'::regclass)", "select 'huts'::regclass"),
    "switch wal": ("select pg_switch_wal()", "select 'wal'"),
    "slot": ("select pg_create_physical_replication_slot('x')", "select count(*) from pg_replication_slots"),
    "message": ("select pg_logical_emit_message(false, 'a', 'b')", "select 'message'"),
    "snapshot": ("select pg_export_snapshot()", "select 'snapshot'"),
    "promote": ("select pg_promote()", "select 'promote'"),
    "dblink": (
        "select * from dblink('dbname=postgres', 'select 1') as d(n int)",
        "select * from (values (1)) as d(n)",
    ),
    "dblink_exec": ("select dblink_exec('dbname=postgres', 'create table x()')", "select 'create table x()'"),
    "dblink_connect": ("select dblink_connect('dbname=postgres')", "select 'dbname=postgres'"),
    "set_config": ("select set_config('work_mem', '1MB', false)", "select current_setting('work_mem')"),
    "set_config in where": (
        "select 1 from trio where set_config('role', 'none', false) is null",
        "select 1 from trio where current_setting('role') is null",
    ),
    "quoted set_config": (
        "select \"pg_catalog\".\"set_config\"('work_mem', '1MB', true)",
        'select "pg_catalog"."current_setting"(\'work_mem\')',
    ),
    "unicode set_config": (
        "select u&\"set_c\\006fnfig\"('work_mem', '1MB', true)",
        "select u&\"current_s\\0065tting\"('work_mem')",
    ),
    "settings view": (
        "update pg_settings set setting = 'off' where name = 'transaction_read_only'",
        "select setting from pg_settings where name = 'transaction_read_only'",
    ),
    "brin": ("select brin_summarize_new_values('huts_pkey'::regclass)", "select 'huts_pkey'::regclass"),
    "gin": ("select gin_clean_pending_list('huts_pkey'::regclass)", "select 'huts_pkey'::regclass::oid"),
    "collations": ("select pg_import_system_collations('public')", "select count(*) from pg_collation"),
    "backend memory": ("select pg_log_backend_memory_contexts(pg_backend_pid())", "select 1 as memory"),
    "cursor_to_xml": ("select cursor_to_xml('c', 1, false, false, '')", "select 'c'::refcursor"),
}

SHADOWS: Pairs = {
    "function": (
        "set search_path = shadow, pg_catalog;; select abs(1)",
        "set search_path = pg_catalog;; select abs(1)",
    ),
    "text function": (
        "set search_path = shadow, pg_catalog;; select lower('A')",
        "set search_path = pg_catalog, public;; select lower('A')",
    ),
    "operator": (
        "set search_path = shadow, pg_catalog;; select n from public.trio where n = 1",
        "set search_path = pg_catalog;; select n from public.trio where n = 1",
    ),
    "in": (
        "set search_path to shadow, pg_catalog;; select 1 in (1, 2)",
        "set search_path to pg_catalog;; select 1 in (1, 2)",
    ),
    "simple case": (
        "set local search_path = shadow, pg_catalog;; select case 1 when 1 then 2 end",
        "set local search_path = pg_catalog;; select case 1 when 1 then 2 end",
    ),
    "nullif": (
        "set search_path = shadow, pg_catalog;; select nullif(1, 2)",
        "set search_path = public;; select nullif(1, 2)",
    ),
    "is distinct": (
        "set search_path = shadow, pg_catalog;; select 1 is distinct from 2",
        "set search_path = public;; select 1 is distinct from 2",
    ),
    "between rows": (
        "set search_path = shadow, pg_catalog;; select (1, 2) = (1, 2)",
        "set search_path = public;; select (1, 2) = (1, 2)",
    ),
    "using": (
        "set search_path = shadow, pg_catalog, public;; select count(*) from trio a join trio b using (n)",
        "set search_path = public;; select count(*) from trio a join trio b using (n)",
    ),
    "natural join": (
        "set search_path = shadow, pg_catalog, public;; select count(*) from trio a natural join (select 1 as n) b",
        "set search_path = public;; select count(*) from trio a natural join (select 1 as n) b",
    ),
    "any": (
        "set search_path = shadow, pg_catalog;; select 1 = any (array[1])",
        "set search_path = public;; select 1 = any (array[1])",
    ),
    "sublink": (
        "set search_path = shadow, pg_catalog;; select 1 in (select 1)",
        "set search_path = public;; select 1 in (select 1)",
    ),
    "type": ("set search_path = shadow, pg_catalog;; select '1'::int8", "set search_path = public;; select '1'::int8"),
    "table": (
        "set search_path = shadow, public;; select * from huts",
        "set search_path = public;; select id from huts",
    ),
    "set schema": ("set schema 'shadow';; select * from huts", "set schema 'public';; select name from huts"),
    "quoted path": (
        "set \"search_path\" = 'shadow', 'public';; select * from huts",
        "set \"search_path\" = 'public';; table huts",
    ),
    "temporary function": (
        "create function pg_temp.wave() returns int language sql as 'select snare.spring(''temp'')';;"
        " select pg_temp.wave()",
        "select abs(11)",
    ),
    "temporary view": (
        "create temp view trio as select snare.spring('temp') as n;; select n from trio",
        "select n from trio where n < 9",
    ),
    "SQL function's own path": ("select snare.deep('path')", "select own_double(2)"),
}

LISTS: Pairs = {
    f"{group}: {name}": pair
    for group, pairs in (("statement", STATEMENTS), ("acting", ACTING), ("shadow", SHADOWS), ("spelling", SPELLINGS))
    for name, pair in pairs.items()
}
