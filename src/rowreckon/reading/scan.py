"""Go through a text that is more than one JSON value, and read each plan where it begins."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from rowreckon.reading.json_documents import Found, documents_in
from rowreckon.reading.json_reader import STRICT, JsonFault, read_value
from rowreckon.reading.limits import Limits
from rowreckon.reading.lines import Lines
from rowreckon.reading.query_echo import query_before
from rowreckon.reading.raw import RawPlan, Rejected
from rowreckon.reading.sizes import check_lines, check_values
from rowreckon.reading.wrappings import unwrap

ReadText = Callable[[str, str], list[Found]]

# An object of EXPLAIN begins with a key; brackets are taken along only right before one, so that
# no run of brackets is gone through more than once for each of its ends.
_NODES = (
    r"(?:Parallel[ ]|Async[ ])?(?:[A-Z][A-Za-z]+[ ](?:Only[ ]|Heap[ ]|Index[ ]|Range[ ]|Function[ ]|Tuplestore[ ])?"
    r"Scan\b|Nested[ ]Loop|(?:Hash|Merge)[ ](?:\w+[ ]){0,2}Join|(?:Partial[ ]|Finalize[ ])?\w*Aggregate\b|Result\b"
    r"|(?:Incremental[ ])?Sort\b|Limit\b|Hash\b|Unique\b|(?:Merge[ ])?Append\b|Gather\b|WindowAgg\b|Materialize\b"
    r"|Memoize\b|Group\b|ProjectSet\b|LockRows\b|Recursive[ ]Union|Bitmap(?:And|Or)\b|(?:Hash)?SetOp\b"
    r"|(?:Insert|Update|Delete|Merge)[ ]on\b)"
)
_START = re.compile(
    rf"""(?P<json>(?:\[\s{{0,99}}){{0,4}}\{{\s{{0,99}}"(?P<key>[^"\\\n]{{1,80}})"\s{{0,9}}:)
    |(?P<string>"(?:\\[nrt]|[ \t]){{0,99}}(?:\[(?:\\[nrt]|[ \t]){{0,99}}){{0,4}}\{{(?:\\[nrt]|[ \t]){{0,99}}\\")
    # A node's line with its figures, on the same line or (for a node that is known) on the next one.
    |^(?P<text>[ \t]*+(?:->[ \t]*+)?
        (?:[A-Z][^\n]*?[ ](?=\((?:cost=\d|actual[ ](?:time|rows)=\d|never[ ]executed\)))
        |{_NODES}[^\n]*\n[^\n]{{0,200}}?\((?:cost=\d|actual[ ](?:time|rows)=\d)
        # Without figures a plan is known by psql's title above it or by the lines below it.
        |{_NODES}[^\n]*\n[ \t]+(?:->[ ]|[A-Z][\w/ -]{{0,40}}:[ ]|(?:Init|Sub)Plan[ ]|CTE[ ]
            |(?:Foreign[ ])?(?:Insert|Update|Delete|Merge)[ ]on[ ])))
    |(?P<xml><explain\b)
    |^(?P<yaml>[ \t]*+(?:-[ ])?Plan:[ ]*+\n(?=[ \t]++Node[ ]Type:[ ]))
    |^(?P<titled>QUERY[ ]PLAN\n)(?=[ \t]*+{_NODES})""",
    re.VERBOSE | re.MULTILINE,
)
_STRINGS = json.JSONDecoder(strict=False)
# What an object of EXPLAIN, or a driver's row around it, begins with.
_LIKELY_KEYS = ("Plan", "Query Text", "Query Parameters", "Node Type", "QUERY PLAN")
# More broken JSON than this is no text with plans in it.
_MAX_FAULTS = 1000
_XML_END = "</explain>"
_SIGNS = ('"Plan"', '"Node Type"')


def scan(text: str, limits: Limits, read_text: ReadText) -> Iterator[Found]:
    """The plans in `text`, in order, with places that looked like one; `read_text` reads a text within it.

    One is read when it is asked for, so that whoever counts them can stop. Raises InputTooLarge over the limits.
    """
    check_lines(text, limits)
    check_values(text, limits)
    yield from _Scan(unwrap(text), limits, read_text).run()


class _Scan:
    def __init__(self, lines: Lines, limits: Limits, read_text: ReadText) -> None:
        self.lines = lines
        self.text = lines.text
        self.limits = limits
        self.read_text = read_text
        self.in_broken = False
        self.echo_from = 0
        self.found_any = False
        self.faults = 0
        self.xml_cut = False
        self.next_xml_end = -1
        self.last_xml_end = self.text.rfind(_XML_END)

    def run(self) -> Iterator[Found]:
        position = 0
        while (start := _START.search(self.text, position)) is not None:
            found, position = self.one(start)
            if self.faults > _MAX_FAULTS:
                reason = f"more than {_MAX_FAULTS} places are broken JSON; the rest was left unread"
                yield Rejected(reason, self.lines.place(position))
                return
            if found:
                query = self.query_before(start.start())
                self.echo_from = self.lines.index_at(position)
                self.found_any = True
            for each in found:
                if isinstance(each, RawPlan) and each.query is None and query:
                    each = replace(each, query=query)
                yield each
        if not self.found_any:
            yield from self.plain_first_line()

    def plain_first_line(self) -> list[Found]:
        """A plan without figures (COSTS OFF) and without lines below its node is known only by its first line."""
        from rowreckon.reading.explain_text.header import parse_header
        from rowreckon.reading.explain_text.plans import read_text_plan

        first = next((index for index, line in enumerate(self.lines.lines) if line.strip()), None)
        if first is None or parse_header(self.lines.lines[first].strip()) is None:
            return []
        return list(read_text_plan(self.lines, first, self.limits)[0])

    def one(self, start: re.Match[str]) -> tuple[list[Found], int]:
        """What begins at `start`, and the offset from which to go on."""
        if start.lastgroup == "string":
            return self.in_string(start.start())
        if start.lastgroup == "xml":
            return self.in_xml(start.start())
        if start.lastgroup == "yaml":
            return self.in_yaml(start.start())
        if start.lastgroup in ("text", "titled"):
            return self.in_text(start)
        return self.in_json(start)

    def in_json(self, start: re.Match[str]) -> tuple[list[Found], int]:
        begin = start.start()
        # Behind a broken document its own inner nodes come next: they are no plans of their own.
        if self.in_broken and start["key"] == "Node Type":
            return [], start.end()
        where = self.lines.place(begin)
        try:
            value, end, notes = self.value(begin, start["key"])
        except JsonFault as fault:
            self.faults += 1
            after = max(fault.position, begin + 1)
            if not any(sign in self.text[begin : after + 1] for sign in _SIGNS):
                return [], after
            self.in_broken = True
            place = self.lines.place(fault.position, column=True)
            reason = f"not valid JSON: {fault.reason}"
            if fault.path:
                reason += f", in {fault.path}"
            return [Rejected(reason, place)], after
        found = list(documents_in(value, where, self.read_text))
        self.in_broken = self.in_broken and not found
        if notes:
            found = [replace(each, notes=each.notes + notes) if isinstance(each, RawPlan) else each for each in found]
        return found, end

    def value(self, begin: int, key: str) -> tuple[Any, int, tuple[str, ...]]:
        # Each failure of the fast reader costs a walk through the whole text, so it gets only likely documents.
        if self.in_broken or key not in _LIKELY_KEYS:
            return read_value(self.text, begin, self.limits)
        try:
            value, end = STRICT.raw_decode(self.text, begin)
        except (ValueError, RecursionError):
            return read_value(self.text, begin, self.limits)
        return value, end, ()

    def in_text(self, start: re.Match[str]) -> tuple[list[Found], int]:
        from rowreckon.reading.explain_text.header import has_figures, parse_header
        from rowreckon.reading.explain_text.plans import read_text_plan

        index = self.lines.index_at(start.end() if start.lastgroup == "titled" else start.start())
        first = self.lines.lines[index].strip().removeprefix("->").lstrip()
        # Words that begin like a node, without figures in this line or the next, may be prose.
        if not has_figures(start.group()) and not has_figures(first) and parse_header(first) is None:
            return [], start.end()
        found, end = read_text_plan(self.lines, index, self.limits)
        return found, max(self.offset_of(end), start.start() + 1)

    def in_yaml(self, begin: int) -> tuple[list[Found], int]:
        from rowreckon.reading.yaml_form import read_yaml_plan

        index = self.lines.index_at(begin)
        found, end = read_yaml_plan(self.lines.lines, self.lines.numbers, index, self.limits)
        return found, self.offset_of(max(end, index + 1))

    def in_xml(self, begin: int) -> tuple[list[Found], int]:
        from rowreckon.reading.xml_form import XmlFault, read_xml_plans

        if begin > self.last_xml_end:
            # No end behind here: one refusal is enough, however many beginnings follow.
            first, self.xml_cut = not self.xml_cut, True
            place = self.lines.place(len(self.text))
            return [Rejected("not valid XML: the text is cut off here", place)] if first else [], begin + len(
                "<explain"
            )
        if self.next_xml_end < begin:
            self.next_xml_end = self.text.find(_XML_END, begin)
        closing = self.next_xml_end
        end = closing + len(_XML_END) if closing >= 0 else len(self.text)
        following = self.text.find("<explain", begin + 1, end)
        if following >= 0:
            # Another one begins before the end: this one was cut off.
            first, self.xml_cut = not self.xml_cut, True
            place = self.lines.place(following)
            return [Rejected("not valid XML: the text is cut off here", place)] if first else [], following
        try:
            return read_xml_plans(self.text[begin:end], self.lines.place(begin), self.limits), end
        except XmlFault as fault:
            index = min(self.lines.index_at(begin) + fault.line - 1, len(self.lines.numbers) - 1)
            return [Rejected(f"not valid XML: {fault.reason}", f"line {self.lines.numbers[index]}")], end

    def offset_of(self, index: int) -> int:
        return self.lines.starts[index] if index < len(self.lines.starts) else len(self.text)

    def in_string(self, begin: int) -> tuple[list[Found], int]:
        try:
            inner, end = _STRINGS.raw_decode(self.text, begin)
        except json.JSONDecodeError:
            return [], begin + 1
        if not any(sign in inner for sign in _SIGNS):
            return [], end
        return self.read_text(inner, self.lines.place(begin)), end

    def query_before(self, offset: int) -> str | None:
        return query_before(list(self.lines.lines[self.echo_from : self.lines.index_at(offset)]))
