"""Expressions of type integer that call something volatile: openly, or behind one of the things that hide a call.

Each leaves a mark when it is evaluated (`tests/security/snares.py`); the check that it does stands in
test_positions.py, so that no refusal is one of a harmless text.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Payload:
    """`expression` springs a snare; `open` where the call stands in the text; `query` where it is a subquery."""

    name: str
    expression: str
    query: bool = False
    since: int = 13

    @property
    def xml(self) -> bool:
        """Whether the server must have been built with libxml to evaluate it."""
        return "xml" in self.expression


PAYLOADS: tuple[Payload, ...] = (
    Payload("call", "snare.spring('call')"),
    Payload("quoted call", '"snare"."spring"(\'quoted\')'),
    Payload("unicode call", "u&\"sn\\0061re\".u&\"spr!0069ng\" uescape '!' ('unicode')"),
    Payload("commented call", "snare/* . */./*--*/spring/**/(/*)*/'commented')"),
    Payload("stable SQL function", "snare.quiet('quiet')"),
    Payload("immutable SQL function", "snare.still('still')"),
    Payload("function of a function", "snare.deep('deep')"),
    Payload("BEGIN ATOMIC", "snare.atomic('atomic')"),
    Payload("RETURN", "snare.returned('returned')", since=14),
    Payload("default argument", "snare.polite()"),
    Payload("default argument, PL/pgSQL", "snare.polite_pl()"),
    Payload("overload", "snare.over('x'::text)"),
    Payload("variadic", "snare.many(1, 2)"),
    Payload("operator", "(1 operator(snare.@!) 2)"),
    Payload("prefix operator", "(operator(snare.@!) 2)"),
    Payload("operator in the path", "(1 @!! 2)"),
    Payload("boolean operator", "(1 operator(snare.=!) 2)::int"),
    Payload("operator with any", "(1 operator(snare.=!) any (array[2]))::int"),
    Payload("domain", "'1'::snare.checked"),
    Payload("domain over a domain", "cast(1 as snare.twice_checked)"),
    Payload("domain's array", "(array[1]::snare.checked[])[1]"),
    Payload("composite of a domain", "(row(1, 1)::snare.pair).b"),
    Payload("typed literal", "(snare.checked '1')::int"),
    Payload("cast", "(1::snare.stamp).n"),
    Payload("implicit cast", "abs(row(1)::snare.stamp)"),
    Payload("view", "(select n from snare.window_view)", query=True),
    Payload("view of a view", "(select n from snare.attic)", query=True),
    Payload("view in the path", "(select n from door)", query=True),
    Payload("view's condition", "(select n from snare.clause_view)", query=True),
    Payload("view's CTE", "(select n from snare.cte_view)", query=True),
    Payload("TABLE", "(table snare.window_view)", query=True),
    Payload("row security", "(select count(*)::int from snare.guarded)", query=True),
    Payload("foreign program", "(select count(*)::int from snare.from_program)", query=True),
    Payload("foreign view", "(select n from snare.far_view)", query=True),
    Payload("aggregate", "(select snare.adding(n) from trio)", query=True),
    Payload("final function", "(select snare.ending(n) from trio)", query=True),
    Payload("ordered-set aggregate", "(select snare.in_order(1) within group (order by n) from trio)", query=True),
    Payload("aggregate as a window", "(select max(m) from (select snare.adding(n) over () m from trio) q)", query=True),
    Payload(
        "moving aggregate",
        "(select max(m) from (select snare.moving(n) over (order by n rows 1 preceding) m from trio) q)",
        query=True,
    ),
    Payload("rows", "(select * from snare.spring_rows('rows'))", query=True),
    Payload("rows of an SQL function", "(select * from snare.rows_of('rows-of'))", query=True),
    Payload("JSON's cast", "length(to_json('calm'::snare.mood)::text)"),
    Payload("JSONB's cast", "length(jsonb_build_object('a', 'calm'::snare.mood)::text)"),
    Payload("JSON's cast in an array", "length(array_to_json(array['calm'::snare.mood])::text)"),
    Payload("JSON's cast in a row", "length(to_json(row('calm')::snare.mooded)::text)"),
    Payload("JSON's cast of a table", "(select length(json_agg(t)::text) from snare.moods t)", query=True),
    Payload("JSON's cast of a column", "(select length(row_to_json(q)::text) from (table snare.moods) q)", query=True),
    Payload("JSON's cast, computed", "length(to_jsonb(enum_first(null::snare.mood))::text)"),
    Payload("JSON_ARRAY's cast", "length(json_array('calm'::snare.mood)::text)", since=16),
    Payload("JSON_SCALAR's cast", "length(json_scalar('calm'::snare.mood)::text)", since=17),
    Payload("JSON passing", "json_value('[1]', '$[0]' passing 'calm'::snare.mood as x returning int)", since=17),
    Payload("JSON's domain", "json_value('1', '$' returning snare.checked)", since=17),
    Payload(
        "JSON_TABLE's domain",
        "(select a from json_table('[1]', '$[*]' columns (a snare.checked path '$')))",
        query=True,
        since=17,
    ),
    Payload("record's domain", "(select a from json_to_record('{\"a\": 1}') as r(a snare.checked))", query=True),
    Payload("populated domain", "(json_populate_record(null::snare.pair, '{\"b\": 1}')).b"),
    Payload("read composite", "('(1,1)'::text::snare.pair).b"),
    Payload("read array", "cardinality(('{1}'::text)::snare.checked[])"),
    Payload("range of a domain", "length(('[1,2]'::snare.span)::text)"),
    Payload("type by name", "pg_input_is_valid('1', 'snare.checked')::int", since=16),
    Payload("distinct rows", "(select count(*)::int from (select distinct snare.spring('distinct')) q)", query=True),
    Payload("query_to_xml", "length(query_to_xml('select snare.spring(''xml'')', true, false, '')::text)"),
    Payload("query_to_xmlschema", "length(query_to_xml_and_xmlschema('table snare.attic', true, false, '')::text)"),
    Payload("table_to_xml", "length(table_to_xml('snare.window_view', true, false, '')::text)"),
    Payload("schema_to_xml", "length(schema_to_xml('snare', true, false, '')::text)"),
    Payload("database_to_xml", "length(database_to_xml(true, false, '')::text)"),
    Payload("cast to regclass", "length(table_to_xml(('sn' || 'are.attic')::regclass, true, false, '')::text)"),
    Payload(
        "ts_stat", "(select count(*)::int from ts_stat('select snare.spring(''ts'')::text::tsvector'))", query=True
    ),
    Payload(
        "ts_rewrite",
        "length(ts_rewrite('a'::tsquery, 'select ''a''::tsquery, snare.spring(''rewrite'')::text::tsquery')::text)",
    ),
    Payload(
        "crosstab",
        "(select count(*)::int from crosstab('select ''a''::text, ''b''::text, snare.spring(''cross'')')"
        " as c(a text, b int))",
        query=True,
    ),
    Payload(
        "connectby",
        "(select count(*)::int from connectby('snare.window_view', 'n', 'n', '1', 0) as c(a int, b int, l int))",
        query=True,
    ),
)

HARMLESS = "abs(1)"
"""What the twin of each statement calls in the same place."""
