"""Every place in which PostgreSQL's grammar takes an expression, each as a statement with a hole in it.

The places follow the productions of gram.y that hold a_expr, b_expr or c_expr (PostgreSQL 13 to 18; the manual's
'SELECT', 'Value Expressions', 'SQL/JSON Functions' and 'XML Functions'), and the arguments of EXECUTE.  `{e}` is an
expression of type integer.  Statements must be answered where the hole holds `abs(1)`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Position:
    """A statement with one hole, from which release on it is SQL, and whether a subquery may stand in the hole."""

    name: str
    statement: str
    since: int = 13
    subquery: bool = True

    @property
    def xml(self) -> bool:
        """Whether the server must have been built with libxml to answer it."""
        return "xml" in self.statement

    def filled(self, expression: str) -> str:
        """The statement with this expression in its hole."""
        return self.statement.replace("{e}", expression)


_PLAIN = {
    "select list": "select {e}",
    "select list twice nested": "select (({e}))",
    "qualified star beside": "select t.*, {e} from trio t",
    "alias": 'select {e} as "from" from trio',
    "distinct on": "select distinct on ({e}) n from trio",
    "distinct": "select distinct {e} from trio",
    "where": "select n from trio where n > {e}",
    "where constant": "select n from trio where {e} > 0",
    "where not": "select n from trio where not ({e} < 0)",
    "where and": "select n from trio where n > 0 and {e} > 0",
    "where or": "select n from trio where n < 0 or {e} > 0",
    "group by": "select count(*) from trio group by n + {e}",
    "grouping sets": "select count(*) from trio group by grouping sets ((n), (n + {e}))",
    "rollup": "select count(*) from trio group by rollup (n, n + {e})",
    "cube": "select count(*) from trio group by cube (n, n + {e})",
    "having": "select count(*) from trio having count(*) > {e}",
    "order by": "select n from trio order by n + {e}",
    "order by using": "select n from trio order by n + {e} using <",
    "order by nulls": "select n from trio order by n + {e} desc nulls last",
    "limit": "select n from trio limit {e}",
    "offset": "select n from trio offset {e}",
    "fetch": "select n from trio fetch first ({e}) rows only",
    "fetch with ties": "select n from trio order by n fetch first ({e}) rows with ties",
    "limit and offset": "select n from trio limit 3 offset {e}",
    "inner limit": "select * from (select n from trio limit {e}) q",
    "window partition": "select sum(n) over (partition by n + {e}) from trio",
    "window order": "select sum(n) over (order by n + {e}) from trio",
    "window argument": "select sum(n + {e}) over () from trio",
    "named window": "select sum(n) over w from trio window w as (order by n + {e})",
    "frame rows": "select sum(n) over (order by n rows {e} preceding) from trio",
    "frame rows between": "select sum(n) over (order by n rows between {e} preceding and current row) from trio",
    "frame end": "select sum(n) over (order by n rows between current row and {e} following) from trio",
    "frame range": "select sum(n) over (order by n range between {e} preceding and current row) from trio",
    "frame groups": "select sum(n) over (order by n groups between {e} preceding and current row) from trio",
    "named frame": "select sum(n) over w from trio window w as (order by n rows {e} preceding)",
    "window filter": "select count(*) filter (where n > {e}) over () from trio",
    "lag offset": "select lag(n, {e}) over (order by n) from trio",
    "aggregate argument": "select sum({e}) from trio",
    "aggregate distinct": "select count(distinct n + {e}) from trio",
    "aggregate order": "select array_agg(n order by n + {e}) from trio",
    "aggregate filter": "select count(*) filter (where {e} > 0) from trio",
    "within group": "select percentile_disc(0.5) within group (order by n + {e}) from trio",
    "within group direct": "select rank({e}) within group (order by n) from trio",
    "case operand": "select case {e} when 1 then 2 end",
    "case when": "select case n when {e} then 2 else 3 end from trio",
    "case condition": "select case when {e} > 0 then 2 else 3 end from trio",
    "case result": "select case when n > 0 then {e} else 3 end from trio",
    "case else": "select case when n < 0 then 1 else {e} end from trio",
    "coalesce": "select coalesce(null, {e})",
    "nullif": "select nullif({e}, 2)",
    "greatest": "select greatest(1, {e})",
    "least": "select least({e}, 2)",
    "array": "select array[1, {e}]",
    "array nested": "select array[array[1], array[{e}]]",
    "array of query": "select array(select {e} from trio)",
    "subscript": "select (array[1, 2])[{e}]",
    "slice": "select (array[1, 2])[{e}:]",
    "slice end": "select (array[1, 2])[1:{e}]",
    "row": "select row(1, {e})",
    "implicit row": "select (1, {e})",
    "row comparison": "select (1, {e}) < (1, 2)",
    "row in": "select n from trio where (n, {e}) in ((1, 1), (2, 2))",
    "row distinct": "select row(1, {e}) is distinct from row(1, 2)",
    "in list": "select n from trio where n in (5, {e})",
    "not in": "select n from trio where {e} not in (5, 6)",
    "in query": "select n from trio where {e} in (select n from trio)",
    "any": "select n from trio where n = any (array[{e}, 2])",
    "all": "select n from trio where {e} = all (array[1])",
    "any query": "select n from trio where {e} = any (select n from trio)",
    "between": "select n from trio where n between {e} and 5",
    "between upper": "select n from trio where n between 0 and {e}",
    "between symmetric": "select n from trio where n between symmetric {e} and 5",
    "like": "select n from trio where label like ({e})::text",
    "like escape": "select n from trio where label like 'o%' escape ({e})::text",
    "similar": "select n from trio where label similar to ({e})::text",
    "ilike": "select n from trio where ({e})::text ilike label",
    "regular expression": "select n from trio where label ~ ({e})::text",
    "is distinct": "select n from trio where n is distinct from {e}",
    "is null": "select {e} is null",
    "is not null": "select {e} isnull",
    "is true": "select ({e} > 0) is true",
    "is unknown": "select ({e} > 0) is not unknown",
    "is normalized": "select ({e})::text is nfc normalized",
    "arithmetic": "select 1 + {e} * 2 from trio",
    "unary minus": "select - {e}",
    "operator schema": "select 1 operator(pg_catalog.+) {e}",
    "cast": "select cast({e} as text)",
    "double colon": "select ({e})::bigint::text",
    "function cast": "select float8({e})",
    "collate": "select ({e})::text collate \"C\" < 'a'",
    "time zone": "select timestamp '2026-01-01' at time zone make_interval(hours => {e})",
    "interval": "select date '2026-01-01' + {e}",
    "substring": "select substring('abc' from {e} for 2)",
    "substring for": "select substring('abc' for {e})",
    "position": "select position(({e})::text in 'a1')",
    "overlay": "select overlay('abcdef' placing 'x' from {e})",
    "overlay for": "select overlay('abcdef' placing 'x' from 2 for {e})",
    "trim": "select trim(both ({e})::text from '1a1')",
    "trim from": "select trim(leading from ({e})::text)",
    "extract": "select extract(day from make_interval(days => {e}))",
    "normalize": "select normalize(({e})::text, nfc)",
    "function argument": "select abs({e})",
    "nested function": "select lower(upper(({e})::text))",
    "named argument": "select make_interval(days => {e})",
    "colon-equals argument": "select make_interval(days := {e})",
    "variadic": "select concat_ws(',', variadic array[({e})::text])",
    "set-returning": "select generate_series(1, {e})",
    "from function": "select * from generate_series(1, {e})",
    "from two functions": "select * from rows from (generate_series(1, 2), generate_series(1, {e})) as r(a, b)",
    "with ordinality": "select * from generate_series(1, {e}) with ordinality",
    "column definitions": "select * from json_to_record(json_build_object('a', {e})) as r(a int)",
    "lateral function": "select * from trio t, lateral generate_series(1, t.n * {e}) g",
    "lateral query": "select * from trio t, lateral (select t.n + {e} as m) q",
    "from query": "select * from (select {e} as m) q",
    "from values": "select * from (values (1), ({e})) v(m)",
    "values": "values (1), ({e})",
    "values order": "values (1), (2) order by {e} + column1",
    "values limit": "values (1), (2) limit {e}",
    "join on": "select a.n from trio a join trio b on a.n = b.n + {e}",
    "left join on": "select a.n from trio a left join trio b on {e} > 0",
    "full join": "select a.n from trio a full join (select n + {e} as n from trio) b using (n)",
    "natural join": "select n from trio natural join (select {e} as n) b",
    "cross join": "select * from trio cross join (select {e} as m) b",
    "sample": "select n from trio tablesample bernoulli ({e})",
    "sample system": "select n from trio tablesample system ({e})",
    "sample repeatable": "select n from trio tablesample bernoulli (50) repeatable ({e})",
    "cte": "with a as (select {e} as m) select m from a",
    "cte materialized": "with a as materialized (select {e} as m) select m from a",
    "cte not materialized": "with a as not materialized (select {e} as m) select m from a",
    "cte in query": "select (with a as (select {e} as m) select m from a)",
    "recursive start": "with recursive a(m) as (select {e} union all select m + 1 from a where m < 3) select m from a",
    "recursive step": "with recursive a(m) as (select 1 union all select m + {e} from a where m < 3) select m from a",
    "scalar query": "select (select {e})",
    "exists": "select exists (select from trio where n > {e})",
    "union": "select 1 union select {e}",
    "union all": "select 1 union all (select {e} limit 1)",
    "intersect": "select 1 intersect select {e}",
    "except": "select {e} except all select 2",
    "set operation order": "(select n from trio union select 2) order by 1 limit {e}",
    "table function in where": "select n from trio where exists (select from generate_series(1, {e}))",
    "xmlconcat": "select xmlconcat(xmlelement(name a, {e}), null)",
    "xmlelement": "select xmlelement(name hut, {e})",
    "xmlattributes": "select xmlelement(name hut, xmlattributes({e} as n))",
    "xmlforest": "select xmlforest({e} as n)",
    "xmlpi": "select xmlpi(name php, ({e})::text)",
    "xmlroot": "select xmlroot(xmlelement(name a, {e}), version '1.0')",
    "xmlserialize": "select xmlserialize(content xmlelement(name a, {e}) as text)",
    "xmlparse": "select xmlparse(content ({e})::text)",
    "xmlexists": "select xmlexists((({e})::text) passing by ref xmlelement(name a))",
    "xmlexists passing": "select xmlexists('//a' passing by ref xmlelement(name a, {e}))",
    "is document": "select xmlelement(name a, {e}) is document",
    "xmltable row": "select * from xmltable(('/a' || left(({e})::text, 0)) passing ('<a/>'::xml)"
    " columns x text path '.')",
    "xmltable passing": "select * from xmltable('/a' passing xmlelement(name a, {e}) columns x text path '.')",
    "xmltable path": "select * from xmltable('/a' passing ('<a/>'::xml)"
    " columns x text path ('.' || left(({e})::text, 0)))",
    "xmltable default": "select * from xmltable('/a' passing ('<a/>'::xml) columns x int path 'b' default {e})",
    "xmltable namespace": "select * from xmltable(xmlnamespaces(('x' || ({e})::text) as x), '/a' passing ('<a/>'::xml)"
    " columns x text path '.')",
    "json build": "select jsonb_build_object('a', {e})",
    "json path variables": "select jsonb_path_exists('{\"a\": 1}', '$.a ? (@ > $x)', jsonb_build_object('x', {e}))",
    "json subscript": "select ('[1, 2]'::jsonb) -> {e}",
    "json arrow": "select '{\"1\": 2}'::jsonb ->> ({e})::text",
    "range": "select int4range(0, {e}) @> 1",
    "overlaps": "select (date '2026-01-01', date '2026-01-02') overlaps (date '2026-01-01' + {e}, date '2026-01-05')",
    "field": "select (row(1, {e})).f2",
    "composite cast": "select (row({e}, 'a')::trio).n",
}
_NEWER = {
    14: {"group by distinct": "select count(*) from trio group by distinct rollup (n + {e})"},
    15: {},
    16: {
        "json_object": "select json_object('a' : {e})",
        "json_object key": "select json_object(({e})::text : 1 absent on null)",
        "json_array": "select json_array(1, {e})",
        "json_array query": "select json_array(select {e})",
        "json_objectagg": "select json_objectagg(label : n + {e}) from trio",
        "json_arrayagg": "select json_arrayagg(n + {e}) from trio",
        "json_arrayagg order": "select json_arrayagg(n order by n + {e}) from trio",
        "json_arrayagg filter": "select json_arrayagg(n) filter (where n > {e}) from trio",
        "is json": "select ({e})::text is json object",
    },
    17: {
        "json_scalar": "select json_scalar({e})",
        "json": "select json(({e})::text)",
        "json_serialize": "select json_serialize(json_scalar({e}))",
        "json_value": "select json_value(jsonb '[1]', '$[$i]' passing {e} as i)",
        "json_value context": "select json_value(jsonb_build_array({e}), '$[0]')",
        "json_value default": "select json_value(jsonb '[1]', '$[9]' returning int default {e} on empty)",
        "json_value error": "select json_value(jsonb '[1]', 'strict $.a' returning int default {e} on error)",
        "json_query": "select json_query(jsonb '[1]', '$[*] ? (@ > $i)' passing {e} as i)",
        "json_exists": "select json_exists(jsonb '[1]', '$[*] ? (@ > $i)' passing {e} as i)",
        "json_table context": "select * from json_table(jsonb_build_array({e}), '$[*]' columns (a int path '$'))",
        "json_table passing": "select * from json_table(jsonb '[1]', '$[*] ? (@ >= $i)' passing {e} as i"
        " columns (a int path '$'))",
        "json_table default": "select * from json_table(jsonb '[1]', '$[*]' columns"
        " (a int path '$.b' default {e} on empty))",
        "json_table nested": "select * from json_table(jsonb '[{\"a\": [1]}]', '$[*]' columns"
        " (nested path '$.a[*]' columns (b int path '$.c' default {e} on empty)))",
    },
}
_EXECUTE = {
    "execute argument": "prepare p_1(int) as select n from trio where n > $1; execute p_1({e})",
    "execute second argument": "prepare p_2(int, int) as select $1 + $2; execute p_2(1, {e})",
    "execute of a function": "prepare p_3(int) as select abs($1); execute p_3(abs({e}))",
}

POSITIONS: tuple[Position, ...] = (
    *(Position(name, statement) for name, statement in _PLAIN.items()),
    *(Position(name, statement, since) for since, some in _NEWER.items() for name, statement in some.items()),
    *(Position(name, statement, subquery=False) for name, statement in _EXECUTE.items()),
)
