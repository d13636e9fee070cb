"""Texts that a hostile plan holds where EXPLAIN prints an expression, each with a harmless twin of the same shape.

`{c}` is an integer column of the scanned relation, `{t}` a text column.  `<YARD>` and `<PID>` stand for the folder of
marks and for the process of another session.  Most texts call a snare; the others act on sessions, files, large
objects, sequences, settings, or break out of the statement that they might be pasted into.
"""

from __future__ import annotations

CALLS: dict[str, tuple[str, str]] = {
    "call": ("({c} > snare.spring('file'))", "({c} > abs(3))"),
    "quoted call": ('({c} > "snare"."spring"(\'file\'::text))', '({c} > "pg_catalog"."abs"(3))'),
    "stable SQL function": ("({c} > snare.quiet('file'::text))", "({c} > length('abc'::text))"),
    "immutable SQL function": ("({c} > snare.still('file'::text))", "({c} > ascii('a'::text))"),
    "liar on constants": ("({c} > snare.liar(3))", "({c} > abs('-3'::integer))"),
    "liar on a column": ("(snare.liar({c}) > 3)", "(abs({c}) > 3)"),
    "stable liar": ("({c} > snare.stable_liar(3))", "({c} > mod(7, 4))"),
    "default argument": ("({c} > snare.polite_pl())", "({c} > abs(1))"),
    "variadic": ("({c} > snare.many(VARIADIC ARRAY[1]))", "({t} = concat_ws(','::text, 'a'::text, 'b'::text))"),
    "overload": ("({c} > snare.over('x'::text))", "({c} > octet_length('x'::text))"),
    "operator": ("({c} OPERATOR(snare.=!) 3)", "({c} OPERATOR(pg_catalog.>) 3)"),
    "operator in the path": ("(({c} @!! 3) > 0)", "(({c} # 3) > 0)"),
    "operator with any": ("({c} OPERATOR(snare.=!) ANY ('{1,2}'::integer[]))", "({c} = ANY ('{1,2}'::integer[]))"),
    "prefix operator": ("((OPERATOR(snare.@!) {c}) > 0)", "((- {c}) > 0)"),
    "domain literal": ("({c} = ('1'::snare.checked)::integer)", "({c} = ('1'::smallint)::integer)"),
    "domain of a domain": ("(({c})::snare.twice_checked > 0)", "(({c})::bigint > 0)"),
    "domain's array": ("({c} = ANY ('{1,2}'::snare.checked[]))", "({c} = ANY ('{1,2}'::smallint[]))"),
    "text domain": ("({t} = ('x'::snare.named)::text)", "({t} = ('x'::character varying)::text)"),
    "composite": ("({c} = (ROW(1, 1)::snare.pair).b)", "({c} = (ARRAY[1, 1])[1])"),
    "cast": ("({c} = (1::snare.stamp).n)", "({c} = (1)::numeric)"),
    "subquery": ("({c} > (SELECT n FROM snare.attic))", "({c} > CASE WHEN ({c} > 1) THEN 2 ELSE 3 END)"),
    "exists": ("(EXISTS (SELECT 1 FROM snare.window_view))", "(({c} IS NOT NULL) OR ({t} IS NULL))"),
    "array of a query": ("({c} = ANY (ARRAY(SELECT n FROM snare.attic)))", "({c} = ANY (ARRAY[1, 2]))"),
    "forbidden table": ("({t} = (SELECT min(secret) FROM snare.strongroom))", "({t} = COALESCE('a'::text, 'b'::text))"),
    "query_to_xml": (
        "(length((query_to_xml('select snare.spring()'::text, true, false, ''::text))::text) > {c})",
        "(length(('x'::character(1))::text) > {c})",
    ),
    "table_to_xml": (
        "((table_to_xml('snare.attic'::regclass, true, false, ''::text))::text = {t})",
        "((to_json(1))::text = {t})",
    ),
    "ts_rewrite": (
        "((ts_rewrite('a'::tsquery, 'select ''a''::tsquery, snare.spring()::text::tsquery'::text))::text = {t})",
        "(('a'::tsquery)::text = {t})",
    ),
    "sequence": ("(nextval('tickets'::regclass) > {c})", "(length('tickets'::text) > {c})"),
    "large object": ("(lo_unlink('424242'::oid) > {c})", "(abs(424242) > {c})"),
    "large object to a file": ("(lo_export('424242'::oid, '<YARD>/taken'::text) > {c})", "(char_length({t}) > {c})"),
    "server's file": ("(pg_read_file('/etc/passwd'::text) = {t})", "(upper('/etc/passwd'::text) = {t})"),
    "another session": ("pg_terminate_backend(<PID>)", "(<PID> > {c})"),
    "another session's query": ("pg_cancel_backend(<PID>)", "(<PID> <> {c})"),
    "notification": ("(pg_notify('alarm'::text, {t}) IS NULL)", "(lower({t}) IS NULL)"),
    "lock": ("pg_try_advisory_lock(4711)", "(({c} + 4711) > 0)"),
    "setting": (
        "(set_config('transaction_read_only'::text, 'off'::text, true) = {t})",
        "(replace('on'::text, 'n'::text, 'ff'::text) = {t})",
    ),
    "session's setting": ("(set_config('search_path'::text, 'shadow'::text, false) = {t})", "(initcap({t}) = {t})"),
    "reload": ("pg_reload_conf()", "(NOT ({c} = 1))"),
    "another server": (
        "({c} = ANY (ARRAY[length(dblink_connect('dbname=postgres'::text))]))",
        "({c} = ANY (ARRAY[length('dbname'::text)]))",
    ),
    "aggregate": ("({c} > snare.adding({c}))", "({c} > GREATEST({c}, 2))"),
    "window": ("({c} > (snare.adding({c}) OVER ()))", "({c} > LEAST({c}, 2))"),
    "whole row": ("((snare.spring_text((b.*)::text)) = {t})", "(btrim({t}) = {t})"),
    "collation of a call": (
        "((snare.spring_text({t}) COLLATE \"C\") = 'a'::text)",
        "(({t} COLLATE \"C\") = 'a'::text)",
    ),
    "typed literal": ("({c} = (snare.checked '1')::integer)", "({c} = '1'::integer)"),
    "current_setting": ("(snare.spring_text(current_setting('role'::text)) = {t})", "(reverse({t}) = 'eloR'::text)"),
}

_SPRING = "select snare.spring('broken-out')"
ESCAPES: dict[str, tuple[str, str]] = {
    **{
        f"continued literal, {depth} deep": (
            "({t} = E'a'\n'\\' = ' " + ")" * depth + " ; select snare.spring() ; -- ')",
            "({t} = E'a\\'" + ")" * depth + "\n = ; select 1 ; -- '::text)",
        )
        for depth in range(5)
    },
    **{
        f"backslash, {depth} deep": (
            "({t} = '\\' = ' " + ")" * depth + " ; select snare.spring() ; -- ')",
            "({t} = E'\\\\" + ")" * depth + " ; select 1 ; -- '::text)",
        )
        for depth in range(5)
    },
    "a program": (
        "({t} = E'a'\n'\\' = ' ; copy (select 1) to program $a$touch <YARD>/copied$a$ -- ')",
        "({t} = 'copy (select 1) to program'::text)",
    ),
    "statement": ("({c} > 0)); " + _SPRING + "; --", "({t} = '0)); select 1; --'::text)"),
    "statement after a literal": ("({t} = 'a'::text); " + _SPRING, "({t} = 'a'';'::text)"),
    "drop": ("({c} > 0)); drop table public.notes; commit; --", "({t} = 'drop table public.notes'::text)"),
    "commit first": ("({c} > 0)); commit; drop table public.notes; --", "({t} = 'commit'::text)"),
    "union": ("({c} > 0) union select snare.spring('union')", "({t} = 'union select'::text)"),
    "end of the program": (
        "({t} = '$rowreckon_request$, true); END $rowreckon_set$; " + _SPRING + "; --'::text)",
        "({t} = '$rowreckon$'::text)",
    ),
    "end of any dollar quote": ("({t} = '$$; " + _SPRING + "; do $$'::text)", "({t} = '$$ $a$ $1'::text)"),
    "end of the sql": ("({t} = '$rowreckon_sql$; " + _SPRING + "; --'::text)", "({t} = '$tag$; select 1'::text)"),
    "end of the do block": (
        "({t} = '$rowreckon_program$; " + _SPRING + "; --'::text)",
        "({t} = '$program'::text)",
    ),
    "psql command": ("({t} = 'a\n\\! touch <YARD>/psql\n'::text)", "({t} = 'a\n\n\n'::text)"),
    "psql command outside": ("({c} > 0)\n\\! touch <YARD>/psql\n", "({c}\n>\n0)"),
    "psql variable": ("({t} = :'HOME')", "({t} = ':HOME'::text)"),
    "psql backtick": ("({t} = 'a')\n\\set x `touch <YARD>/psql`\n", "({t} = '`touch`'::text)"),
    "psql gexec": ("({t} = 'a') \\gexec\n", "({t} = 'gexec'::text)"),
    "open comment": ("({c} > 0) /* ", "({t} = '/*'::text)"),
    "line comment": ("({c} > 0) -- ", "({t} = '--'::text)"),
    "nested comment": ("({c} > /* /* */ snare.spring('c') /* */ */ snare.spring('d'))", "({t} = '/* /* */ */'::text)"),
    "open literal": ("({t} = 'a", "({t} = 'a'::text)"),
    "open identifier": ('(b."land = 1)', "({t} = '\"'::text)"),
    "unicode literal": ("({t} = U&'\\0027; " + _SPRING + "; --'::text)", "({t} = 'é'::text)"),
    "unicode name": ('(U&"sn\\0061re".U&"spring"(\'u\'::text) = {c})', '("pg_catalog"."length"(\'u\'::text) = {c})'),
    "bit string": ("({t} = B'1'; " + _SPRING + ")", "(B'1'::\"bit\" = B'1'::\"bit\")"),
    "no-break space": ("({c} > 0);\u00a0" + _SPRING, "({t} = '\u00a0'::text)"),
    "byte order mark": ("\ufeff({c} > 0); " + _SPRING, "({t} = '\ufeff'::text)"),
    "null character": ("({c} > 0)\x00; " + _SPRING, "({t} = '0'::text)"),
    "parameter": ("({c} > $1); execute immediate", "({c} = 1)"),
    "into": ("({c} > 0) into public.notes", "({t} = 'into'::text)"),
    "for update": ("({c} > 0) for update", "({t} = 'for update'::text)"),
    "analyze": ("({c} > 0)) analyze; explain analyze " + _SPRING, "({t} = 'analyze'::text)"),
    "subplan with a call": (
        "(NOT (hashed SubPlan 1)) AND ({c} > snare.spring('subplan'))",
        "({c} = ({c} + 0))",
    ),
    "current of": ("(CURRENT OF door; " + _SPRING + ")", "({t} = 'CURRENT OF'::text)"),
}

CONDITIONS = {**CALLS, **ESCAPES}
