"""The lines below a node, each turned into the keys that FORMAT JSON has for it."""

from __future__ import annotations

import re
from typing import Any

from rowreckon.reading.explain_text.items import listed, number

TEXTS = frozenset(
    (
        "Index Cond",
        "Recheck Cond",
        "Order By",
        "Filter",
        "TID Cond",
        "Hash Cond",
        "Merge Cond",
        "Join Filter",
        "One-Time Filter",
        "Run Condition",
        "Function Call",
        "Table Function Call",
        "Cache Key",
        "Cache Mode",
        "Remote SQL",
        "Relations",
        "Foreign File",
        "Foreign Program",
        "Conflict Resolution",
        "Conflict Filter",
        "Window",
    )
)
LISTS = frozenset(("Output", "Sort Key", "Presorted Key", "Group Key", "Params Evaluated", "Conflict Arbiter Indexes"))
NUMBERS = frozenset(
    (
        "Rows Removed by Filter",
        "Rows Removed by Join Filter",
        "Rows Removed by Index Recheck",
        "Rows Removed by Conflict Filter",
        "Heap Fetches",
        "Index Searches",
        "Workers Planned",
        "Workers Launched",
        "Subplans Removed",
        "Tuples Inserted",
        "Conflicting Tuples",
        "Batch Size",
        "Foreign File Size",
    )
)
FLAGS = frozenset(("Inner Unique", "Single Copy", "Disabled"))
_GROUPS = ("Full-sort Groups", "Pre-sorted Groups")
SPECIAL = frozenset(
    (
        "Heap Blocks",
        "Sort Method",
        "Buckets",
        "Batches",
        "Planned Partitions",
        "Hits",
        "Storage",
        "Buffers",
        "I/O Timings",
        "WAL",
        "Tuples",
        "Sampling",
        "Hash Key",
        *_GROUPS,
    )
)
LABELS = TEXTS | LISTS | NUMBERS | FLAGS | SPECIAL

_BLANKS = re.compile(r" {2,}")
_LABEL = re.compile(r"([A-Z][A-Za-z/ -]{0,60}?):(?: +|$)")
_LEADING_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?")
_FIELD = re.compile(r"([A-Za-z][A-Za-z -]{0,30}?)[:=] ?(\S{1,40}?)(?:kB)?(?= |,|$)")
_HASH = re.compile(
    r"Buckets: (\d+)(?: \(originally (\d+)\))? +Batches: (\d+)(?: \(originally (\d+)\))? +Memory Usage: (\d+)kB"
)
_SORT = re.compile(r"Sort Method: (.+?) +(Memory|Disk): (\d+)kB$")
_GROUP = re.compile(r"(?:Full-sort|Pre-sorted) Groups: (\d+) +Sort Methods?: (.+?) +(?=Average )")
_SPACE = re.compile(r"Average (Memory|Disk): (\d+)kB +Peak (?:Memory|Disk): (\d+)kB")
_OF_SEVERAL = frozenset(("Sort Method", "Buckets", "Batches", "Hits", "Storage", "Sampling", *_GROUPS))
_BLOCKS = ("hit", "read", "dirtied", "written")
_CACHE = {"Hits", "Misses", "Evictions", "Overflows"}


def label_of(text: str) -> str | None:
    """The label before the first colon, if the line has one."""
    match = _LABEL.match(text)
    return match[1] if match is not None else None


def put_detail(node: dict[str, Any], label: str, text: str) -> bool:
    """Add the keys of one line to `node`; False if the line is not understood."""
    value = text[len(label) + 1 :].strip(" ")
    if label in TEXTS:
        node[label] = value
    elif label in LISTS:
        node[label] = listed(value)
    elif label in NUMBERS:
        match = _LEADING_NUMBER.match(value)
        if match is None:
            return False
        node[label] = number(match.group())
    elif label in FLAGS:
        node[label] = value == "true"
    elif label in SPECIAL:
        try:
            return _SPECIAL[label](node, _BLANKS.sub("  ", text))
        except ValueError:
            # A figure is damaged: the line is kept as text.
            return False
    else:
        return False
    return True


def is_whole(text: str) -> bool:
    """Whether a line of several figures has them all; other lines always are."""
    label = label_of(text)
    if label == "Options":
        return "Deforming " in text and text.endswith(("true", "false"))
    if label == "Timing":
        return "Total " in text and text.endswith("ms")
    if label not in _OF_SEVERAL:
        return True
    return text.endswith(("kB", ")")) and put_detail({}, label, text)


def _fields(text: str) -> dict[str, str]:
    return {key.strip(): value for key, value in _FIELD.findall(text)}


def _heap_blocks(node: dict[str, Any], text: str) -> bool:
    fields = _fields(text.partition(":")[2])
    node["Exact Heap Blocks"] = int(fields.get("exact", 0))
    node["Lossy Heap Blocks"] = int(fields.get("lossy", 0))
    return True


def _sort_method(node: dict[str, Any], text: str) -> bool:
    match = _SORT.match(text)
    if match is None:
        return False
    node["Sort Method"], node["Sort Space Type"], node["Sort Space Used"] = match[1], match[2], int(match[3])
    return True


def _sort_groups(node: dict[str, Any], text: str) -> bool:
    # Release 13 could print both kinds on one line.
    label = text.partition(":")[0]
    match = _GROUP.match(text)
    if match is None:
        return False
    groups: dict[str, Any] = {"Group Count": int(match[1]), "Sort Methods Used": match[2].split(", ")}
    for kind, average, peak in _SPACE.findall(text):
        groups[f"Sort Space {kind}"] = {"Average Sort Space Used": int(average), "Peak Sort Space Used": int(peak)}
    node[label] = groups
    return True


def _hash(node: dict[str, Any], text: str) -> bool:
    match = _HASH.match(text)
    if match is None:
        return False
    buckets, first_buckets, batches, first_batches, memory = match.groups()
    node["Hash Buckets"] = int(buckets)
    # The original number is printed only where it was another.
    node["Original Hash Buckets"] = int(first_buckets or buckets)
    node["Hash Batches"] = int(batches)
    node["Original Hash Batches"] = int(first_batches or batches)
    node["Peak Memory Usage"] = int(memory)
    return True


def _aggregate(node: dict[str, Any], text: str) -> bool:
    fields = _fields(text)
    if "Planned Partitions" in fields:
        node["Planned Partitions"] = int(fields["Planned Partitions"])
    if "Batches" in fields:
        if "Memory Usage" not in fields:
            return False
        node["HashAgg Batches"] = int(fields["Batches"])
        node["Peak Memory Usage"] = int(fields["Memory Usage"])
        node["Disk Usage"] = int(fields.get("Disk Usage", 0))
    return True


def _memoize(node: dict[str, Any], text: str) -> bool:
    fields = _fields(text)
    if "Memory Usage" not in fields:
        return False
    for name in sorted(_CACHE & set(fields)):
        node[f"Cache {name}"] = int(fields[name])
    node["Peak Memory Usage"] = int(fields["Memory Usage"])
    return True


def _storage(node: dict[str, Any], text: str) -> bool:
    fields = _fields(text)
    if "Maximum Storage" not in fields:
        return False
    node["Storage"] = fields["Storage"]
    node["Maximum Storage"] = int(fields["Maximum Storage"])
    return True


def put_buffers(node: dict[str, Any], text: str) -> bool:
    """`Buffers: shared hit=1 read=2, temp written=3`: what is not printed is zero."""
    for part in text.partition(":")[2].split(","):
        kind, _, counts = part.strip().partition(" ")
        for name, count in re.findall(r"(\w+)=(\d+)", counts):
            node[f"{kind.capitalize()} {name.capitalize()} Blocks"] = int(count)
    fill_buffers(node)
    return True


def fill_buffers(node: dict[str, Any]) -> None:
    """Zero for each of the ten counts that is absent: TEXT leaves out what is zero, JSON does not."""
    for kind in ("Shared", "Local"):
        for name in _BLOCKS:
            node.setdefault(f"{kind} {name.capitalize()} Blocks", 0)
    node.setdefault("Temp Read Blocks", 0)
    node.setdefault("Temp Written Blocks", 0)


_IO_NAMES = {"": "", "shared/local": "", "shared": "Shared ", "local": "Local ", "temp": "Temp "}


def put_io_timings(node: dict[str, Any], text: str) -> bool:
    """Up to 14 one pair of times; 15 and 16 tell temporary files apart; from 17 shared and local are apart too."""
    for part in text.partition(":")[2].split(","):
        kind = part.strip().partition(" ")[0]
        if kind not in _IO_NAMES:
            kind = ""
        for name, time in re.findall(r"(read|write)=([0-9]+(?:\.[0-9]+)?)", part):
            node[f"{_IO_NAMES[kind]}I/O {name.capitalize()} Time"] = number(time)
    return True


def put_wal(node: dict[str, Any], text: str) -> bool:
    """`WAL: records=1 fpi=2 bytes=3`, from 18 `buffers full=4` too."""
    fields = _fields(text.partition(":")[2].strip())
    names = {"records": "WAL Records", "fpi": "WAL FPI", "bytes": "WAL Bytes", "buffers full": "WAL Buffers Full"}
    for name, count in fields.items():
        if name in names:
            node[names[name]] = int(count)
    return True


def _merge_tuples(node: dict[str, Any], text: str) -> bool:
    fields = _fields(text.partition(":")[2].strip())
    for name in ("inserted", "updated", "deleted", "skipped"):
        node[f"Tuples {name.capitalize()}"] = int(fields.get(name, 0))
    return True


def _sampling(node: dict[str, Any], text: str) -> bool:
    method, opening, rest = text.partition(":")[2].strip().partition(" (")
    if not opening or not rest.endswith(")"):
        return False
    parameters, repeatable, seed = rest[:-1].rpartition(") REPEATABLE (")
    node["Sampling Method"] = method
    node["Sampling Parameters"] = listed(parameters if repeatable else seed)
    if repeatable:
        node["Repeatable Seed"] = seed
    return True


def _hash_key(node: dict[str, Any], text: str) -> bool:
    node.setdefault("Grouping Sets", []).append({"Hash Keys": [listed(text.partition(":")[2].strip())]})
    return True


_SPECIAL = {
    "Heap Blocks": _heap_blocks,
    "Sort Method": _sort_method,
    "Full-sort Groups": _sort_groups,
    "Pre-sorted Groups": _sort_groups,
    "Buckets": _hash,
    "Batches": _aggregate,
    "Planned Partitions": _aggregate,
    "Hits": _memoize,
    "Storage": _storage,
    "Buffers": put_buffers,
    "I/O Timings": put_io_timings,
    "WAL": put_wal,
    "Tuples": _merge_tuples,
    "Sampling": _sampling,
    "Hash Key": _hash_key,
}
