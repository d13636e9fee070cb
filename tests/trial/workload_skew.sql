-- What makes the TPC-H tables skewed: a few customers order most, columns that go together, rows newer than the statistics.
update orders set o_custkey = 1 + o_orderkey % 7 * 3 where o_orderkey % 10 < 3;
update lineitem set l_shipinstruct = case l_shipmode when 'AIR' then 'DELIVER IN PERSON' when 'RAIL' then 'COLLECT COD'
  when 'SHIP' then 'TAKE BACK RETURN' else 'NONE' end,
  l_tax = case l_shipmode when 'AIR' then 0.01 when 'RAIL' then 0.02 when 'SHIP' then 0.03 else l_tax end,
  l_discount = case l_shipmode when 'RAIL' then 0.05 when 'SHIP' then 0.06 else l_discount end;
update customer set c_mktsegment = case c_nationkey % 5 when 0 then 'AUTOMOBILE' when 1 then 'MACHINERY'
  when 2 then 'BUILDING' when 3 then 'FURNITURE' else 'HOUSEHOLD' end;
vacuum full;
vacuum analyze;
insert into orders select o_orderkey + 10000000, o_custkey, 'W', o_totalprice, date '1999-01-01' + o_orderkey % 200,
  o_orderpriority, o_clerk, o_shippriority, o_comment from orders where o_orderkey % 5 = 0;
insert into lineitem select l_orderkey + 10000000, l_partkey, l_suppkey, l_linenumber, l_quantity, l_extendedprice,
  l_discount, l_tax, l_returnflag, 'W', date '1999-01-01' + l_orderkey % 200, date '1999-01-01' + l_orderkey % 210,
  date '1999-01-10' + l_orderkey % 200, l_shipinstruct, l_shipmode, l_comment from lineitem where l_orderkey % 8 = 0;
