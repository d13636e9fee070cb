"""EXPLAIN's XML form: one element for each key, everything text; what is a number or a list is told by the key.

Read by the standard library's expat with handlers of our own: no document type, so no entities, and no recursion.
"""

from __future__ import annotations

from typing import Any, NoReturn

from rowreckon.errors import InputTooLarge
from rowreckon.reading.keys import LISTS, NESTED_LISTS, OBJECT_LISTS, OBJECTS, TEXTS, typed
from rowreckon.reading.limits import Limits
from rowreckon.reading.mends import TARGETS_NOTE, WORKERS_NOTE, put
from rowreckon.reading.raw import RawPlan, Rejected
from rowreckon.reading.sizes import check_elements

# Keys that have a hyphen of their own; in all other names a hyphen stands for a blank.
_HYPHENED = {
    "One-Time-Filter": "One-Time Filter",
    "Full-sort-Groups": "Full-sort Groups",
    "Pre-sorted-Groups": "Pre-sorted Groups",
}


class XmlFault(Exception):
    """The text is no XML of EXPLAIN: `line` counts from 1 within it."""

    def __init__(self, reason: str, line: int) -> None:
        self.reason = reason
        self.line = line
        super().__init__(reason)


def read_xml_plans(text: str, where: str, limits: Limits) -> list[RawPlan | Rejected]:
    """The plans in one `<explain>` element. Raises XmlFault, and InputTooLarge over the limits."""
    check_elements(text, limits)
    reader = _Reader(limits, where)
    reader.read(text)
    found: list[RawPlan | Rejected] = []
    for document in reader.documents:
        if isinstance(document.get("Plan"), dict):
            query = document.get("Query Text")
            notes = tuple(reader.notes)
            found.append(RawPlan(document, "xml", where, query if isinstance(query, str) else None, notes))
        else:
            found.append(Rejected("there is no Plan element", where))
    return found


class _Element:
    __slots__ = ("children", "key", "text")

    def __init__(self, key: str) -> None:
        self.key = key
        self.children: list[tuple[str, Any]] = []
        self.text: list[str] = []


class _Reader:
    def __init__(self, limits: Limits, where: str) -> None:
        self.limits = limits
        self.where = where
        self.stack: list[_Element] = []
        self.documents: list[dict[str, Any]] = []
        self.notes: list[str] = []
        self.parser: Any = None

    def read(self, text: str) -> None:
        from xml.parsers import expat

        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler = self.start
        parser.EndElementHandler = self.end
        parser.CharacterDataHandler = self.data
        parser.StartDoctypeDeclHandler = self.doctype
        self.parser = parser
        try:
            parser.Parse(text, True)
        except expat.ExpatError as error:
            reason = "the text is cut off here" if error.code in (3, 5) else expat.ErrorString(error.code)
            raise XmlFault(reason, error.lineno) from None

    def line(self) -> int:
        return int(self.parser.CurrentLineNumber)

    def doctype(self, *_: object) -> NoReturn:
        raise XmlFault("a document type is not what PostgreSQL prints", self.line())

    def start(self, tag: str, _attributes: dict[str, str]) -> None:
        if len(self.stack) > self.limits.max_nesting:
            raise InputTooLarge(
                f"the plan is nested more than {self.limits.max_depth} levels deep",
                where=self.where,
                hint="raise the limit on plan levels if this is a real plan",
            )
        in_settings = bool(self.stack) and self.stack[-1].key == "Settings"
        self.stack.append(_Element(tag if in_settings else _key(tag)))

    def data(self, text: str) -> None:
        if self.stack:
            self.stack[-1].text.append(text)

    def end(self, _tag: str) -> None:
        element = self.stack.pop()
        parent = self.stack[-1] if self.stack else None
        if element.key == "Query" and parent is not None and parent.key == "explain":
            self.documents.append(self.fields(element))
        elif element.key == "explain":
            if element.children:
                self.documents.append(self.fields(element))
        elif parent is not None:
            parent.children.append((element.key, self.value(element, parent)))
            if element.key == "Target Tables":
                # PostgreSQL prints the counts of MERGE between the target tables.
                strays = [child for child in element.children if child[0] != "Target Table"]
                parent.children.extend(strays)
                if strays and TARGETS_NOTE not in self.notes:
                    self.notes.append(TARGETS_NOTE)

    def value(self, element: _Element, parent: _Element) -> Any:
        key, children = element.key, element.children
        if key in OBJECT_LISTS:
            names = (key.removesuffix("s"),)
            return [value for name, value in children if name in names]
        if key in NESTED_LISTS:
            return [value if isinstance(value, list) else [] for _, value in children]
        if children and all(name == "Item" for name, _ in children):
            return [value for _, value in children]
        if children:
            return self.fields(element)
        text = "".join(element.text)
        if key == "Item":
            return text
        if not text.strip():
            return [] if key in LISTS else {} if key in OBJECTS or key in ("Worker", "Trigger") else text
        return text if key in TEXTS or parent.key == "Settings" else typed(text.strip())

    def fields(self, element: _Element) -> dict[str, Any]:
        fields: dict[str, Any] = {}
        for name, value in element.children:
            if name == "Incremental Sort Groups":
                # Both kinds have one element name; whole sorts come first, and there are always some.
                name = "Pre-sorted Groups" if "Full-sort Groups" in fields else "Full-sort Groups"
            if name == "Sort Space":
                name = _sort_space(fields)
            if name == "Workers" and name in fields and WORKERS_NOTE not in self.notes:
                self.notes.append(WORKERS_NOTE)
            if not put(fields, name, value):
                raise XmlFault(f"the element {name[:60]!r} stands twice with different values", self.line())
        return fields


def _sort_space(groups: dict[str, Any]) -> str:
    """Space in memory and on disk have one element name too; memory comes first, the methods tell which is there."""
    methods = groups.get("Sort Methods Used") or []
    in_memory = any(not str(method).startswith("external") for method in methods)
    return "Sort Space Memory" if in_memory and "Sort Space Memory" not in groups else "Sort Space Disk"


def _key(tag: str) -> str:
    if "-" not in tag:
        return tag
    return _HYPHENED.get(tag) or tag.replace("I-O-", "I/O-").replace("-", " ")
