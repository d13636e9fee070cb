"""Columns whose texts sort by collations of their own: of the C library and, where the server has it, of ICU.

Invented: the names on huts' doors.
"""

from __future__ import annotations

SCHEMA = """
create schema doors;
create collation doors.plain (provider = libc, locale = 'C.UTF-8');
create table doors.label (id int primary key, plain text collate doors.plain not null, c text collate "C" not null,
  other text not null);
insert into doors.label select i, 'Door ' || (i * 7919) % 9001, 'door ' || (i * 31) % 7001, 'Gate ' || i % 3001
  from generate_series(1, 20000) i;
create index label_plain on doors.label (plain);
create index label_c on doors.label (c);
vacuum analyze doors.label;
"""
ICU = """
create collation doors.german (provider = icu, locale = 'de');
create collation doors.loose (provider = icu, locale = 'und-u-ks-level2', deterministic = false);
create table doors.sign (id int primary key, german text collate doors.german not null,
  loose text collate doors.loose not null, french text collate "fr-x-icu" not null);
insert into doors.sign select i, (array['Ähre', 'Apfel', 'Zahl', 'öde'])[1 + i % 4] || (i * 7919) % 4001,
  (array['SIGN', 'sign', 'Sign'])[1 + i % 3] || i % 700, 'côte ' || (i * 31) % 2001
  from generate_series(1, 20000) i;
create index sign_german on doors.sign (german);
create index sign_loose on doors.sign (loose);
create index sign_french on doors.sign (french);
vacuum analyze doors.sign;
"""
QUERIES: dict[str, tuple[str, ...]] = {
    "collations": (
        "select * from doors.label where plain like 'Door 77%'",
        "select * from doors.label where plain > 'Door 88' order by plain limit 50",
        "select * from doors.label where c like 'door 77%'",
        "select * from doors.label a join doors.label b on b.plain = a.plain where a.c between 'door 3' and 'door 31'",
    ),
}
OF_ICU: dict[str, tuple[str, ...]] = {
    "ICU collations": (
        "select * from doors.sign where german between 'Apfel' and 'Apfel22'",
        "select * from doors.sign where german > 'z' order by german",
        "select * from doors.sign where loose = 'SIGN7'",
        "select * from doors.sign a join doors.sign b on a.french = b.french where a.french < 'côte 11'",
        "select * from doors.sign where french > 'côte 9' and german < 'b'",
    ),
}
