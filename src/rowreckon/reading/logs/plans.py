"""Plans from a log: entry by entry, each in the format that the log module was told to write."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, BinaryIO

from rowreckon.errors import InputTooLarge
from rowreckon.reading.json_reader import STRICT, refuse
from rowreckon.reading.limits import Limits
from rowreckon.reading.logs.entries import Entry, log_entries
from rowreckon.reading.logs.heads import BrokenEntry, facts_and_body
from rowreckon.reading.raw import RawPlan, Rejected
from rowreckon.reading.sizes import check_values, nodes_below

_MAX_ENTRY = 16 * 1024 * 1024
_ENCODING_NOTE = "bytes that are not UTF-8 were replaced: the log mixes encodings"
_CUT_NOTE = "the log ends within this entry: the plan may be cut off"
_QUERY = "Query Text: "
_PARAMETERS = "Query Parameters: "
_ROOT = re.compile(r"^(?=[A-Z])[^\n]*?\((?:cost=\d|actual (?:time|rows)=\d)[^\n]*", re.M)


def read_log(stream: BinaryIO, *, limits: Limits = Limits()) -> Iterator[RawPlan | Rejected]:  # noqa: B008
    """Every plan that the log module wrote into the log, in order, while the stream is read.

    A plan that is cut off, by the stream's end or otherwise, comes as Rejected. `extra` of each plan holds
    `duration_ms` and, as far as the log has them, `timestamp`, `pid`, `user`, `database`, `application`, `client`,
    `session_id`, `query_id`, `context` and `statement`.
    """
    for entry in log_entries(stream, max_entry=most_bytes(limits)):
        yield entry_plan(entry, limits)


def most_bytes(limits: Limits) -> int:
    """The longest entry that is read, in bytes."""
    return min(_MAX_ENTRY, limits.max_bytes)


def entry_plan(entry: Entry, limits: Limits) -> RawPlan | Rejected:
    """The plan of one entry, or why it can't be read."""
    where = f"line {entry.line}"
    if entry.too_long:
        return Rejected(f"the entry is longer than {most_bytes(limits):,} bytes, the limit", where)
    try:
        facts, body, replaced = facts_and_body(entry, limits)
        check_values(body, limits)
        found = _in_body(body, limits)
        if isinstance(found, RawPlan):
            limits.check_count(nodes_below(found.document, limits.max_nodes), limits.max_nodes, "plan nodes")
    except BrokenEntry as fault:
        return Rejected(str(fault), where)
    except InputTooLarge as error:
        return Rejected(error.what, where)
    if isinstance(found, Rejected):
        reason = f"the log ends within this plan: {found.reason}" if entry.cut else found.reason
        return Rejected(reason, _within(found.where, entry.line))
    notes = (*found.notes, _ENCODING_NOTE) if replaced else found.notes
    if entry.cut and found.form in ("text", "yaml"):
        notes = (*notes, _CUT_NOTE)
    return replace(found, where=where, notes=notes, extra=facts | found.extra)


def _in_body(body: str, limits: Limits) -> RawPlan | Rejected:
    first = body.lstrip()[:8]
    if first.startswith("{"):
        try:
            # Only up to release 12 does the server print a key twice, and then this one.
            document = STRICT.decode(body) if '"Workers"' in body else json.loads(body, parse_constant=refuse)
        except (ValueError, RecursionError):
            return _scanned(body, limits)
        if isinstance(document, dict) and isinstance(document.get("Plan"), dict):
            return _with_query(RawPlan(document, "json", "line 1"))
        return Rejected("the object in the log has no Plan", "line 1")
    if first.startswith("<explain"):
        return _scanned(body, limits)
    return _text(body, limits) if body.startswith(_QUERY) and "\nPlan:" not in body else _scanned(body, limits)


def _text(body: str, limits: Limits) -> RawPlan | Rejected:
    """The text format puts the query above the plan; it may have any lines in it."""
    from rowreckon.reading.explain_text.header import parse_header

    candidates = _ROOT.finditer(body, len(_QUERY))
    root = next((each for each in candidates if parse_header(each.group()) is not None), None)
    if root is None:
        return Rejected("there is no plan below the query", "line 1")
    head = body[len(_QUERY) : root.start()].rstrip("\n")
    query, mark, parameters = head.rpartition(f"\n{_PARAMETERS}")
    found = _scanned(body[root.start() :], limits, lines_above=body.count("\n", 0, root.start()))
    if isinstance(found, Rejected):
        return found
    document: dict[str, Any] = {"Query Text": query if mark else head, **found.document}
    if mark:
        document["Query Parameters"] = parameters
    return _with_query(replace(found, document=document))


def _scanned(body: str, limits: Limits, *, lines_above: int = 0) -> RawPlan | Rejected:
    from rowreckon.reading.scan import scan

    first = next(scan(body, limits, lambda _text, _where: []), None)
    if first is None:
        return Rejected("the entry holds no plan that could be recognised", "line 1")
    if isinstance(first, Rejected):
        return replace(first, where=_within(first.where, lines_above + 1))
    return _with_query(first)


def _with_query(found: RawPlan) -> RawPlan:
    query = found.document.get("Query Text")
    return replace(found, query=query) if isinstance(query, str) and query.strip() else found


def _within(where: str, line: int) -> str:
    """A place within the entry as a place in the log."""
    match = re.match(r"line (\d+)(.*)", where)
    return f"line {int(match[1]) + line - 1}{match[2]}" if match is not None else f"line {line}"
