-- Join queries over TPC-H tables whose columns go together and whose keys are skewed.
set max_parallel_workers_per_gather = 0;
set jit = off;
set random_page_cost = 1.1;

-- name: air freight of its instruction
select p.p_brand, sum(l.l_quantity) from lineitem l join part p on p.p_partkey = l.l_partkey
where l.l_shipmode = 'AIR' and l.l_shipinstruct = 'DELIVER IN PERSON' and l.l_tax = 0.01 group by p.p_brand;

-- name: orders of air freight
select o.o_orderpriority, count(*) from lineitem l join orders o on o.o_orderkey = l.l_orderkey
where l.l_shipmode = 'RAIL' and l.l_shipinstruct = 'COLLECT COD' and l.l_tax = 0.02 and l.l_discount = 0.05
group by o.o_orderpriority;

-- name: customers of air freight
select c.c_mktsegment, count(*) from lineitem l join orders o on o.o_orderkey = l.l_orderkey
join customer c on c.c_custkey = o.o_custkey
where l.l_shipmode = 'SHIP' and l.l_shipinstruct = 'TAKE BACK RETURN' and l.l_tax = 0.03 and l.l_discount = 0.06
group by c.c_mktsegment;

-- name: received in its year
select p.p_mfgr, sum(l.l_extendedprice) from lineitem l join part p on p.p_partkey = l.l_partkey
where l.l_shipdate >= '1995-01-01' and l.l_receiptdate < '1995-03-01' and l.l_commitdate < '1995-03-01'
group by p.p_mfgr;

-- name: orders received in their year
select o.o_orderstatus, count(*) from lineitem l join orders o on o.o_orderkey = l.l_orderkey
where l.l_shipdate >= '1996-01-01' and l.l_receiptdate < '1996-03-01' and l.l_commitdate < '1996-03-01'
group by o.o_orderstatus;

-- name: supply of what was ordered
select s.s_name, sum(ps.ps_supplycost) from lineitem l
join partsupp ps on ps.ps_partkey = l.l_partkey and ps.ps_suppkey = l.l_suppkey
join supplier s on s.s_suppkey = l.l_suppkey where l.l_shipdate < '1993-01-01' group by s.s_name;

-- name: supply, part and supplier
select p.p_brand, s.s_nationkey, count(*) from lineitem l
join partsupp ps on ps.ps_partkey = l.l_partkey and ps.ps_suppkey = l.l_suppkey
join part p on p.p_partkey = l.l_partkey join supplier s on s.s_suppkey = l.l_suppkey
where l.l_quantity < 10 group by 1, 2;

-- name: supply of returned goods
select p.p_mfgr, avg(ps.ps_availqty) from lineitem l
join partsupp ps on ps.ps_partkey = l.l_partkey and ps.ps_suppkey = l.l_suppkey
join part p on p.p_partkey = ps.ps_partkey where l.l_returnflag = 'R' group by p.p_mfgr;

-- name: profit
select n.n_name, sum(l.l_extendedprice * (1 - l.l_discount) - ps.ps_supplycost * l.l_quantity)
from lineitem l join partsupp ps on ps.ps_partkey = l.l_partkey and ps.ps_suppkey = l.l_suppkey
join orders o on o.o_orderkey = l.l_orderkey join supplier s on s.s_suppkey = l.l_suppkey
join nation n on n.n_nationkey = s.s_nationkey
where o.o_orderdate >= '1994-01-01' and o.o_orderdate < '1994-07-01' group by n.n_name;

-- name: brand and its maker
select l.l_returnflag, count(*) from part p join lineitem l on l.l_partkey = p.p_partkey
where p.p_mfgr = 'Manufacturer#1' and p.p_brand = 'Brand#12' and p.p_size < 25 group by l.l_returnflag;

-- name: brand, maker and supply
select s.s_name, count(*) from part p join partsupp ps on ps.ps_partkey = p.p_partkey
join supplier s on s.s_suppkey = ps.ps_suppkey
where p.p_mfgr = 'Manufacturer#3' and p.p_brand in ('Brand#31', 'Brand#32', 'Brand#33') group by s.s_name;

-- name: frequent customers
select o.o_orderpriority, count(*) from customer c join orders o on o.o_custkey = c.c_custkey
join lineitem l on l.l_orderkey = o.o_orderkey where c.c_name in ('Customer#000000001', 'Customer#000000004')
group by o.o_orderpriority;

-- name: frequent customer
select p.p_brand, count(*) from customer c join orders o on o.o_custkey = c.c_custkey
join lineitem l on l.l_orderkey = o.o_orderkey join part p on p.p_partkey = l.l_partkey
where c.c_name = 'Customer#000000007' group by p.p_brand;

-- name: segment of a nation
select o.o_orderstatus, count(*) from customer c join orders o on o.o_custkey = c.c_custkey
where c.c_nationkey = 7 and c.c_mktsegment = 'BUILDING' and left(c.c_phone, 2) = '17' group by o.o_orderstatus;

-- name: segment of a nation and its goods
select l.l_shipmode, count(*) from customer c join orders o on o.o_custkey = c.c_custkey
join lineitem l on l.l_orderkey = o.o_orderkey
where c.c_nationkey = 11 and c.c_mktsegment = 'MACHINERY' and left(c.c_phone, 2) = '21' group by l.l_shipmode;

-- name: newest orders
select c.c_mktsegment, count(*) from orders o join customer c on c.c_custkey = o.o_custkey
where o.o_orderdate >= '1999-01-01' group by c.c_mktsegment;

-- name: newest goods
select p.p_container, sum(l.l_quantity) from lineitem l join part p on p.p_partkey = l.l_partkey
where l.l_shipdate >= '1999-01-01' group by p.p_container;

-- name: newest orders and goods
select p.p_brand, count(*) from orders o join lineitem l on l.l_orderkey = o.o_orderkey
join part p on p.p_partkey = l.l_partkey where o.o_orderdate >= '1999-01-01' group by p.p_brand;

-- name: waiting orders
select c.c_nationkey, count(*) from orders o join customer c on c.c_custkey = o.o_custkey
where o.o_orderstatus = 'W' group by c.c_nationkey;

-- name: waiting goods
select s.s_nationkey, count(*) from lineitem l join supplier s on s.s_suppkey = l.l_suppkey
join part p on p.p_partkey = l.l_partkey where l.l_linestatus = 'W' group by s.s_nationkey;

-- name: month of an order
select c.c_mktsegment, count(*) from orders o join customer c on c.c_custkey = o.o_custkey
where date_trunc('month', o.o_orderdate) between '1996-01-01' and '1996-12-01' group by c.c_mktsegment;

-- name: goods of a month
select p.p_brand, count(*) from lineitem l join part p on p.p_partkey = l.l_partkey
where extract(month from l.l_shipdate) = 5 group by p.p_brand;

-- name: goods and orders of a year
select o.o_orderpriority, count(*) from lineitem l join orders o on o.o_orderkey = l.l_orderkey
where extract(year from l.l_shipdate) = 1997 group by o.o_orderpriority;

-- name: comments
select p.p_type, count(*) from part p join lineitem l on l.l_partkey = p.p_partkey
where p.p_comment like '%fluffily%' group by p.p_type;

-- name: clerks
select c.c_mktsegment, count(*) from orders o join customer c on c.c_custkey = o.o_custkey
where lower(o.o_clerk) < 'clerk#000000050' group by c.c_mktsegment;

-- name: large orders
select c.c_name, o.o_totalprice from customer c join orders o on o.o_custkey = c.c_custkey
join (select l_orderkey from lineitem group by l_orderkey having sum(l_quantity) > 150) big
on big.l_orderkey = o.o_orderkey where o.o_orderdate < '1993-01-01';

-- name: late suppliers
select s.s_name, count(*) from supplier s join lineitem l on l.l_suppkey = s.s_suppkey
where l.l_receiptdate > l.l_commitdate and l.l_shipdate < l.l_commitdate and l.l_shipmode in ('MAIL', 'SHIP')
group by s.s_name;

-- name: late orders
select o.o_orderpriority, count(*) from orders o where o.o_orderdate >= '1993-07-01' and o.o_orderdate < '1993-10-01'
and exists (select from lineitem l where l.l_orderkey = o.o_orderkey and l.l_commitdate < l.l_receiptdate)
group by o.o_orderpriority;

-- name: customers without orders
select count(*) from customer c where not exists (select from orders o where o.o_custkey = c.c_custkey);

-- name: revenue by nation
select n.n_name, sum(l.l_extendedprice) from customer c join orders o on o.o_custkey = c.c_custkey
join lineitem l on l.l_orderkey = o.o_orderkey join nation n on n.n_nationkey = c.c_nationkey
where o.o_orderdate >= '1995-01-01' and o.o_orderdate < '1995-04-01' group by n.n_name;
