"""Several columns of one table that go together, under equality and under ranges."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_MULTIVARIATE: Final = "PostgreSQL documentation, 'Multivariate Statistics Examples'"

_LANGUAGE_PAIRS: Final = """
create table assignment (assignment_no int primary key, desk text not null);
create table passage (assignment_no int not null, source_code char(2) not null, target_code char(2) not null,
  words int not null);
insert into assignment select n, 'desk ' || n % 40 from generate_series(1, 15000) n;
insert into passage select 1 + n * 7 % 15000, chr(97 + n % 20) || 'x', chr(97 + n % 20) || 'y', 5 + n % 70
  from generate_series(1, 30000) n;
analyze;
"""

_HERBARIUM: Final = """
create table collector (collector_id int primary key, institute text not null);
create table sheet (sheet_id int primary key, collector_id int not null references collector, family text not null,
  genus text not null, habitat text not null);
insert into collector select n, 'institute ' || n % 25 from generate_series(1, 6000) n;
insert into sheet select n, 1 + n * 11 % 6000, 'family ' || n % 25 / 5, 'genus ' || n % 25, 'habitat ' || n % 25
  from generate_series(1, 30000) n;
analyze;
"""

_SOFT_DELETED: Final = """
create table author (author_id int primary key, display_name text not null);
create table note (tenant_id int not null, note_id int not null, author_id int not null, state text not null,
  deleted_at timestamp, primary key (tenant_id, note_id));
insert into author select n, 'author ' || n from generate_series(1, 8000) n;
insert into note select n % 40, n, 1 + n * 3 % 8000, case when n % 20 = 0 then 'live' else 'gone' end,
  case when n % 20 <> 0 then timestamp '2024-01-01' + n * interval '7 minutes' end from generate_series(1, 40000) n;
analyze;
"""

_TARIFFS: Final = """
create table article (article_no int primary key, title text not null);
create table tariff (article_no int not null references article, valid_from date not null, valid_to date not null,
  cents int not null, primary key (article_no, valid_from));
insert into article select n, 'article ' || n from generate_series(1, 40000) n;
insert into tariff select 1 + n, date '2020-01-01' + n % 60 * 30, date '2020-01-01' + n % 60 * 30 + 29, 100 + n % 77
  from generate_series(0, 29999) n;
analyze;
"""

_BOX_SEATS: Final = """
create table patron (patron_id int primary key, joined_on date not null);
create domain seat_class as text check (value in ('box', 'stalls', 'gallery'));
create table sold_seat (patron_id int not null references patron, class seat_class not null, price int not null);
insert into patron select n, date '2015-01-01' + n % 3000 from generate_series(1, 12000) n;
insert into sold_seat select 1 + n * 7 % 12000,
  case when n % 33 = 0 then 'box' when n % 2 = 0 then 'stalls' else 'gallery' end,
  case when n % 33 = 0 then 180 + n % 3 * 10 else 20 + n % 10 * 10 end from generate_series(1, 30000) n;
analyze;
"""

_INVOICES: Final = """
create table client (client_id int primary key, country text not null);
create table invoice (invoice_no int primary key, client_id int not null references client, words int not null,
  fee int not null);
insert into client select n, 'country ' || n % 30 from generate_series(1, 8000) n;
insert into invoice select n, 1 + n * 13 % 8000, n % 40 * 250, n % 40 * 25 from generate_series(1, 30000) n;
analyze;
"""

FAULTS: Final = (
    Fault(
        name="source and target language that go together",
        code="correlated_columns_equality",
        source=f"{_MULTIVARIATE}, 'Functional Dependencies'",
        schema=_LANGUAGE_PAIRS,
        query="select a.desk, sum(p.words) from passage p join assignment a on a.assignment_no = p.assignment_no"
        " where p.source_code = 'cx' and p.target_code = 'cy' group by a.desk",
        place=at("p"),
        cure=(
            "create statistics passage_pair (dependencies, mcv) on source_code, target_code from passage",
            "analyze passage",
        ),
        others={
            "long passages": "select count(*) from passage where words > 70",
            "a desk": "select count(*) from assignment where desk = 'desk 7'",
            "from c": "select sum(words) from passage where source_code = 'cx'",
        },
        never_first=frozenset({"drop_index", "new_index"}),
    ),
    Fault(
        name="family, genus and habitat",
        code="correlated_columns_equality",
        source="PostgreSQL documentation, 'Statistics Used by the Planner', 'Extended Statistics'",
        schema=_HERBARIUM,
        query="select c.institute, count(*) from sheet s join collector c on c.collector_id = s.collector_id"
        " where s.family = 'family 3' and s.genus = 'genus 17' and s.habitat = 'habitat 17' group by c.institute",
        place=at("s"),
        cure=("create statistics sheet_taxon (mcv) on family, genus, habitat from sheet", "analyze sheet"),
        others={
            "families": "select family, count(*) from sheet group by family",
            "one sheet": "select c.institute from sheet s join collector c using (collector_id) where s.sheet_id = 31",
        },
        never_first=frozenset({"drop_index", "new_index"}),
    ),
    Fault(
        name="a state beside the mark of soft deletion",
        code="correlated_columns_equality",
        source=f"{_MULTIVARIATE}, 'MCV Lists'; common practice, no source, for the soft deletion",
        schema=_SOFT_DELETED,
        query="select a.display_name, count(*) from note n join author a on a.author_id = n.author_id"
        " where n.state = 'live' and n.deleted_at is null group by a.display_name",
        place=at("n"),
        cure=("create statistics note_life (mcv) on state, deleted_at from note", "analyze note"),
        others={
            "a tenant": "select count(*) from note where tenant_id = 8 and deleted_at is null",
            "an author": "select * from author where author_id = 8",
        },
    ),
    Fault(
        name="the tariff that is valid on a day",
        code="correlated_columns_range",
        source="PostgreSQL documentation, 'Multivariate Statistics Examples', 'MCV Lists': ranges are supported there",
        schema=_TARIFFS,
        query="select a.title, t.cents from tariff t join article a on a.article_no = t.article_no"
        " where t.valid_from <= date '2022-06-01' and t.valid_to >= date '2022-06-01'",
        place=at("t"),
        cure=("create statistics tariff_span (mcv) on valid_from, valid_to from tariff", "analyze tariff"),
        others={
            "an article": "select * from tariff where article_no = 12",
            "new tariffs": "select count(*) from tariff where valid_from > '2024-10-01'",
            "titles": "select count(*) from article where title < 'article 2'",
        },
    ),
    Fault(
        name="boxes that are dear",
        code="correlated_columns_range",
        source=f"{_MULTIVARIATE}, 'MCV Lists'",
        schema=_BOX_SEATS,
        query="select p.joined_on, s.price from sold_seat s join patron p on p.patron_id = s.patron_id"
        " where s.class = 'box' and s.price >= 180",
        place=at("s"),
        cure=("create statistics seat_price (mcv) on class, price from sold_seat", "analyze sold_seat"),
        others={
            "cheap": "select count(*) from sold_seat where price < 40",
            "patrons of a day": "select count(*) from patron where joined_on = '2016-02-02'",
        },
        also_right=frozenset({"correlated_columns_equality"}),
        never_first=frozenset({"drop_index", "new_index"}),
    ),
    Fault(
        name="many words, high fees",
        code="correlated_columns_range",
        source=f"{_MULTIVARIATE}, 'MCV Lists': a <= 49 and b > 49",
        schema=_INVOICES,
        query="select c.country, sum(i.fee) from invoice i join client c on c.client_id = i.client_id"
        " where i.words >= 9500 and i.fee >= 950 group by c.country",
        place=at("i"),
        cure=("create statistics invoice_size (mcv) on words, fee from invoice", "analyze invoice"),
        others={
            "small ones": "select count(*) from invoice where fee < 50",
            "a client": "select country from client where client_id = 3",
            "an invoice": "select * from invoice where invoice_no = 777",
        },
        never_first=frozenset({"drop_index", "new_index"}),
    ),
)
