"""The worst inputs of every reader, each of any size: what is slow or large about a text grows with its length here.

A table of names to functions from a size (bytes, about) to the input, one table for each way in.
"""

from __future__ import annotations

import json
from collections.abc import Callable

Made = Callable[[int], bytes]

RESULT = b"Result  (cost=0.00..0.01 rows=1 width=4)\n"
JOIN = b"Hash Join  (cost=1.00..2.00 rows=1 width=4)\n"
DURATION = b"duration: 1.0 ms  plan:"
STDERR = b"2026-07-01 00:00:00.000 UTC [7] LOG:  " + DURATION
CSV = b'2026-07-01 00:00:00.000 UTC,"a",' + b'"b",' * 11
NODE = (
    '{"Node Type": "Seq Scan", "Parallel Aware": false, "Relation Name": "huts", "Alias": "huts", "Plan Rows": 1,'
    ' "Actual Rows": 1, "Actual Loops": 1'
)


def _times(piece: bytes, head: bytes = b"", tail: bytes = b"") -> Made:
    """`piece` over and over, between a head and a tail."""
    return lambda size: head + piece * max((size - len(head) - len(tail)) // len(piece), 1) + tail


def _lines(width: int, line: bytes, head: bytes = b"", tail: bytes = b"") -> Made:
    """Lines of `width` times one sign."""
    return _times(line * width + b"\n", head, tail)


def _condition(text: str, head: str = "(name = '", tail: str = "'::text)") -> Made:
    """A plan whose filter is `text` over and over."""

    def make(size: int) -> bytes:
        condition = head + text * (size // len(text)) + tail
        plan = json.loads(NODE + "}") | {"Filter": condition}
        return json.dumps([{"Plan": plan}]).encode()

    return make


TEXTS: dict[str, Made] = {
    "spaces": _times(b" "),
    "spaces and a letter": _times(b" ", tail=b"x"),
    "spaces before a plan": _times(b" ", tail=b"\n" + RESULT),
    "spaces behind a plan": _times(b" ", RESULT),
    "newlines": _times(b"\n"),
    "newlines before a plan": _times(b"\n", tail=RESULT),
    "newlines behind a plan": _times(b"\n", RESULT),
    "tabs": _times(b"\t", RESULT),
    "carriage returns": _times(b"\r", RESULT),
    "one word": _times(b"a"),
    "capitals": _times(b"A"),
    "capital lines": _times(b"A\n"),
    "capital and blank": _times(b"A "),
    "node names": _times(b"Sort "),
    "lines of a node's name": _times(b"Sort\n"),
    "a name and a long line": _times(b" ", b"Sort\n", b"(cost=1"),
    "parentheses": _times(b"("),
    "parentheses in a filter": _times(b"(", RESULT + b"  Filter: "),
    "closing parentheses": _times(b")", RESULT + b"  Filter: "),
    "quotes": _times(b"'"),
    "quotes in a filter": _times(b"'", RESULT + b"  Filter: "),
    "double quotes": _times(b'"'),
    "names never closed": _times(b'"a\n', RESULT + b"  ->  Seq Scan on "),
    "name of quotes": _times(b'"', b"Seq Scan on ", b"  (cost=1.00..2.00 rows=1 width=4)\n"),
    "backslashes": _times(b"\\"),
    "backslashes in a string": _times(b"\\", b'{"Plan": "'),
    "strings": _times(b'"\\n\\n'),
    "string of braces": _times(b'"{\\"'),
    "plus at line ends": _times(b"a+\n", RESULT),
    "lone plus signs": _times(b"+\n", RESULT),
    "wrapped by psql": _times(b".a.\n", RESULT),
    "ellipses": _times("…a…\n".encode(), RESULT),
    "fences": _times(b"```\n"),
    "fences of text": _times(b"```\nSort\n"),
    "quotations": _times(b"> ", tail=b"\n" + RESULT),
    "quoted lines": _times(b"> \n", tail=RESULT),
    "rules": _times(b"-", tail=b"x"),
    "rule lines": _times(b"--\n", RESULT),
    "bars": _times(b"|"),
    "bar lines": _times(b"|  |\n", RESULT),
    "records": _times(b"-[ RECORD 1 ]\n", RESULT),
    "expanded": _times(b"           | a\n", b"QUERY PLAN | Result\n"),
    "headers": _times(b"QUERY PLAN\n"),
    "headers and nodes": _times(b"QUERY PLAN\nSort\n"),
    "terminal codes": _times(b"\x1b]"),
    "terminal codes open": _times(b"\x1b["),
    "html cells": _times(b"<td ", RESULT),
    "html tags": _times(b"<p><p>\n", b"<td>" + RESULT),
    "html entities": _times(b"&amp", b"-&gt;" + RESULT),
    "zero width": _times("\u200b".encode(), RESULT),
    "marks": _times("\ufeff".encode(), RESULT),
    "utf-16": lambda size: ("Sort\n" * (size // 10)).encode("utf-16"),
    "utf-16 without mark": lambda size: ("(" * (size // 2)).encode("utf-16-le"),
    "not ascii": _times("ä(".encode(), RESULT),
    "surrogates": _times(b"\\ud800", b'[{"Plan": {"Node Type": "', b'"}}]'),
    "raw surrogates": _times(b"\\\\ud8", b'[{"Plan": {"Node Type": "', b'"}}]'),
    "half json": _times(b'{"Plan": {"Node Type": "Sort", '),
    "objects": _times(b'{"a":'),
    "objects closed": _times(b'{"a":1}\n'),
    "likely objects cut": _times(b'{"Plan":'),
    "likely objects one by one": _times(b'{"Plan": x}\n'),
    "rows of a driver": _times(b'{"QUERY PLAN": "a"},\n'),
    "brackets": _times(b"["),
    "brackets before an object": _times(b"[", tail=b'{"Plan"'),
    "empty lists": _times(b"[],", b'{"Plan": {"Node Type": "Sort", "a": [', b"0]}}"),
    "numbers": _times(b"1,", b'{"Plan": {"Node Type": "Sort", "a": [', b"0]}}"),
    "digits": _times(b"9", b'{"Plan": {"Node Type": "Sort", "Plan Rows": ', b"}}"),
    "digits in text": _times(b"9", b"Sort  (cost=1", b"..2.00 rows=1 width=4)\n"),
    "digits in yaml": _times(b"9", b"- Plan: \n    Node Type: ", b"\n"),
    "keys": lambda size: (
        b'{"Plan": {"Node Type": "Sort"' + b"".join(b',"k%d":1' % n for n in range(size // 12)) + b"}}"
    ),
    "keys twice": _times(b'"a":1,', b'{"Plan": {', b'"Node Type": "Sort"}}'),
    "nested nodes": _times(b'{"Node Type":"Sort","Plans":[', b'{"Plan":'),
    "sibling nodes": _times(
        NODE.encode() + b"}, ", b'[{"Plan": {"Node Type": "Append", "Plans": [', NODE.encode() + b"}]}}]"
    ),
    "plans": _times(b'[{"Plan": {"Node Type": "Result"}}]\n'),
    "text plans": _times(RESULT),
    "text plans and queries": _times(b"explain select 1;\n" + RESULT + b"\n"),
    "queries before a plan": _times(b"explain (\n", tail=RESULT),
    "prompts": _times(b"=> ", b"explain ", b"\n" + RESULT),
    "explains": _times(b"explain ", tail=b"\n" + RESULT),
    "details": _times(b"  Filter: (a)\n", RESULT),
    "open details": _times(b"  Filter: ((\n", RESULT),
    "open quotes": _times(b"  Filter: 'a\n", RESULT),
    "unknown lines": _times(b"  Ho hum: b\n", RESULT),
    "blank and detail": _times(b"  Filter: a\n\n", RESULT),
    "workers": _times(b"  Worker 0:  actual rows=1 loops=1\n", RESULT),
    "triggers": _times(b"Trigger a on b: calls=1\n", RESULT),
    "a trigger": _times(b" on ", RESULT + b"Trigger "),
    "settings": _times(b"a = 'b', ", RESULT + b"Settings: "),
    "settings open": _times(b"a = '", RESULT + b"Settings: "),
    "outputs": _times(b"a, ", RESULT + b"  Output: "),
    "outputs in brackets": _times(b"(a, ", RESULT + b"  Output: "),
    "grouping sets": _times(b"  Group Key: a\n", b"GroupAggregate  (cost=0.00..0.01 rows=1 width=4)\n"),
    "hash keys": _times(b"  Hash Key: a\n", b"HashAggregate  (cost=0.00..0.01 rows=1 width=4)\n"),
    "sort keys": _times(b"  Sort Key: a\n", b"GroupAggregate  (cost=0.00..0.01 rows=1 width=4)\n"),
    "subplans": _times(b"  SubPlan 1\n", RESULT),
    "arrows": _times(b"->  Sort  (cost=1.00..2.00 rows=1 width=4)\n", RESULT),
    "arrows without figures": _times(b"->\n", RESULT),
    "buffers": _times(b"shared hit=1 ", RESULT + b"  Buffers: "),
    "buffers apart": _times(b",", RESULT + b"  Buffers: "),
    "sort methods": _times(b"a  ", RESULT + b"  Sort Method: "),
    "fields": _times(b"a a", RESULT + b"  Hits: "),
    "xml": _times(b"<a>", b"<explain>", b"</explain>"),
    "xml begun": _times(b"<explain", tail=b"</explain>"),
    "xml siblings": _times(b"<Item>a</Item>", b"<explain><Query><Plan>", b"</Plan></Query></explain>"),
    "xml attributes": _times(b" a='b'", b"<explain><Query", b"></Query></explain>"),
    "xml entities": _times(b"&amp;", b"<explain><Query><Plan><Node-Type>", b"</Node-Type></Plan></Query></explain>"),
    "xml text": _times(b"a\n", b"<explain><Query><Plan><Node-Type>", b"</Node-Type></Plan></Query></explain>"),
    "xml many": _times(b"<explain></explain>"),
    "xml doctype": _times(b"<!ENTITY a 'b'>", b"<explain><!DOCTYPE x [", b"]></explain>"),
    "yaml": _times(b"      - Sort: \n", b"- Plan: \n    Node Type: Sort\n    Plans:\n"),
    "yaml flow": _times(b"[", b"- Plan: \n    Node Type: "),
    "yaml flow closed": _times(b"[],", b"- Plan: \n    Node Type: [", b"]\n"),
    "yaml quote": _times(b"a\n", b'- Plan: \n    Node Type: "', b'"\n'),
    "yaml blanks": _times(b" ", b'- Plan: \n    Node Type: "', b'"\n'),
    "yaml keys": lambda size: (
        b'- Plan: \n    Node Type: "Sort"\n' + b"".join(b"    k%d: 1\n" % n for n in range(size // 15))
    ),
    "yaml plans": _times(b'Plan: \n  Node Type: "Sort"\n'),
    "yaml listed plans": _times(b'- Plan: \n    Node Type: "Sort"\n'),
    "csv cell": _times(b'""', b'"- Plan:'),
    "csv cells": _times(b'"- Plan:'),
    "csv rows": _times(b'"Sort\n'),
    "csv row of quotes": _times(b'""', b'"Sort', b"x\n"),
    "tuples of python": _times(b"('", b"["),
    "rows of python": _times(b"('Result  (cost=0.00..0.01 rows=1 width=4)',),", b"[", b"]"),
    "nested python": _times(b"[", b"[('", b"]"),
    "sums of python": _times(b"+1", b"[(1", b",)]"),
    "asciidoc": _times(b"|a\n", b"|====\n", b"|====\n" + RESULT),
    "comments of sql": _times(b"-- a\n", RESULT),
    "log of words": _times(DURATION),
    "one entry of spaces": _times(b" ", STDERR + b"\n\t"),
    "one entry on one line": _times(b"x", STDERR + b"\n\tQuery Text: "),
    "one entry of lines": _times(b"x\n\t", STDERR + b"\n\tQuery Text: "),
    "one loose entry": _times(b"x", STDERR + b" "),
    "one loose entry of lines": _times(b"x\n", STDERR + b"\nQuery Text: "),
    "severities": _times(b"LOG LOG:", STDERR + b"\nQuery Text: \n"),
    "entries": _times(STDERR + b"\n\t{\n"),
    "entries one byte": _times(DURATION + b"\n"),
    "a line before an entry": _times(b" ", tail=STDERR + b"\n\t{}\n"),
    "prefix of names": _times(b"a=b ", tail=DURATION + b"\n\t{}\n"),
    "prefix of at signs": _times(b"a@", tail=DURATION + b"\n\t{}\n"),
    "half an entry": _times(b'\t"Plan": {\n', STDERR + b"\n\t{\n"),
    "mixed entries": _times(STDERR + b'\n\t{\n\t"Plan": {\nx\n'),
    "json log": _times(b"\\n", b'{"message":"' + DURATION + b"\\n", b'"}\n'),
    "json log open": _times(b"[", b'{"message":"' + DURATION + b"\\n"),
    "json log entries": _times(b'{"message":"' + DURATION + b'\\n{"}\n'),
    "csv log quotes": _times(b'""x', CSV + b'"' + DURATION + b"\n"),
    "csv log fields": _times(b",", CSV + b'"' + DURATION + b'\n"'),
    "csv log entries": _times(CSV + b'"' + DURATION + b'\n{"\n'),
    "csv log open": _times(b"\n", CSV + b'"' + DURATION + b"\n{"),
    "roots in an entry": _times(b"A (cost=1\n\t", STDERR + b"\n\tQuery Text: "),
    "json entry of text": _times(b" ", STDERR + b'\n\t{"Plan": ', b"}\n"),
    "yaml entry": _times(b"  a\n\t", STDERR + b'\n\tQuery Text: "', b'"\n\tPlan: \n\t  Node Type: "Sort"\n'),
    "xml entry": _times(b"<a>", STDERR + b"\n\t<explain>", b"\n\t</explain>\n"),
}
CONDITIONS: dict[str, Made] = {
    "a long literal": _condition("x"),
    "quotes in a literal": _condition("''"),
    "backslashes in a literal": _condition("\\"),
    "parentheses": lambda size: _condition("x", "(" * (size // 3), ")" * (size // 3))(size // 3),
    "open parentheses": _condition("("),
    "ands": _condition("(a = 1) AND ", "(", "(b = 2))"),
    "a list": _condition("1,", "(a = ANY ('{", "2}'::integer[]))"),
    "casts": _condition("::text", "(a", " = 'b')"),
    "spaces": _condition(" ", "(a", "= 1)"),
    "comments": _condition("/*", "(a ", " = 1)"),
    "dollars": _condition("$a$", "(a = ", ")"),
    "names": _condition('"', "(a = ", ")"),
    "dots": _condition("a.", "(", "b = 1)"),
    "signs": _condition("-", "(a = ", "1)"),
    "letters": _condition("e'", "(a = ", ")"),
    "digits": _condition("9", "(a = ", ")"),
}
ANSWERS: dict[str, Made] = {
    "no answer": _times(b'"facts_md5"'),
    "an answer of lists": _times(b"[", b'{"facts_md5": "' + b"0" * 32 + b'", "answer": '),
    "an answer of lines": _times(b"  a\n", b'{"facts_md5": "' + b"0" * 32 + b'", "answer": {"a":\n'),
    "a wrapped answer below a wide rule": lambda size: (
        b"-" * (size // 2) + b'\n{"facts_md5": "\n' + b"a.\n" * (size // 6)
    ),
    "rules above an answer": _lines(100, b"-", tail=b'x{"facts_md5"'),
}
TABLES: dict[str, Made] = {
    "arrays of a table": _times(b"[", b"a = "),
    "digits of a table": _times(b"9", b"a = "),
    "dotted keys": _times(b"a.", tail=b"a = 1"),
    "quoted keys": _times(b'"a" . ', b"a = {", b"a = 1}"),
    "keys never long": _times(b'a.a.a,"', b"a = ["),
    "quotes of a table": _times(b",'\n", b"a = ["),
    "headers of a table": _times(b"[" + b"a." * 90 + b"b]\n"),
    "keys of a table": lambda size: b"".join(b"k%d = 1\n" % n for n in range(size // 12)),
    "tables": lambda size: b"".join(b"[k%d]\n" % n for n in range(size // 9)),
    "texts of a table": _times(b"\\n", b'a = """', b'"""'),
    "a text without end": _times(b"'", b"a = '''"),
    "comments of a table": _times(b"#"),
}
SCHEMAS: dict[str, Made] = {
    "tables of a schema": lambda size: b"".join(b"create table t%d (a int);\n" % n for n in range(size // 26)),
    "indexes of one table": _times(b"create index on t (a);\n", b"create table t (a int);\n"),
    "columns added": lambda size: b"".join(b"alter table t add column c%d int;\n" % n for n in range(size // 34)),
    "tables like a wide one": lambda size: (
        b"create table w ("
        + b",".join(b"c%d int" % n for n in range(200))
        + b");\n"
        + b"".join(b"create table t%d (like w);\n" % n for n in range(size // 28))
    ),
    "partitions with indexes": lambda size: (
        b"create table t (a int) partition by list (a);\n"
        + b"".join(b"create table p%d partition of t default;create index on t(a);\n" % n for n in range(size // 66))
    ),
    "renamings": _times(b"alter table t rename to u; alter table u rename to t;\n", b"create table t (a int);\n"),
    "a long predicate": _times(b"+a", b"create table t (a int); create index on t (a) where a", b" > 0;"),
    "a deep predicate": lambda size: b"create index on t (a) where " + b"(" * (size // 2) + b"a" + b")" * (size // 2),
    "rows of copy": _times(b"1\t'\n", b"copy t from stdin;\n", b"\\.\n"),
    "copies": _times(b"copy t from stdin;\n\\.\n"),
    "psql commands": _times(b"\\a\n"),
    "psql commands between statements": _times(b";\\a\n"),
    "open quotes": _times(b"'"),
    "dollar quotes": _times(b"$a$ "),
    "bodies of functions": _times(b"create function f() returns int language sql begin atomic select 1; end;\n"),
    "blocks of code": lambda size: b"".join(b"do 'a%d';\n" % n for n in range(size // 11)),
    "statistics of columns": _times(
        b"select pg_restore_attribute_stats('schemaname','a','relname','b','attname','c','histogram_bounds','{1,2}');\n"
    ),
    "a long histogram": _times(
        b'"x\\"",', b"select pg_restore_attribute_stats('relname','b','schemaname','a','attname','c','x','{", b"1}');"
    ),
    "a word": _times(b"a"),
    "comments": _times(b"-- a\n"),
    "semicolons": _times(b";"),
}
