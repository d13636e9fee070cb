"""The keeper's own tables: ordinary ones, and ones whose own definitions run code when they are planned or written."""

from __future__ import annotations

ROOMS = """
create table huts(id int primary key, name text, region int);
insert into huts select i, 'hut ' || i, i % 10 from generate_series(1, 500) i;
create table bookings(id int primary key, hut_id int, nights int, land text, city text, booked_on date);
insert into bookings select i, i % 500 + 1, i % 7, 'land ' || i % 20, 'city ' || i % 20, date '2026-01-01' + i % 300
  from generate_series(1, 20000) i;
create index bookings_hut on bookings(hut_id);
create table payments(booking_id int, amount int, method text);
insert into payments select i, i % 100, 'method ' || i % 3 from generate_series(1, 20000) i;
create index payments_booking on payments(booking_id);
create sequence tickets;
create table notes(line text);
insert into notes select 'note ' || i from generate_series(1, 3) i;
create table trio(n int, label text);
insert into trio values (1, 'one'), (2, 'two'), (3, 'three');
create table lots(id int primary key, parts int[]);
insert into lots select i, array[i, i] from generate_series(1, 3) i;
create unique index lots_next on lots((id + 1));
create type season as enum ('winter', 'summer');

-- planning folds the calls of a partial index's predicate, of an indexed expression and of a CHECK constraint
create table booby_index(id int, n int);
insert into booby_index select i, i % 10 from generate_series(1, 500) i;
create index booby_partial on booby_index(id) where n > snare.liar(5);
create index booby_expression on booby_index((n + snare.liar(7)));
create table booby_check(id int, n int, check (n > snare.liar(-1)));
insert into booby_check select i, i % 10 from generate_series(1, 500) i;
create table booby_statistics(id int, n int);
insert into booby_statistics select i, i % 10 from generate_series(1, 500) i;
create table booby_domain(id int, n snare.twice_checked);
insert into booby_domain values (1, 1), (2, 2), (3, 3);
create table booby_parent(id int, n int) partition by range (n);
create table booby_part_1 partition of booby_parent for values from (0) to (100);
create table booby_part_2 partition of booby_parent for values from (100) to (200);
insert into booby_parent select i, i % 200 from generate_series(1, 500) i;
alter table booby_part_1 add check (id > snare.liar(-1));
create index booby_part_partial on booby_part_2(id) where n > snare.liar(150);
create table booby_generated(id int, n int, twice int generated always as (n * 2 + snare.liar(0)) stored);
insert into booby_generated(id, n) select i, i % 10 from generate_series(1, 3) i;

-- what a write runs
create table booby_default(id int, n int default snare.spring('column-default'));
create table booby_trigger(id int, n int);
insert into booby_trigger select i, i from generate_series(1, 3) i;
create function on_write() returns trigger language plpgsql as $$
  begin perform snare.spring('trigger'); return new; end $$;
create trigger watched before insert or update or delete on booby_trigger for each row execute function on_write();
create table booby_rule(id int, n int);
insert into booby_rule select i, i from generate_series(1, 3) i;
create rule watched as on insert to booby_rule do also select snare.spring('rule');

create view door as select n from snare.window_view;
create view safe_view as select id, name from huts where region > 3;
create function own_double(a int) returns int language sql immutable as $$ select a * 2 $$;
create function own_double_pl(a int) returns int language plpgsql immutable as $$ begin return a * 2; end $$;
create function own_nights() returns setof int language plpgsql stable rows 10
  as $$ begin return query select id from bookings; end $$;

-- a schema whose functions bear the names of PostgreSQL's own, to be put in front of them
create schema shadow;
create function shadow.lower(text) returns text language plpgsql volatile
  as $$ begin perform snare.spring('shadow-lower'); return $1; end $$;
create function shadow.abs(int) returns int language plpgsql volatile
  as $$ begin return snare.spring('shadow-abs'); end $$;
create function shadow.spring_equal(int, int) returns boolean language plpgsql volatile
  as $$ begin return snare.spring('shadow-equal') > 0; end $$;
create operator shadow.= (leftarg = int, rightarg = int, function = shadow.spring_equal);
create domain shadow.int8 as pg_catalog.int8 check (snare.spring('shadow-type') > 0);
create view shadow.huts as select snare.spring('shadow-view') as id, 'x'::text as name, 1 as region;
"""


def rooms_of(major: int) -> str:
    """Statistics on an expression, which 13 can't have."""
    if major < 14:
        return "select 1"
    return "create statistics booby_expressions on (n + snare.liar(9)), id from booby_statistics"
