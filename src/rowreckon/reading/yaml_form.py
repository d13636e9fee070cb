"""EXPLAIN's YAML form: block maps and lists, every text in double quotes, numbers and flags bare.

The events of the library's parser are put together here, without recursion, so that quoted text stays text, depth is
limited by an option, and anchors, aliases and tags, which PostgreSQL never prints, are refused.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from rowreckon.errors import InputTooLarge
from rowreckon.reading.keys import LISTS, OBJECTS, TEXTS, typed
from rowreckon.reading.limits import Limits
from rowreckon.reading.mends import TARGETS_NOTE, WORKERS_NOTE, put
from rowreckon.reading.raw import RawPlan, Rejected

_KEY = re.compile(r"(- )?([A-Z][A-Za-z/ -]*): ?")
_QUOTE = re.compile(r'\\.|"')


def read_yaml_plan(
    lines: Sequence[str], numbers: Sequence[int], start: int, limits: Limits
) -> tuple[list[RawPlan | Rejected], int]:
    """The plan whose `Plan:` key is in line `start`, and the index of the first line behind it."""
    begin, end = _extent(lines, start)
    where = f"line {numbers[begin]}"
    mended, notes = _mended(list(lines[begin:end]))
    try:
        value = _Builder(limits, where, notes).read("\n".join(mended))
    except _Fault as fault:
        line = numbers[min(begin + fault.line, len(numbers) - 1)]
        return [Rejected(f"not valid YAML: {fault.reason}", f"line {line}")], end
    documents = value if isinstance(value, list) else [value]
    found: list[RawPlan | Rejected] = []
    for each in documents:
        if isinstance(each, dict) and isinstance(each.get("Plan"), dict):
            query = each.get("Query Text")
            found.append(RawPlan(each, "yaml", where, query if isinstance(query, str) else None, tuple(notes)))
        else:
            found.append(Rejected("Plan is no map of keys", where))
    return found, end


class _Fault(Exception):
    def __init__(self, reason: str, line: int) -> None:
        self.reason = reason
        self.line = line
        super().__init__(reason)


def _extent(lines: Sequence[str], start: int) -> tuple[int, int]:
    """From the first key of the document (the log module puts the query above Plan) to behind its last line."""
    first = lines[start]
    base = len(first) - len(first.lstrip())
    begin = start
    if not first.lstrip().startswith("- "):
        while begin > 0 and start - begin < 5 and _is_key(lines[begin - 1], base):
            begin -= 1
    end = start + 1
    in_quote = False
    while end < len(lines):
        line = lines[end]
        bare = line.lstrip()
        indent = len(line) - len(bare)
        if not in_quote:
            if not bare:
                break
            inside = indent > base or (indent == base and _is_key(line, base) and not bare.startswith("- "))
            if not inside and not (indent == base and bare.startswith("- Plan:")):
                break
        if '"' in line:
            in_quote ^= sum(1 for match in _QUOTE.finditer(line) if match.group() == '"') % 2 == 1
        end += 1
    return begin, end


def _is_key(line: str, indent: int) -> bool:
    return line[:indent].strip() == "" and _KEY.match(line, indent) is not None


def _mended(lines: list[str]) -> tuple[list[str], list[str]]:
    """Counts that stand among the target tables of a MERGE, set out to the level of the node."""
    notes: list[str] = []
    indent: int | None = None
    for index, line in enumerate(lines):
        bare = line.lstrip()
        here = len(line) - len(bare)
        if bare.startswith("Target Tables:"):
            indent = here
        elif indent is not None and here <= indent:
            indent = None
        elif indent is not None and here == indent + 2 and not bare.startswith("- "):
            lines[index] = line[2:]
            if TARGETS_NOTE not in notes:
                notes.append(TARGETS_NOTE)
    return lines, notes


class _Builder:
    def __init__(self, limits: Limits, where: str, notes: list[str]) -> None:
        self.limits = limits
        self.where = where
        self.notes = notes
        self.stack: list[dict[str, Any] | list[Any]] = []
        self.keys: list[str | None] = []
        self.root: Any = None

    def read(self, text: str) -> Any:
        import yaml

        loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
        try:
            for event in yaml.parse(text, Loader=loader):
                self.take(event, yaml)
        except yaml.YAMLError as error:
            mark = getattr(error, "problem_mark", None)
            problem = getattr(error, "problem", None) or "a character that YAML does not allow"
            if "nesting depth" in problem:
                raise InputTooLarge(
                    "the plan is nested deeper than the reader of YAML goes, about 490 plan levels",
                    where=self.where,
                    hint="capture it with FORMAT JSON",
                ) from None
            raise _Fault(str(problem), mark.line if mark is not None else 0) from None
        except RecursionError:
            raise self.too_deep() from None
        return self.root

    def take(self, event: Any, yaml: Any) -> None:
        line = event.start_mark.line if event.start_mark is not None else 0
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None) or getattr(event, "tag", None):
            raise _Fault("anchors, aliases and tags are not what PostgreSQL prints", line)
        if isinstance(event, yaml.ScalarEvent):
            self.scalar(event, line)
        elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            if len(self.stack) >= self.limits.max_nesting:
                raise self.too_deep()
            self.stack.append({} if isinstance(event, yaml.MappingStartEvent) else [])
            self.keys.append(None)
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            value = self.stack.pop()
            self.keys.pop()
            self.put(value, line)

    def too_deep(self) -> InputTooLarge:
        return InputTooLarge(
            f"the plan is nested more than {self.limits.max_depth} levels deep",
            where=self.where,
            hint="raise the limit on plan levels if this is a real plan",
        )

    def scalar(self, event: Any, line: int) -> None:
        expects_key = self.stack and isinstance(self.stack[-1], dict) and self.keys[-1] is None
        if expects_key:
            self.keys[-1] = event.value
            return
        key = self.keys[-1] if self.keys else None
        if event.style in ('"', "'"):
            self.put(event.value, line)
        elif event.value == "":
            # A list or an object without entries is printed as nothing at all.
            self.put([] if key in LISTS else {} if key in OBJECTS else None, line)
        else:
            self.put(event.value if key in TEXTS else typed(event.value), line)

    def put(self, value: Any, line: int) -> None:
        if not self.stack:
            self.root = value
            return
        parent = self.stack[-1]
        if isinstance(parent, list):
            parent.append(value)
            return
        key = self.keys[-1]
        self.keys[-1] = None
        if key is None:
            raise _Fault("a key is no plain text", line)
        if key == "Workers" and key in parent and WORKERS_NOTE not in self.notes:
            self.notes.append(WORKERS_NOTE)
        if not put(parent, key, value):
            raise _Fault(f"the key {key[:60]!r} stands twice with different values", line)
