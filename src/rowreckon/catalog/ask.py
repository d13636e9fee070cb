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

from rowreckon.errors import BrokenPlan, NotAPlan, UsageError
from rowreckon.plan.document import ExplainDocument
from rowreckon.plan.tree import lay_out
from rowreckon.reading.limits import Limits
from rowreckon.reading.sizes import check_values

from .answer import FACTS_SCHEMA, catalogs_from_answer
from .answers.model import broken_answer, check_answer
from .facts import Catalog
from .program import ANSWER_SETTING, PATH_SETTING, REQUEST_SETTING, SAFE_PATH, facts_program
from .request import as_json
from .wanted import wanted_facts

_HEAD = re.compile(r'\{"facts_md5": ?"([0-9a-f]{32})", ?"answer": ?')
_QUOTE = "$rowreckon_request$"
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
-- Look through the answer before it leaves your house, and follow your own rules on that.
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
DO $rowreckon_set$ BEGIN PERFORM pg_catalog.set_config('{request_setting}', {request}, true); END $rowreckon_set$;
{program};
SELECT '{{"facts_md5": "' || pg_catalog.md5(pg_catalog.convert_to(answer, 'UTF8')) || '", "answer": ' || answer || '}}'
  AS answer
FROM pg_catalog.current_setting('{answer_setting}') AS answer;
ROLLBACK;
\pset format aligned
\pset tuples_only off
\set QUIET off
"""


def ask_script(documents: Sequence[ExplainDocument], *, with_values: bool = False, masked: bool = False) -> str:
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
        answer_setting=ANSWER_SETTING,
    )


def read_answers(text: str, *, plans: int | None = None) -> tuple[Catalog, ...]:
    """The catalogs, one for each plan that was asked about (`plans` of them, if known), out of what psql printed.

    Raises NotAPlan where there is no answer in the text, BrokenPlan where it was damaged on its way, InputTooLarge
    where it holds more values than any answer, and UsageError where it is about another number of plans.
    """
    check_values(text, Limits())
    if '"facts_md5"' not in text:
        raise NotAPlan("the text holds no answer to the script of `rowreckon ask`", hint=_AGAIN)
    for candidate in _candidates(text):
        head = _HEAD.search(candidate)
        if head is None:
            continue
        answer = _json_from(candidate[head.end() :])
        if answer is None or hashlib.md5(answer.encode(), usedforsecurity=False).hexdigest() != head.group(1):
            continue
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
    raise BrokenPlan("the answer is not as the script printed it: its checksum differs", where="facts_md5", hint=_AGAIN)


def _json_from(text: str) -> str | None:
    """The text of the JSON object at the start, exactly as it stands."""
    try:
        _, end = json.JSONDecoder().raw_decode(text)
    except (ValueError, RecursionError):
        return None
    return text[:end]


def _candidates(text: str) -> Iterator[str]:
    """The printed document as it may have been before its lines were broken: plain, aligned, wrapped."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    first = next((n for n, line in enumerate(lines) if '"facts_md5"' in line), 0)
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
