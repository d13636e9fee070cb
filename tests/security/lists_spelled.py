"""Query lists that hide a call in the way in which it is spelled, and what permitted writes run besides; with twins."""

from __future__ import annotations

SPELLINGS: dict[str, tuple[str, str]] = {
    "capitals": ("SELECT SNARE.SPRING('CAPITALS')", "SELECT ABS(1)"),
    "carriage return": ("select 1 --\r, snare.spring('return')", "select 1 --\r, abs(1)"),
    "form feed": ("select\fsnare.spring('feed')", "select\fabs(1)"),
    "vertical tab": ("select snare\t.\tspring\t('tab')", "select pg_catalog\t.\tabs\t(1)"),
    "nested comment": ("select /* /* */ 1, */ snare.spring('nested')", "select /* /* */ 1, */ abs(1)"),
    "comment in a literal": ("select '/*', snare.spring('literal'), '*/'", "select '/*', abs(1), '*/'"),
    "dash in a literal": ("select '--', snare.spring('dash')", "select '--', abs(1)"),
    "dollar in a name": ("select 1 as a$b, snare.spring($c$d$c$)", "select 1 as a$b, length($c$d$c$)"),
    "dollar in a dollar": ("select $a$ $b$ $a$, snare.spring($b$ $a$ $b$)", "select $a$ $b$ $a$, length($b$ $a$ $b$)"),
    "escape literal": ("select e'\\'', snare.spring(e'\\x61')", "select e'\\'', length(e'\\x61')"),
    "backslash literal": ("select '\\', snare.spring('backslash')", "select '\\', abs(1)"),
    "continued literal": ("select 'a'\n'b', snare.spring('con'\n'tinued')", "select 'a'\n'b', length('con'\n'tinued')"),
    "unicode escape": ("select u&'\\0027', snare.spring(u&'\\0061')", "select u&'\\0027', length(u&'\\0061')"),
    "bit literal": ("select b'1', snare.spring('bit')", "select b'1', abs(1)"),
    "national": ("select n'a', snare.spring(n'national')", "select n'a', length(n'national')"),
    "no blank": ("select(snare.spring('blank'))", "select(abs(1))"),
    "number run on": ("select 1.e0, snare.spring('number')", "select 1.e0, abs(1)"),
    "all functions": (
        "select snare.spring(all_of) from (values ('a')) v(all_of)",
        "select length(all_of) from (values ('a')) v(all_of)",
    ),
    "attribute notation": ("select ('x'::text).spring_text", "select (t).n from trio t"),
    "functional notation": (
        "select snare.spring_text(q.a) from (select 'x'::text as a) q",
        "select upper(q.a) from (select 'x'::text as a) q",
    ),
    "star of rows": ("select (snare.spring_rows('star')).*", "select (row(1, 2)).*"),
    "typed function": ("select snare.checked(1)", "select int4(1)"),
    "cast by name": ("select cast('1' as snare . checked)", "select cast('1' as pg_catalog . int4)"),
    "percent type": ("select 1 operator ( snare . @! ) 2", "select 1 operator ( pg_catalog . + ) 2"),
    "database-qualified": ("select n from postgres.snare.attic", "select n from trio where n > 1"),
    "table star": ("table only snare.attic", "table only trio"),
    "brackets": ("((select snare.spring('brackets')))", "((select abs(1)))"),
    "values first": ("values (snare.spring('first'))", "values (abs(1))"),
    "with first": (
        "with a as (select 1) select snare.spring('with') from a",
        "with a as (select 1) select abs(1) from a",
    ),
}

# With --allow-writes, and without --allow-volatile: what a permitted write runs besides.
WRITES: dict[str, tuple[str, str]] = {
    "column default": ("insert into booby_default(id) values (1)", "insert into trio(n) values (1)"),
    "default named": ("insert into booby_default values (1, default)", "insert into trio values (1, default)"),
    "default values": ("insert into booby_default default values", "insert into trio default values"),
    "trigger on insert": ("insert into booby_trigger values (1, 1)", "insert into trio values (1, 'x')"),
    "trigger on update": ("update booby_trigger set n = 2", "update trio set n = 2"),
    "trigger on delete": ("delete from booby_trigger", "delete from trio"),
    "rule": ("insert into booby_rule values (1, 1)", "insert into trio values (2, 'y')"),
    "domain column": ("insert into booby_domain values (1, 1)", "insert into payments values (1, 1, 'x')"),
    "values": ("insert into trio(n) values (snare.spring('insert'))", "insert into trio(n) values (abs(1))"),
    "query": ("insert into trio(n) select n from snare.attic", "insert into trio(n) select n from trio"),
    "returning": (
        "insert into trio(n) values (1) returning snare.spring('r')",
        "insert into trio(n) values (1) returning abs(n)",
    ),
    "update set": ("update trio set n = snare.spring('set')", "update trio set n = abs(n)"),
    "update rows": (
        "update trio set (n, label) = (select snare.spring('row'), 'x')",
        "update trio set (n, label) = (select abs(1), 'x')",
    ),
    "update from": (
        "update trio set n = 1 from snare.attic a where a.n = trio.n",
        "update trio set n = 1 from huts h where h.id = n",
    ),
    "update where": ("update trio set n = 1 where n > snare.spring('where')", "update trio set n = 1 where n > abs(0)"),
    "delete using": ("delete from trio using snare.attic", "delete from trio using huts where id = n"),
    "delete returning": ("delete from trio returning snare.spring('r')", "delete from trio returning abs(n)"),
    "conflict": (
        "insert into huts values (1, 'x', 1) on conflict (id) do update set region = snare.spring('conflict')",
        "insert into huts values (1, 'x', 1) on conflict (id) do update set region = abs(1)",
    ),
    "conflict where": (
        "insert into huts values (1, 'x', 1) on conflict (id) do update set region = 1"
        " where huts.region > snare.spring('w')",
        "insert into huts values (1, 'x', 1) on conflict (id) do update set region = 1 where huts.region > abs(1)",
    ),
    "cte": (
        "with d as (delete from trio returning snare.spring('cte') as n) select n from d",
        "with d as (delete from trio returning abs(n) as n) select n from d",
    ),
    "far table": ("delete from snare.far_huts", "delete from huts where id < 0"),
    "settings view": (
        "update pg_settings set setting = 'off' where name = 'transaction_read_only'",
        "update trio set n = 3",
    ),
}
