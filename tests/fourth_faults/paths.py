"""Joins whose inner side has no index that serves them."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_BASKETS: Final = """
create table basket (basket_id int primary key, shopper_id int not null, filled_on date not null);
create index on basket (shopper_id);
create table basket_item (basket_id int not null references basket, article text not null, pieces int not null);
insert into basket select n, n % 3000, date '2025-01-01' + n % 90 from generate_series(1, 15000) n;
insert into basket_item select 1 + n % 15000, 'article ' || n % 500, 1 + n % 4 from generate_series(1, 60000) n;
analyze;
"""

_LAST_SERVICE: Final = """
create table pump (pump_id int primary key, pump_house text not null);
create table pump_check (check_id int primary key, pump_id int not null references pump, checked_on date not null, bar
  int not null);
create index on pump (pump_house);
insert into pump select n, 'house ' || n / 5 from generate_series(1, 2000) n;
insert into pump_check select n, 1 + n * 7 % 2000, date '2015-01-01' + n / 20, n % 9 from generate_series(1, 60000) n;
analyze;
"""

_LOAN_CARDS: Final = """
create table import_line (line_no int primary key, card_code text not null, amount int not null);
create table loan_card (card_id int primary key, card_code text not null unique, owner text not null);
insert into import_line select n, 'CARD-' || n * 900, n from generate_series(1, 12) n;
insert into loan_card select n, 'card-' || n, 'owner ' || n from generate_series(1, 40000) n;
analyze;
"""

FAULTS: Final = (
    Fault(
        name="items of a shopper's baskets",
        code="missing_join_index",
        source="PostgreSQL documentation, 'Constraints', 'Foreign Keys': the referencing columns get no index by"
        " themselves",
        schema=_BASKETS,
        query="select b.filled_on, i.article from basket b join basket_item i on i.basket_id = b.basket_id"
        " where b.shopper_id = 77",
        place=at("b", "i"),
        measure="pages",
        cure=("create index on basket_item (basket_id)", "analyze basket_item"),
        others={
            "a day": "select count(*) from basket where filled_on = '2025-02-02'",
            "an article": "select sum(pieces) from basket_item where article = 'article 8'",
        },
    ),
    Fault(
        name="the last check of each pump of a house",
        code="missing_join_index",
        source="PostgreSQL documentation, 'Indexes and ORDER BY' and 'Multicolumn Indexes'",
        schema=_LAST_SERVICE,
        query="select p.pump_id, c.checked_on, c.bar from pump p cross join lateral (select k.checked_on, k.bar"
        " from pump_check k where k.pump_id = p.pump_id order by k.checked_on desc limit 1) c"
        " where p.pump_house = 'house 7'",
        place=at("p", "k"),
        measure="pages",
        cure=("create index on pump_check (pump_id, checked_on)", "analyze pump_check"),
        others={
            "a day": "select count(*) from pump_check where checked_on = '2020-01-01'",
            "a pump": "select pump_house from pump where pump_id = 9",
        },
    ),
    Fault(
        name="imported cards that differ in case",
        code="missing_join_index",
        also_right=frozenset({"expression_without_statistics"}),
        source="PostgreSQL documentation, 'Indexes on Expressions': lower(col1)",
        schema=_LOAN_CARDS,
        query="select l.amount, c.owner from import_line l join loan_card c on lower(c.card_code) = lower(l.card_code)"
        " where l.amount < 6",
        place=at("l", "c"),
        measure="pages",
        cure=("create index on loan_card (lower(card_code))", "analyze loan_card"),
        others={
            "an owner": "select card_code from loan_card where owner = 'owner 5'",
            "a card": "select owner from loan_card where card_code = 'card-5'",
        },
    ),
)
