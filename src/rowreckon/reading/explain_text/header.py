"""A node's first line: `->  Parallel Seq Scan on hut h  (cost=…) (actual …)`."""

from __future__ import annotations

import re
from typing import Any

from rowreckon.reading.explain_text.items import IDENTIFIER, number, unquoted

_SCANS = (
    "Seq Scan",
    "Sample Scan",
    "Tid Range Scan",
    "Tid Scan",
    "Subquery Scan",
    "Table Function Scan",
    "Function Scan",
    "Values Scan",
    "CTE Scan",
    "WorkTable Scan",
    "Named Tuplestore Scan",
    "Foreign Scan",
    "Bitmap Heap Scan",
    "Bitmap Index Scan",
    "Index Only Scan",
    "Index Scan",
)
_PLAIN = (
    "Result",
    "ProjectSet",
    "Merge Append",
    "Append",
    "Recursive Union",
    "BitmapAnd",
    "BitmapOr",
    "Gather Merge",
    "Gather",
    "Materialize",
    "Memoize",
    "Incremental Sort",
    "Sort",
    "WindowAgg",
    "Unique",
    "LockRows",
    "Limit",
    "Hash",
    "Group",
)
_JOINS = r"(?P<join>Nested Loop|Hash|Merge)(?: (?P<join_type>Left|Right|Full|Semi|Anti|Right Semi|Right Anti))? Join"
_AGGREGATE = r"(?:(?P<partial>Partial|Finalize) )?(?P<strategy>Hash|Group|Mixed)?Aggregate"
_SET = r"(?P<hashed>Hash)?SetOp (?P<command>(?:Except|Intersect)(?: All)?)"
_MODIFY = r"(?P<foreign>Foreign )?(?P<operation>Insert|Update|Delete|Merge)(?= on )"
_CUSTOM = r"Custom Scan \((?P<provider>[^()]*)\)"
_NAME = re.compile(
    rf"(?P<parallel>Parallel )?(?P<asynchronous>Async )?(?:{_JOINS}|(?P<loop>Nested Loop)|{_AGGREGATE}|{_SET}"
    rf"|{_MODIFY}|{_CUSTOM}|(?P<scan>{'|'.join(_SCANS)})(?P<backward> Backward)?|(?P<plain>{'|'.join(_PLAIN)}))"
    r"(?=\s|$)"
)
_INDEX = re.compile(rf"\s+using\s+(?P<index>{IDENTIFIER})")
_ON = re.compile(
    rf"\s+on\s+(?:(?P<schema>{IDENTIFIER})\.)?(?P<relation>{IDENTIFIER})(?:\s(?P<alias>{IDENTIFIER}))?(?=\s*$|\s+\()"
)
_FLOAT = r"[0-9]+(?:\.[0-9]+)?"
# Each blank belongs to one part only: a line of blanks costs its length and no more.
_FIGURES = re.compile(
    rf"(?:\s*\(cost=(?P<startup>{_FLOAT})\.\.(?P<total>{_FLOAT})\s+rows=(?P<rows>{_FLOAT})\s+width=(?P<width>-?\d+)\))?"
    rf"(?:\s*\(actual\s+(?:time=(?P<first>{_FLOAT})\.\.(?P<last>{_FLOAT})\s+)?rows=(?P<came>{_FLOAT})"
    r"\s+loops=(?P<loops>\d+)\)|\s*(?P<never>\(never executed\)))?\s*$"
)
_FIGURES_BEGIN = re.compile(r"\((?:cost=\d|actual (?:time|rows)=|never executed\))")
_ACTUAL = re.compile(
    rf"actual\s+(?:time=(?P<first>{_FLOAT})\.\.(?P<last>{_FLOAT})\s+)?rows=(?P<came>{_FLOAT})\s+loops=(?P<loops>\d+)$"
)
_STRATEGIES = {None: "Plain", "Hash": "Hashed", "Group": "Sorted", "Mixed": "Mixed"}
_JOIN_NODES = {"Nested Loop": "Nested Loop", "Hash": "Hash Join", "Merge": "Merge Join"}


def has_figures(text: str) -> bool:
    """Whether the line has a node's figures in parentheses."""
    return _FIGURES_BEGIN.search(text) is not None


def begins_with_figures(text: str) -> bool:
    """Whether the line is nothing but the figures, so that a node's name must stand on the line before."""
    return _FIGURES_BEGIN.match(text.lstrip()) is not None


def is_node_name(text: str) -> bool:
    """Whether the line begins with the name of a node that is known."""
    return _NAME.match(text) is not None


def parse_header(text: str) -> dict[str, Any] | None:
    """The keys that a node's line gives; None if the line is no node's. `text` has no indentation and no arrow."""
    try:
        return _parsed(text)
    except ValueError:
        # A number of thousands of digits: no server printed that.
        return None


def _parsed(text: str) -> dict[str, Any] | None:
    name = _NAME.match(text)
    if name is None:
        return _unknown(text)
    node = _identity(name)
    rest = name.end()
    if (index := _INDEX.match(text, rest)) is not None:
        node["Index Name"] = unquoted(index["index"])
        rest = index.end()
    if (relation := _ON.match(text, rest)) is not None:
        _put_relation(node, relation)
        rest = relation.end()
    figures = _FIGURES.match(text, rest)
    if figures is None:
        return None
    _put_figures(node, figures)
    return node


def parse_target(text: str) -> dict[str, Any] | None:
    """A line below ModifyTable that names one of several target tables; None if it is no such line."""
    name = _NAME.match(text)
    if name is None or name["operation"] is None:
        return None
    relation = _ON.match(text, name.end())
    if relation is None or relation.end() != len(text):
        return None
    target: dict[str, Any] = {}
    _put_name(target, "Relation Name", relation)
    return target


def put_actual(node: dict[str, Any], text: str) -> bool:
    """The actuals of a worker, as they stand behind `Worker 0:`."""
    match = _ACTUAL.match(text)
    if match is None:
        return False
    _put_actuals(node, match)
    return True


def _identity(name: re.Match[str]) -> dict[str, Any]:
    node: dict[str, Any] = {}
    if name["join"] or name["loop"]:
        node["Node Type"] = _JOIN_NODES[name["join"] or name["loop"]]
        node["Join Type"] = name["join_type"] or "Inner"
    elif name["operation"]:
        node["Node Type"] = "Foreign Scan" if name["foreign"] else "ModifyTable"
        node["Operation"] = name["operation"]
    elif name["command"]:
        node["Node Type"] = "SetOp"
        node["Strategy"] = "Hashed" if name["hashed"] else "Sorted"
        node["Command"] = name["command"]
    elif name["provider"] is not None:
        node["Node Type"] = "Custom Scan"
        node["Custom Plan Provider"] = name["provider"]
    elif name["scan"] or name["plain"]:
        node["Node Type"] = name["scan"] or name["plain"]
    else:
        node["Node Type"] = "Aggregate"
        node["Strategy"] = _STRATEGIES[name["strategy"]]
        node["Partial Mode"] = name["partial"] or "Simple"
    if node["Node Type"] == "Foreign Scan" and "Operation" not in node:
        node["Operation"] = "Select"
    node["Parallel Aware"] = bool(name["parallel"])
    if name["asynchronous"]:
        node["Async Capable"] = True
    if node["Node Type"] in ("Index Scan", "Index Only Scan"):
        node["Scan Direction"] = "Backward" if name["backward"] else "Forward"
    return node


# What stands behind "on" is something else for some nodes, and some have no name there but an alias alone.
_NAMED = {
    "Bitmap Index Scan": "Index Name",
    "CTE Scan": "CTE Name",
    "WorkTable Scan": "CTE Name",
    "Function Scan": "Function Name",
    "Table Function Scan": "Table Function Name",
    "Named Tuplestore Scan": "Tuplestore Name",
}
_ALIAS_ONLY = ("Subquery Scan", "Values Scan")


def _put_relation(node: dict[str, Any], match: re.Match[str]) -> None:
    kind = node["Node Type"]
    if kind == "Bitmap Index Scan":
        node["Index Name"] = unquoted(match["relation"])
    elif kind in _ALIAS_ONLY:
        node["Alias"] = unquoted(match["relation"])
    else:
        _put_name(node, _NAMED.get(kind, "Relation Name"), match)


def _put_name(node: dict[str, Any], key: str, match: re.Match[str]) -> None:
    node[key] = unquoted(match["relation"])
    if match["schema"]:
        node["Schema"] = unquoted(match["schema"])
    node["Alias"] = unquoted(match["alias"] or match["relation"])


def _put_figures(node: dict[str, Any], match: re.Match[str]) -> None:
    if match["startup"]:
        node["Startup Cost"] = number(match["startup"])
        node["Total Cost"] = number(match["total"])
        node["Plan Rows"] = number(match["rows"])
        node["Plan Width"] = int(match["width"])
    if match["loops"]:
        _put_actuals(node, match)
    elif match["never"]:
        node["Actual Rows"] = 0
        node["Actual Loops"] = 0


def _put_actuals(node: dict[str, Any], match: re.Match[str]) -> None:
    if match["first"]:
        node["Actual Startup Time"] = number(match["first"])
        node["Actual Total Time"] = number(match["last"])
    node["Actual Rows"] = number(match["came"])
    node["Actual Loops"] = int(match["loops"])


def _unknown(text: str) -> dict[str, Any] | None:
    """A node of a type that is not known, recognised by its figures: kept under the name that the line gives."""
    begin = _FIGURES_BEGIN.search(text)
    if begin is None or begin.start() == 0 or not text[:1].isupper():
        return None
    figures = _FIGURES.match(text, begin.start())
    if figures is None:
        return None
    words = text[: begin.start()].strip()
    node: dict[str, Any] = {}
    kind, _, target = words.partition(" on ")
    kind, _, index = kind.partition(" using ")
    node["Node Type"] = kind.removeprefix("Parallel ")
    node["Parallel Aware"] = kind.startswith("Parallel ")
    if index:
        node["Index Name"] = unquoted(index)
    if target and (relation := _ON.match(f" on {target}")) is not None:
        _put_name(node, "Relation Name", relation)
    _put_figures(node, figures)
    return node
