"""Asking a colleague with access: one read-only psql script, and the reading of what it printed.

The script runs the same program as a live session does, so both give the same Catalog. What it prints is one JSON
document with a checksum over its own text, so that a paste that lost something on its way is noticed, not believed.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Sequence

from pydantic import ValidationError

from rowreckon.errors import BrokenPlan, InputTooLarge, NotAPlan, UsageError
from rowreckon.frozen import frozen
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.tree import lay_out
from rowreckon.reading.limits import Limits
from rowreckon.reading.sizes import check_values

from .answers.catalogs import FACTS_SCHEMA, catalogs_from_answer
from .answers.check import broken_answer, check_answer
from .facts import Catalog
from .program import ANSWER_SETTING, PATH_SETTING, REQUEST_SETTING, SAFE_PATH, facts_program
from .request import as_json
from .wanted import wanted_facts

_QUOTE = "$rowreckon_request$"
_MOST_LINES = 1_000_000
"""Lines of a text with an answer: the longest answer that is read, broken at 80 columns, has fewer."""
_AGAIN = "ask for the output as a file: psql -X -f ask.sql -o answer.txt"

_SCRIPT = r"""-- Facts for auditing a query plan: sizes, statistics, indexes, settings, estimates of its relations.
-- Run it in psql, on the database and as the role that the plan comes from:
--   psql -X -d DATABASE -f THIS_FILE -o answer.txt
-- Then send back answer.txt. The script reads catalogs about the relations that the plan names and asks the planner
-- about them with EXPLAIN. It takes the ends of join columns from pg_stats and prints one JSON document. Most common
-- values and histogram bounds are {values}.
-- It changes nothing: one read-only transaction, limited in time, rolled back. Of the plan's conditions it asks only
-- what PostgreSQL's own functions and operators make up. No code of yours is run: relations with functions of your
-- own in indexes, constraints or policies are looked up, not planned on. What goes unasked is named in the answer.
{told}-- Look through the answer before it leaves your house, and follow your own rules on that.
\set QUIET on
\set ON_ERROR_STOP on
\pset pager off
\pset expanded off
\pset format unaligned
\pset tuples_only on
BEGIN TRANSACTION ISOLATION LEVEL READ COMMITTED READ ONLY;
SET LOCAL standard_conforming_strings = on;
SET LOCAL client_encoding = 'UTF8';
SET LOCAL statement_timeout = '60s';
SET LOCAL lock_timeout = '2s';
SET LOCAL idle_in_transaction_session_timeout = '120s';
SET LOCAL client_min_messages = 'warning';
DO $rowreckon_set$ BEGIN
  PERFORM pg_catalog.set_config('{path_setting}', pg_catalog.current_setting('search_path'), true);
END $rowreckon_set$;
SET LOCAL search_path = {safe_path};
SAVEPOINT rowreckon_settings;
DO $rowreckon_set$ BEGIN PERFORM pg_catalog.set_config('{request_setting}', {request}, true); END $rowreckon_set$;
{program};
{printing}{more}ROLLBACK;
\pset format aligned
\pset tuples_only off
\set QUIET off
"""


_PRINTING = """SELECT '{{"{name}_md5": "' || pg_catalog.md5(pg_catalog.convert_to(answer, 'UTF8')) || '", "{key}": '
  || answer || '}}' AS answer
FROM pg_catalog.current_setting('{setting}') AS answer;
"""


@frozen
class MoreAsked:
    """Another program for the same script: its request, the settings of both, and what a reader is told of it.

    Its answer is printed as the facts are, under `name`.
    """

    name: str
    request_setting: str
    request: str
    program: str
    answer_setting: str
    told: str


def ask_script(
    documents: Sequence[ExplainDocument],
    *,
    with_values: bool = False,
    masked: bool = False,
    more: MoreAsked | None = None,
) -> str:
    """The psql script for these plans; of `masked` ones it asks no condition with a literal. Raises UsageError where
    there is none."""
    plans = [lay_out(document.plan) for document in documents]
    if not plans:
        raise UsageError("there is no plan to ask about", hint="give a file with EXPLAIN output")
    # ASCII, so that no client's encoding changes it; without a dollar sign, so that nothing in it ends its quote
    request = as_json(wanted_facts(plans, trust="file", with_values=with_values, masked=masked), ascii_only=True)
    request = request.replace("$", "\\u0024")
    return _SCRIPT.format(
        values="included" if with_values else "left out",
        path_setting=PATH_SETTING,
        safe_path=SAFE_PATH,
        request_setting=REQUEST_SETTING,
        request=f"{_QUOTE}{request}{_QUOTE}",
        program=facts_program("file"),
        printing=_PRINTING.format(name="facts", key="answer", setting=ANSWER_SETTING),
        more="" if more is None else _more(more),
        told="" if more is None else more.told,
    )


def _more(more: MoreAsked) -> str:
    """The other program after the facts, which are printed by then, and under settings as they were before."""
    setting = f"PERFORM pg_catalog.set_config('{more.request_setting}', {_QUOTE}{more.request}{_QUOTE}, true)"
    return (
        "ROLLBACK TO SAVEPOINT rowreckon_settings;\n"
        f"DO $rowreckon_set$ BEGIN {setting}; END $rowreckon_set$;\n{more.program};\n"
        + _PRINTING.format(name=more.name, key=more.name, setting=more.answer_setting)
    )


def read_answers(text: str, *, plans: int | None = None) -> tuple[Catalog, ...]:
    """The catalogs, one for each plan that was asked about (`plans` of them, if known), out of what psql printed.

    Raises NotAPlan where there is no answer in the text, BrokenPlan where it was damaged on its way, InputTooLarge
    where it holds more values than any answer, and UsageError where it is about another number of plans.
    """
    check_values(text, Limits())
    answer = printed_answer(text, "facts", "answer")
    if answer is None:
        raise NotAPlan("the text holds no answer to the script of `rowreckon ask`", hint=_AGAIN)
    try:
        document = json.loads(answer)
    except (ValueError, RecursionError):
        raise BrokenPlan("the answer nests too deep, or a number in it is too long", where="answer") from None
    if document.get("facts") != FACTS_SCHEMA:
        raise BrokenPlan(
            f"the answer's form is {document.get('facts')!r}, not {FACTS_SCHEMA!r}",
            where="facts",
            hint="write the script again with this release and have it run once more",
        )
    check_answer(document)
    try:
        return catalogs_from_answer(document, plans=plans)
    except ValidationError as error:
        raise broken_answer(error, ()) from None


def printed_answer(text: str, name: str, key: str) -> str | None:
    """The JSON text that the script printed under a name, exactly as it was; None where there is none.

    Raises BrokenPlan where it was damaged on its way, InputTooLarge where it has more lines than any answer.
    """
    mark = f'"{name}_md5"'
    if mark not in text:
        return None
    if max(text.count("\n"), text.count("\r")) > _MOST_LINES:
        raise InputTooLarge(f"the text with the answer has more than {_MOST_LINES:,} lines", hint=_AGAIN)
    start = re.compile(rf'\{{{mark}: ?"([0-9a-f]{{32}})", ?"{key}": ?')
    for candidate in _candidates(text, mark):
        head = start.search(candidate)
        if head is None:
            continue
        answer = _json_from(candidate[head.end() :])
        if answer is not None and hashlib.md5(answer.encode(), usedforsecurity=False).hexdigest() == head.group(1):
            return answer
    raise BrokenPlan(
        "the answer is not as the script printed it: its checksum differs", where=mark.strip('"'), hint=_AGAIN
    )


def _json_from(text: str) -> str | None:
    """The text of the JSON object at the start, exactly as it stands."""
    try:
        _, end = json.JSONDecoder().raw_decode(text)
    except (ValueError, RecursionError):
        return None
    return text[:end]


def _candidates(text: str, mark: str) -> Iterator[str]:
    """The printed document as it may have been before its lines were broken: plain, aligned, wrapped."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    first = next((n for n, line in enumerate(lines) if mark in line), 0)
    body = lines[first:]
    yield body[0]
    yield "".join(body)  # broken by a terminal
    yield " ".join(line.strip() for line in body)  # broken between words by a mail program
    yield _unwrapped(body, _width(lines[:first]))


def _width(above: Sequence[str]) -> int:
    """Length of the rule under psql's heading, without its corners; 0 without one."""
    rule = next((line.strip() for line in reversed(above) if re.fullmatch(r"\s*[+├]?[-─]{4,}[+┤]?\s*", line)), "")
    return len(rule.strip("+├┤"))


def _unwrapped(body: Sequence[str], rule: int) -> str:
    """Lines of psql's wrapped format joined: a mark at the right end goes on at a mark at the left of the next line.

    A mail program may have cut the spaces before a line's end; the column's width, where known, puts them back. With
    border 0 the text starts in the first column and has no mark there.
    """
    framed = not body[0].startswith("{")
    width = rule - 2 if framed else rule
    # What a mail program has cut is less than what it has left; a forged rule would make a text of any size of this.
    left = 2 * sum(map(len, body))
    parts: list[str] = []
    for line in body:
        inner = line
        if inner.startswith(("|", "│")):
            inner = inner[1:].rstrip().removesuffix("|").removesuffix("│")
        goes_on = inner.rstrip().endswith((".", "…"))
        part = inner[1:] if framed else inner
        if goes_on:
            part = part.rstrip()[:-1]
            left -= max(width - len(part), 0)
            part = part.ljust(width) if left >= 0 else part
        parts.append(part)
        if not goes_on:
            break
    return "".join(parts)
