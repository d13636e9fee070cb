"""Texts made to be slow or deep: each costs no more than a little for its length, and ends in plans or one sentence.

The bound is generous (two seconds of processor time for a few hundred kilobytes); a reader that walked its text once
for each of its parts would need minutes.
"""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.errors import RowreckonError
from rowreckon.reading import RawPlan, read_plans
from tests.waiting import processor_limit

N = 100_000
RESULT = "Result  (cost=0.00..0.01 rows=1 width=4)\n"
JOIN = "Hash Join  (cost=1.00..2.00 rows=1 width=4)\n"

TEXTS = {
    "blanks in a header": f"Seq Scan on a{' ' * N}x (cost=1.00..2.00 rows=1 width=4)\n",
    "blanks behind figures": f"Seq Scan on a  (cost=1.00..2.00 rows=1 width=4){' ' * N}x\n",
    "blanks before all": f"{' ' * N}x\n{JOIN}",
    "one long word": f"{RESULT}  Hits: {'a' * N}\n",
    "a long label": f"{JOIN}  {'A' * N}\n",
    "many constraints": f"{RESULT}Trigger {' for constraint a on ' * (N // 20)}\n",
    "open settings": f"{RESULT}Settings: {'a = ' * (N // 4)}\n",
    "settings with quotes": f"""{RESULT}Settings: {"a = '" * (N // 5)}\n""",
    "quotes": f"""{RESULT}  Output: {"'" * (N + 1)}\n""",
    "lines that stay open": f"{RESULT}  Filter: ((\n{'(a' * 3}\n" + "(a\n" * N,
    "lines in a constant": RESULT + "  Filter: 'a\n" * (N // 10),
    "repeated seeds": f"{RESULT}  Sampling: a ({') REPEATABLE (' * (N // 10)}\n",
    "sort methods": f"{RESULT}  Sort Method: {'a  ' * N}\n",
    "workers": RESULT + "".join(f"  Worker {i}:  actual rows=1 loops=1\n" for i in range(N // 20)),
    "many roots": RESULT * (N // 40),
    "grouping sets": "GroupAggregate  (cost=0.00..0.01 rows=1 width=4)\n" + "  Group Key: a\n" * (N // 15),
    "brackets": "[" * N + '{"Plan"',
    "braces": '{"a":' * N,
    "arrays": '{"Plan":' + "[" * N,
    "beginnings": '{"Plan": {"Node Type": "Sort", ' * (N // 10),
    "lists of workers": '{"Plan": {'
    + ",".join(f'"Workers": [{{"Worker Number": {i}}}]' for i in range(N // 30))
    + "}}",
    "strings in strings": '"[{\\"Plan' * (N // 5),
    "python": "[('" * N,
    "xml without end": "<explain" * N,
    "xml with one end": "<explain><Plan>" * N + "</explain>",
    "yaml quote": '- Plan: \n    Node Type: "' + "a\n" * N,
    "yaml plans": 'Plan: \n  Node Type: "Sort"\n' * (N // 30),
    "rules": "-" * N + "x",
    "bars": "|" * N,
    "terminal": "\x1b]" * N,
    "headers": "QUERY PLAN | " * N,
    "echoes": "explain select 1\n" * (N // 10) + RESULT * 2,
    "log words": "duration: 1.0 ms  plan:" * (N // 10),
    "log entries": "duration: 1.0 ms  plan:\n\t{\n" * (N // 50),
    "log prefix": "a=b " * N + "duration: 1.0 ms  plan:\n\t{}\n",
    "csv quotes": '2024-01-01 00:00:00.000 UTC,"a",' + '"b",' * 11 + '"duration: 1.0 ms  plan:\n' + '""x' * N,
}


@pytest.mark.parametrize("name", TEXTS)
def test_no_text_is_slow(name: str) -> None:
    """No quadratic walk, no recursion without a bound, no error but our own."""
    with processor_limit(), contextlib.suppress(RowreckonError):
        read_plans(TEXTS[name])


LOG = (
    "2024-07-01 10:00:00.000 UTC [7] LOG:  duration: 1.500 ms  plan:\n"
    '\t{\n\t  "Query Text": "select 1",\n\t  "Plan": {\n\t    "Node Type": "Result"\n\t  }\n\t}\n'
    "2024-07-01 10:00:00.100 UTC [8] LOG:  duration: 2.500 ms  plan:\n"
    "\tQuery Text: select 2\n\tResult  (cost=0.00..0.01 rows=1 width=4) (actual rows=1 loops=1)\n"
    "2024-07-01 10:00:00.200 UTC [8] STATEMENT:  select 2\n"
)


@given(st.data())
def test_a_damaged_log_never_raises(data: st.DataObject) -> None:
    """Cut and overwritten logs end in plans and refusals, each with its line."""
    text = LOG
    for _ in range(data.draw(st.integers(0, 3))):
        begin = data.draw(st.integers(0, len(text)))
        end = begin + data.draw(st.integers(0, 30))
        text = text[:begin] + data.draw(st.text(alphabet='\t\n\r {}"<(:,\\', max_size=3)) + text[end:]
    try:
        found = read_plans(text)
    except RowreckonError:
        return
    assert all(each.where.startswith("line ") for each in found)
    if text == LOG:
        assert [isinstance(each, RawPlan) and each.query for each in found] == ["select 1", "select 2"]
