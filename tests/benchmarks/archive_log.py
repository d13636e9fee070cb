"""A generated server log: 80 % lines of other kinds, 20 % plans of the log module, in bytes.

The plans are of the shape and key order that release 16 prints with log_analyze and log_buffers; one in 25 holds a join
that is misestimated by two orders of magnitude (an assumption, no source). With `repeat`, 40 statements come again and
again with other literals, times and counts; without, each plan has its own tables, conditions and structure.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.benchmarks.test_join_speed import _hash, _nested_loop

PLANS_SHARE = 0.2
WRONG_SHARE = 0.04
STATEMENTS = 40
_TABLES = ("bookings", "huts", "bunks", "guests", "supply_flights", "weather_logs", "wardens", "trails")
_BUFFERS = [
    f"{where} {what} Blocks"
    for where, kinds in (
        ("Shared", ("Hit", "Read", "Dirtied", "Written")),
        ("Local", ("Hit", "Read", "Dirtied", "Written")),
        ("Temp", ("Read", "Written")),
    )
    for what in kinds
]
Node = dict[str, Any]


def write_log(path: Path, size: int, *, repeat: bool, seed: int = 1, wrong: float = WRONG_SHARE) -> int:
    """Write a stderr log of about `size` bytes; returns how many of them are the plans' own (JSON alone)."""
    plans_bytes = written = 0
    with path.open("wb") as out:
        for entry, plan in log_pieces(repeat=repeat, seed=seed, wrong=wrong):
            out.write(entry)
            written += len(entry)
            plans_bytes += plan
            if written >= size:
                return plans_bytes
    return plans_bytes


def log_pieces(*, repeat: bool, seed: int = 1, wrong: float = WRONG_SHARE) -> Iterator[tuple[bytes, int]]:
    """Entries without end, each with the bytes of its plan's JSON (0 for other lines)."""
    draw = random.Random(seed)
    second = 0
    number = 0
    while True:
        number += 1
        second += draw.randrange(3)
        document = plan_document(draw, number, repeat=repeat, wrong=draw.random() < wrong)
        body = json.dumps(document, indent=2)
        head = (
            f"{_stamp(second)} [{draw.randrange(4000, 4100)}] LOG:  duration: {document_ms(document):.3f} ms  plan:\n\t"
        )
        entry = (head + body.replace("\n", "\n\t") + "\n").encode()
        yield entry, len(body)
        lines: list[bytes] = []
        others = 0
        while others < len(entry) * (1 - PLANS_SHARE) / PLANS_SHARE:
            lines.append(_other_line(draw, second))
            others += len(lines[-1])
        yield b"".join(lines), 0


def plan_document(draw: random.Random, number: int, *, repeat: bool, wrong: bool) -> Node:
    """One object as the log module prints it."""
    statement = draw.randrange(STATEMENTS) if repeat else number
    shape = random.Random(statement * 7919 + wrong)
    if wrong:
        made = _hash(shape, statement) if statement % 2 else _nested_loop(shape, statement, indexed=True)
        tree = _printed(made, draw)
    else:
        tree = _tree(shape, draw, statement, repeat=repeat)
    query = (
        f"select b.id, h.name from bookings b join huts h on h.id = b.hut_id where b.nights = {draw.randrange(999)}"
        f" and b.kind_{statement} = 'k{draw.randrange(9999)}'"
    )
    return {"Query Text": query, "Plan": tree}


def document_ms(document: Node) -> float:
    """The duration that the log states."""
    return float(document["Plan"]["Actual Total Time"]) + 0.1


def _tree(shape: random.Random, draw: random.Random, statement: int, *, repeat: bool) -> Node:
    tree = _scan(shape, draw, statement, 0, repeat=repeat)
    for level in range(shape.randrange(1, 5)):
        inner = _scan(shape, draw, statement, level + 1, repeat=repeat)
        rows = shape.randrange(50, 5000)
        cond = f"(t{level}.id = t{level + 1}.t{level}_id)"
        if shape.random() < 0.5:
            build = _node(
                "Hash",
                draw,
                inner["Plan Rows"],
                [inner],
                {
                    "Hash Buckets": 1024,
                    "Original Hash Buckets": 1024,
                    "Hash Batches": 1,
                    "Original Hash Batches": 1,
                    "Peak Memory Usage": draw.randrange(9, 99),
                },
            )
            tree = _join("Hash Join", draw, rows, tree, build, {"Hash Cond": cond})
        else:
            loops = max(tree["Actual Rows"], 1)
            inner.update({"Actual Loops": loops, "Plan Rows": 1, "Actual Rows": 1, "Index Cond": cond})
            tree = _join("Nested Loop", draw, loops, tree, inner, {})
    if shape.random() < 0.5:
        tree = _node(
            "Sort",
            draw,
            tree["Plan Rows"],
            [tree],
            {
                "Sort Key": ["t0.nights", "t0.id DESC"],
                "Sort Method": "quicksort",
                "Sort Space Used": draw.randrange(20, 90),
                "Sort Space Type": "Memory",
            },
        )
    return tree


def _scan(shape: random.Random, draw: random.Random, statement: int, level: int, *, repeat: bool) -> Node:
    table = shape.choice(_TABLES) if repeat else f"{shape.choice(_TABLES)}_{statement}"
    rows = shape.randrange(50, 5000)
    by_index = shape.random() < 0.5
    more: Node = {"Relation Name": table, "Alias": f"t{level}"}
    if by_index:
        more = {
            "Scan Direction": "Forward",
            "Index Name": f"{table}_pkey",
            **more,
            "Index Cond": f"(t{level}.id = {draw.randrange(9999)})",
            "Rows Removed by Index Recheck": 0,
        }
    more |= {
        "Filter": f"((t{level}.nights > {draw.randrange(40)}) AND (t{level}.kind = 'k{draw.randrange(99)}'::text))",
        "Rows Removed by Filter": draw.randrange(99),
    }
    return _node("Index Scan" if by_index else "Seq Scan", draw, rows, [], more)


def _join(kind: str, draw: random.Random, rows: int, outer: Node, inner: Node, more: Node) -> Node:
    inputs = [{**_placed(outer, "Outer")}, {**_placed(inner, "Inner")}]
    return _node(kind, draw, rows, inputs, {"Join Type": "Inner", "Inner Unique": False, **more})


def _placed(node: Node, where: str) -> Node:
    return {
        "Node Type": node["Node Type"],
        "Parent Relationship": where,
        **{k: v for k, v in node.items() if k not in ("Node Type", "Parent Relationship")},
    }


def _node(kind: str, draw: random.Random, rows: int, plans: list[Node], more: Node) -> Node:
    startup = round(draw.random() * 9, 3)
    node: Node = {
        "Node Type": kind,
        "Parallel Aware": False,
        "Async Capable": False,
        **{
            k: v
            for k, v in more.items()
            if k in ("Join Type", "Scan Direction", "Index Name", "Relation Name", "Alias")
        },
        "Startup Cost": 0.42,
        "Total Cost": round(rows * 0.0125 + 12.5, 2),
        "Plan Rows": rows,
        "Plan Width": 24,
        "Actual Startup Time": startup,
        "Actual Total Time": round(startup + rows * 0.002, 3),
        "Actual Rows": max(int(rows * draw.uniform(0.5, 2)), 1),
        "Actual Loops": 1,
    }
    node |= more
    for name in _BUFFERS:
        node[name] = draw.randrange(500) if name == "Shared Hit Blocks" else 0
    if plans:
        node["Plans"] = [_placed(p, p.get("Parent Relationship", "Outer")) for p in plans]
    return node


def _printed(node: Node, draw: random.Random) -> Node:
    """A node of the join benchmark with the times and buffers that a log prints, and counts that vary."""
    below = [_printed(p, draw) for p in node.get("Plans", [])]
    rest = {k: v for k, v in node.items() if k not in ("Plans", "Actual Rows", "Actual Loops")}
    loops = int(node["Actual Loops"])
    out: Node = {
        **rest,
        "Actual Startup Time": 0.02,
        "Actual Total Time": round(draw.uniform(1, 90) / max(loops, 1), 3),
        "Actual Rows": int(node["Actual Rows"]),
        "Actual Loops": loops,
        **{name: draw.randrange(500) if name == "Shared Hit Blocks" else 0 for name in _BUFFERS},
    }
    if below:
        out["Plans"] = below
    return out


def _other_line(draw: random.Random, second: int) -> bytes:
    kind = draw.randrange(3)
    head = f"{_stamp(second)} [{draw.randrange(4000, 4100)}]"
    if kind == 0:
        return f"{head} LOG:  connection authorized: user=warden database=huts application_name=hut book\n".encode()
    if kind == 1:
        step = f"execute S_{draw.randrange(99)}: select * from guests where id = $1"
        return f"{head} LOG:  duration: {draw.random() * 9:.3f} ms  {step}\n".encode()
    where = f"where hut_id = {draw.randrange(999)}\n\t and id = {draw.randrange(9999)}"
    return f"{head} STATEMENT:  update bunks set taken = true\n\t {where}\n".encode()


def _stamp(second: int) -> str:
    day, rest = divmod(second, 86_400)
    return f"2026-07-{1 + day % 28:02d} {rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}.{second % 997:03d} UTC"
