"""The statements of the generator: between them they reach every node type that a server without extensions has.

Each is a `Statement`; `since` and `until` are the majors on which it runs or shows what it is for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Statement:
    """One statement to explain.

    `setup` runs before it in the same transaction, `settings` are set for that transaction. `needs` names an extra
    of the server ("file_fdw", "postgres_fdw"). Where `through` is given, the plan comes from inside a function:
    `select through(options)` returns EXPLAIN's lines. `generic` statements hold `$1` and can only be explained with
    GENERIC_PLAN (from 16), without ANALYZE.
    """

    name: str
    sql: str
    settings: dict[str, str] = field(default_factory=dict)
    setup: tuple[str, ...] = ()
    since: int = 12
    until: int = 99
    needs: str | None = None
    through: str | None = None
    generic: bool = False

    @property
    def writes(self) -> bool:
        """Whether running it writes to the tables, though the generator rolls that back."""
        words = {"insert", "update", "delete", "merge"}
        return bool(words & set(self.sql.lower().split()) or self.through or self.setup)


_NO_HASH = {"enable_hashjoin": "off", "enable_mergejoin": "off"}
_MERGE = {"enable_hashjoin": "off", "enable_nestloop": "off"}
_HASH = {"enable_mergejoin": "off", "enable_nestloop": "off"}
_PARALLEL = {
    "parallel_setup_cost": "0",
    "parallel_tuple_cost": "0",
    "min_parallel_table_scan_size": "0",
    "min_parallel_index_scan_size": "0",
    "max_parallel_workers_per_gather": "2",
}
_BITMAP = {"enable_seqscan": "off", "enable_indexscan": "off", "enable_indexonlyscan": "off"}
_INDEX = {"enable_seqscan": "off", "enable_bitmapscan": "off"}


def _off(*names: str) -> dict[str, str]:
    return {f"enable_{name}": "off" for name in names}


def all_statements() -> Iterator[Statement]:
    """Every statement, for all majors."""
    yield from _scans()
    yield from _joins()
    yield from _sorts_and_groups()
    yield from _sets_and_subplans()
    yield from _parallel()
    yield from _partitions()
    yield from _writes()
    yield from _foreign()
    yield from _odd_texts()


def _scans() -> Iterator[Statement]:
    s = Statement
    yield s("seq_scan", "select * from hut where altitude > 2000 and name like 'hut 1%'")
    yield s("index_scan", "select * from booking where hut_id = 7", _INDEX)
    yield s(
        "index_scan_backward", "select * from booking where night > '2024-05-01' order by night desc limit 20", _INDEX
    )
    yield s("index_scan_filter", "select * from booking where hut_id = 7 and price > 60", _INDEX)
    yield s("index_only_scan", "select night from booking where night between '2024-05-01' and '2024-05-09'", _INDEX)
    yield s("index_array", "select count(*) from booking where hut_id in (3, 5, 9, 200)", _INDEX)
    yield s("index_nearest", "select name from hut order by place <-> point(3, 4) limit 5", _INDEX)
    yield s("bitmap_scan", "select * from booking where hut_id = 7", _BITMAP)
    yield s("bitmap_and", "select * from weather_log where hut_id = 7 and wind = 7 and temp > 3", _BITMAP)
    yield s("bitmap_or", "select * from booking where hut_id = 7 or guest_id = 9 or night = '2024-07-01'", _BITMAP)
    yield s(
        "bitmap_lossy",
        "select sum(temp) from weather_log where wind between 3 and 60 and temp <> 4",
        {**_BITMAP, "work_mem": "64kB"},
    )
    yield s("tid_scan", "select * from hut where ctid = '(0,1)' or ctid = '(1,2)'")
    yield s("tid_range_scan", "select * from booking where ctid >= '(1,0)' and ctid < '(3,0)'", since=14)
    yield s("sample_scan", "select count(*) from booking tablesample bernoulli (10) repeatable (7) where bunks > 1")
    yield s("sample_scan_system", "select count(*) from booking b tablesample system (20) repeatable (3)")
    yield s("function_scan", "select * from generate_series(1, 50) n where n % 3 = 0")
    yield s("function_scan_sql", "select d from few_nights(9) d")
    yield s(
        "function_scan_rows_from", "select * from rows from (generate_series(1, 3), generate_series(2, 9)) as t(a, b)"
    )
    yield s(
        "table_function_scan",
        "select f.id, t.item from supply_flight f, xmltable('/load/item' passing f.cargo"
        " columns item text path '.') t where f.id < 20",
        needs="xml",
    )
    yield s(
        "json_table",
        "select t.* from json_table('[{\"a\": 1}, {\"a\": 2}]'::jsonb, '$[*]' columns (a int path '$.a')) t",
        since=17,
    )
    yield s("values_scan", "select * from (values (1, 'a'), (2, 'b'), (3, null)) v(n, t) where n > 1")
    yield s(
        "subquery_scan",
        "select x.night, x.total from (select night, sum(bunks) as total from booking group by night"
        " limit 50) x where x.total > 60",
    )
    yield s("named_tuplestore", "select 1", through="huts.explain_inside")
    yield s("result", "select 1 + 1")
    yield s("one_time_filter", "select * from hut where false")
    yield s("one_time_filter_variable", "select * from hut where current_setting('work_mem') = 'none'")
    yield s("project_set", "select id, unnest(tags) from hut where id < 9")
    yield s("lock_rows", "select * from hut where ridge_id = 3 for update")
    yield s("generic", "select * from booking where hut_id = $1 and night > $2", since=16, generic=True)


def _joins() -> Iterator[Statement]:
    s = Statement
    join = "select h.name, b.night from hut h {} join booking b on b.hut_id = h.id{}"
    yield s("nested_loop", join.format("", " where h.ridge_id = 3"), {**_NO_HASH, **_off("memoize")}, since=14)
    yield s("nested_loop_plain", join.format("", " where h.ridge_id = 3"), _NO_HASH, until=13)
    yield s("nested_loop_left", join.format("left", " and b.bunks > 2"), {**_NO_HASH})
    yield s("nested_loop_filter", "select count(*) from hut h join ridge r on h.altitude > r.id * 300", _NO_HASH)
    yield s(
        "nested_loop_semi",
        "select * from hut h where exists (select 1 from booking b where b.hut_id = h.id and b.bunks > 3)",
        _NO_HASH,
    )
    yield s(
        "nested_loop_anti",
        "select * from hut h where not exists (select 1 from booking b where b.hut_id = h.id"
        " and b.night > '2024-11-20')",
        _NO_HASH,
    )
    yield s(
        "memoize",
        "select count(*) from booking b join hut h on h.id = b.hut_id",
        {**_NO_HASH, **_off("seqscan")},
        since=14,
    )
    yield s(
        "memoize_lateral",
        "select count(*) from booking b, lateral (select * from hut h where h.id = b.hut_id"
        " offset 0) x where b.id < 900",
        since=14,
    )
    yield s("materialize", "select count(*) from ridge r1, ridge r2 where r1.id <> r2.id")
    for kind in ("", "left", "right", "full"):
        yield s(f"hash_join_{kind or 'inner'}", join.format(kind, " and b.bunks > 1" if kind != "full" else ""), _HASH)
        yield s(f"merge_join_{kind or 'inner'}", join.format(kind, ""), _MERGE)
    yield s(
        "hash_semi",
        "select * from hut h where id in (select hut_id from booking where price > 85)",
        {**_HASH, "enable_hashagg": "off"},
    )
    yield s("hash_anti", "select * from hut h where not exists (select 1 from booking b where b.hut_id = h.id)", _HASH)
    yield s("hash_filter", "select count(*) from hut h join booking b on b.hut_id = h.id and b.bunks < h.bunks", _HASH)
    yield s(
        "hash_batches",
        "select count(*) from booking b join weather_log w on w.id = b.id join guest g on g.id = b.guest_id",
        {**_HASH, "work_mem": "64kB"},
    )
    yield s(
        "merge_semi",
        "select * from guest g where exists (select 1 from booking b where b.guest_id = g.id)",
        {**_MERGE, **_off("hashagg")},
    )
    yield s(
        "merge_anti", "select * from guest g where not exists (select 1 from booking b where b.guest_id = g.id)", _MERGE
    )
    yield s(
        "merge_filter", "select count(*) from hut h join booking b on b.hut_id = h.id and b.bunks < h.bunks", _MERGE
    )
    small = {**_HASH, **_off("hashagg"), "work_mem": "64kB"}
    reported = "exists (select 1 from weather_log w where w.hut_id = h.id and w.wind < 80)"
    yield s("hash_right_anti", f"select * from hut h where not {reported}", small, since=16)
    yield s("hash_right_semi", f"select * from hut h where {reported}", small, since=18)
    yield s("empty_build", "select count(*) from booking b join hut h on h.id = b.hut_id and h.altitude > 99999", _HASH)
    yield s(
        "three_tables",
        "select r.name, count(*) from ridge r join hut h on h.ridge_id = r.id"
        " join booking b on b.hut_id = h.id where b.night < '2024-04-01' group by r.name order by 2 desc",
    )


def _sorts_and_groups() -> Iterator[Statement]:
    s = Statement
    yield s("sort", 'select * from hut order by altitude desc nulls last, name collate "C"')
    yield s("sort_top", "select * from booking order by price desc limit 7")
    yield s("sort_disk", "select * from weather_log order by temp, wind", {"work_mem": "64kB"})
    yield s("incremental_sort", "select * from booking order by night, price, id", {"enable_sort": "off"}, since=13)
    yield s("incremental_sort_limit", "select * from booking order by night, price limit 60", since=13)
    yield s(
        "incremental_sort_disk",
        "select * from weather_log order by hut_id, temp, wind, id",
        {"work_mem": "64kB", "enable_sort": "off"},
        since=13,
    )
    yield s("aggregate_plain", "select count(*), max(price) filter (where bunks > 2) from booking")
    yield s("aggregate_hashed", "select hut_id, count(*) from booking group by hut_id having count(*) > 19")
    yield s("aggregate_sorted", "select hut_id, count(distinct night) from booking group by hut_id", _off("hashagg"))
    yield s(
        "aggregate_spill",
        "select id, count(*) from weather_log group by id",
        {"work_mem": "64kB", "enable_sort": "off"},
    )
    yield s("group", "select hut_id from booking group by hut_id", _off("hashagg"))
    yield s(
        "grouping_sets_sorted",
        "select hut_id, bunks, count(*) from booking group by grouping sets ((hut_id, bunks), (bunks), ())",
        _off("hashagg"),
    )
    yield s(
        "grouping_sets_hashed", "select hut_id, bunks, count(*) from booking group by grouping sets ((hut_id), (bunks))"
    )
    yield s(
        "grouping_sets_mixed", "select hut_id, bunks, night, count(*) from booking group by cube (hut_id, bunks), night"
    )
    yield s("rollup", "select h.ridge_id, h.name, sum(h.bunks) from hut h group by rollup (h.ridge_id, h.name)")
    yield s(
        "window",
        "select id, rank() over (partition by hut_id order by night), sum(bunks) over w from booking"
        " where id < 500 window w as (order by night rows between 3 preceding and current row)",
    )
    yield s(
        "window_run_condition",
        "select * from (select id, row_number() over (order by price, id) as n from booking) x where n <= 10",
        since=15,
    )
    yield s("unique", "select distinct hut_id from booking", _off("hashagg"))
    yield s("distinct_on", "select distinct on (hut_id) hut_id, night from booking order by hut_id, night desc")
    yield s("limit", "select * from booking offset 5 limit 10")
    yield s("limit_with_ties", "select * from booking order by night fetch first 5 rows with ties", since=13)
    yield s("min_max", "select min(night), max(night) from booking")


def _sets_and_subplans() -> Iterator[Statement]:
    s = Statement
    yield s("union_all", "select id from hut union all select id from guest where country = 'c3'")
    yield s("union", "select hut_id from booking union select id from hut")
    yield s("intersect", "select hut_id from booking intersect select id from hut where altitude > 1500")
    yield s("except_all", "select hut_id from booking except all select id from hut")
    yield s(
        "except_sorted", "select hut_id from booking except select id from hut where altitude > 1500", _off("hashagg")
    )
    yield s("init_plan", "select * from booking where price > (select avg(price) from booking) and id < 300")
    yield s(
        "sub_plan",
        "select h.name, (select max(night) from booking b where b.hut_id = h.id and b.bunks = 2) from hut h"
        " where h.id < 40",
    )
    yield s("sub_plan_hashed", "select * from hut where id not in (select hut_id from booking where price > 80)")
    yield s("sub_plan_exists", "select h.id, exists (select 1 from booking b where b.hut_id = h.id) from hut h")
    yield s(
        "sub_plan_filter",
        "select * from hut h where bunks > (select avg(bunks) from hut x where x.ridge_id = h.ridge_id)",
    )
    yield s(
        "sub_plan_any",
        "select * from hut h where h.bunks = any (select b.bunks from booking b where b.hut_id = h.id"
        " limit 3) or h.id = 4",
    )
    yield s(
        "sub_plan_never",
        "select case when false and random() < 2 then (select count(*) from guest) end, case when h.id"
        " < 0 then (select max(id) from guest g where g.id > h.id) end from hut h",
    )
    yield s(
        "cte",
        "with late as materialized (select * from booking where night > '2024-11-01') select count(*) from late a"
        " join late b on a.hut_id = b.guest_id",
    )
    yield s(
        "recursive",
        "with recursive r(n, total) as (select 1, 1 union all select n + 1, total + n from r where n < 40)"
        " select max(total) from r",
    )
    yield s(
        "recursive_join",
        "with recursive near(id) as (select 1 union select h.id from hut h join near n on h.id ="
        " n.id * 2) select * from near",
    )
    yield s(
        "nested_ctes",
        "with a as materialized (select * from hut), b as materialized (select a.id, (select count(*) from"
        " ridge) as n from a) select * from b join a using (id) where n > 3",
    )
    yield s(
        "cte_twice_named", 'with "Odd name, (x)" as materialized (select id from hut) select * from "Odd name, (x)" o'
    )


def _parallel() -> Iterator[Statement]:
    s = Statement
    more = {**_PARALLEL, **_off("indexscan", "indexonlyscan", "bitmapscan")}
    yield s("gather", "select count(*) from weather_log where wind > 20", more)
    yield s("gather_merge", "select * from weather_log where wind > 20 order by temp, id", more)
    yield s("parallel_hash", "select count(*) from booking b join weather_log w on w.id = b.id", {**more, **_HASH})
    yield s(
        "parallel_hash_batches",
        "select count(*) from booking b join weather_log w on w.id = b.id",
        {**more, **_HASH, "work_mem": "64kB"},
    )
    yield s(
        "parallel_index_scan",
        "select count(*) from booking where hut_id between 3 and 250",
        {**_PARALLEL, **_INDEX, "enable_indexonlyscan": "off"},
    )
    yield s(
        "parallel_index_only", "select count(*) from booking where hut_id between 3 and 250", {**_PARALLEL, **_INDEX}
    )
    yield s("parallel_bitmap", "select count(*) from weather_log where wind between 3 and 30", {**_PARALLEL, **_BITMAP})
    yield s("parallel_group", "select hut_id, count(*) from weather_log group by hut_id", more)
    yield s(
        "parallel_group_sorted", "select hut_id, count(*) from weather_log group by hut_id", {**more, **_off("hashagg")}
    )
    yield s(
        "parallel_append", "select count(*) from stay where bunks > 1", {**more, "parallel_leader_participation": "off"}
    )
    yield s(
        "parallel_nested_loop",
        "select count(*) from weather_log w join hut h on h.id = w.hut_id",
        {**_PARALLEL, **_NO_HASH},
    )
    yield s(
        "parallel_memoize",
        "select count(*) from weather_log w join hut h on h.id = w.hut_id",
        {**_PARALLEL, **_NO_HASH, **_off("seqscan", "bitmapscan")},
        since=14,
    )
    yield s(
        "parallel_incremental_sort",
        "select * from booking b join hut h on h.id = b.hut_id order by b.night, h.name, b.id",
        {**_PARALLEL, "enable_sort": "off"},
        since=13,
    )
    yield s("single_copy", "select count(*) from hut", {"debug_parallel_query": "on"}, since=16)
    yield s("single_copy_before_16", "select count(*) from hut", {"force_parallel_mode": "on"}, until=15)
    yield s(
        "parallel_init_plan", "select count(*) from weather_log where wind > (select avg(wind) from weather_log)", more
    )
    yield s("parallel_none_launched", "select count(*) from weather_log", {**more, "max_parallel_workers": "0"})


def _partitions() -> Iterator[Statement]:
    s = Statement
    yield s("append", "select * from stay where hut_id = 7")
    yield s("merge_append", "select * from stay order by hut_id limit 9", _off("seqscan", "bitmapscan"))
    yield s(
        "partition_wise_join",
        "select count(*) from stay a join stay b using (night)",
        {"enable_partitionwise_join": "on"},
    )
    yield s(
        "pruned_at_start",
        "execute nights('2024-07-01')",
        {"plan_cache_mode": "force_generic_plan"},
        ("prepare nights(date) as select * from stay where night = $1",),
    )
    yield s(
        "pruned_while_running",
        "select count(*) from booking b join stay t on t.night = b.night where b.id < 9",
        _NO_HASH,
    )
    yield s("all_pruned", "select * from stay where night = (select date '2030-01-01')")


def _writes() -> Iterator[Statement]:
    s = Statement
    source = "using (select i, date '2024-05-01' + i as d from generate_series(5, 22) i) s"
    yield s("insert", "insert into ridge values (100, 'new'), (101, 'newer') returning id")
    yield s("insert_one", "insert into change_log(what) values ('x')")
    yield s(
        "insert_select",
        "insert into booking select id + 90000, hut_id, guest_id, night, 1, 1, null from booking where id < 5",
    )
    yield s("insert_trigger", "insert into supply_flight(id, hut_id) select 9000 + i, i from generate_series(1, 3) i")
    yield s(
        "insert_conflict",
        "insert into ridge values (1, 'again'), (77, 'new') on conflict (id) do update set"
        " name = excluded.name where ridge.id > 3",
    )
    yield s(
        "insert_conflict_nothing",
        "insert into ridge select i, 'x' from generate_series(10, 20) i on conflict do nothing",
    )
    yield s("insert_partitioned", "insert into stay select i, 1, '2024-07-01', 2 from generate_series(1, 3) i")
    yield s("update", "update hut set bunks = bunks + 1 where id between 4 and 6 returning id, bunks")
    yield s("update_join", "update hut h set name = r.name from ridge r where r.id = h.ridge_id and h.id < 4")
    yield s("update_partitioned", "update stay set bunks = 9 where hut_id = 7")
    yield s("update_moving", "update stay set night = night + 60 where hut_id = 7 and night < '2024-08-01'")
    yield s(
        "update_key", "update ridge set id = id + 1000 where id = 12", setup=("delete from booking", "delete from hut")
    )
    yield s("delete", "delete from supply_flight where kilos < 60")
    yield s("delete_key", "delete from guest where id > 1490", setup=("delete from booking where guest_id > 1490",))
    yield s("delete_partitioned", "delete from stay using hut h where h.id = stay.hut_id and h.ridge_id = 2")
    yield s(
        "writing_cte",
        "with gone as (delete from booking where id < 30 returning *) insert into change_log(what)"
        " select guest_id::text from gone",
    )
    yield s("create_table_as", "create table copied as select * from hut where id < 9")
    yield s("cursor", "declare c cursor for select * from booking order by night")
    yield s(
        "merge",
        f"merge into ridge r {source} on r.id = s.i when matched and s.i > 8 then update set name = 'm'"
        " when matched then delete when not matched and s.i < 20 then insert values (s.i, 'n')"
        " when not matched then do nothing",
        since=15,
        setup=("delete from booking", "delete from hut"),
    )
    yield s(
        "merge_partitioned",
        f"merge into stay t {source} on t.id = s.i and t.night = s.d when matched then update set"
        " bunks = 7 when not matched then insert values (s.i, 1, s.d, 3)",
        since=15,
    )
    yield s(
        "merge_returning",
        f"merge into ridge r {source} on r.id = s.i when matched then update set name = 'm'"
        " when not matched by source then delete when not matched then insert values (s.i, 'n')"
        " returning merge_action(), r.*",
        since=17,
        setup=("delete from booking", "delete from hut"),
    )


def _foreign() -> Iterator[Statement]:
    def s(name: str, sql: str, settings: dict[str, str] | None = None, since: int = 12) -> Statement:
        return Statement(name, sql, settings or {}, since=since, needs="postgres_fdw")

    yield Statement("foreign_file", "select * from delivery where line <> 'b'", needs="file_fdw")
    yield s("foreign_scan", "select * from far_hut where id < 9 and length(name) > 3")
    yield s(
        "foreign_join", "select h.name, b.night from far_hut h join far_booking b on b.hut_id = h.id where h.id < 3"
    )
    yield s("foreign_aggregate", "select ridge_id, count(*) from far_hut group by ridge_id")
    yield s("foreign_local_join", "select h.name, f.name from hut h join far_hut f on f.id = h.id", _HASH)
    yield s(
        "foreign_insert",
        "insert into far_hut(id, ridge_id, name) select 900 + i, 1, 'far' from generate_series(1, 3) i where i < 0",
    )
    yield s("foreign_update", "update far_hut set name = name || '!' where id < 0 and random() < 2")
    yield s("foreign_direct_update", "update far_hut set name = 'x' where id < 0")
    yield s("foreign_delete", "delete from far_hut where id < 0")
    yield s("foreign_partitions", "select * from stock")
    yield s("foreign_update_partitions", "update stock set id = id + 0 where id < 0")


def _odd_texts() -> Iterator[Statement]:
    s = Statement
    yield s(
        "quoted_names",
        'select t."Größe, m", t."a.b" from "Hütte ""Nord"", (alt)" t join "Hütte ""Nord"", (alt)" "u v"'
        ' on t."Größe, m" = "u v"."Größe, m" where t."a.b" <> \'it\'\'s\' order by t."Größe, m", "u v"."a.b"',
    )
    yield s(
        "line_break_in_constant",
        "select name || 'line one\n  Filter: (line two)\n  ->  Seq Scan on three' from hut"
        " where name <> 'a\n\nb' order by 'x\ny' || name",
    )
    yield s(
        "figures_in_constant",
        "select '(cost=1.00..2.00 rows=3 width=4)' from hut where name <> '(actual time=1..2 rows=3"
        " loops=4)' and name <> 'x, \"y\" [z' order by name || ', ('",
    )
    yield s(
        "case_and_array",
        "select case when bunks > 9 then 'many, really' else array_to_string(tags, ', ') end, row(id, name)"
        " from hut order by case when bunks > 9 then 1 else 2 end, array[id, bunks]",
    )
    yield s(
        "long_condition",
        "select count(*) from booking where "
        + " or ".join(f"(hut_id = {i} and note = 'n{i}, (x')" for i in range(1, 13)),
    )
    yield s(
        "odd_alias", 'select "(never executed)".id from hut "(never executed)" where "(never executed)".id = 3', _INDEX
    )
    yield s("alias_on", 'select "on x".id from hut "on x" where "on x".id = 3', _INDEX)
    yield s("settings_odd", "select 1 from hut", {"search_path": 'huts, "odd, = name", public', "work_mem": "3MB"})
