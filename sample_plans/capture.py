"""Makes every plan in this folder again, from real servers, and the index that says what each shows.

    python sample_plans/capture.py

PostgreSQL 18 is the embedded one; 13 to 17 are those that `.ci/matrix-servers` unpacks.  The database is the sample
network of mountain huts that `rowreckon demo` builds.  Row counts come out the same each time, times do not.
"""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from psycopg.types.json import set_json_loads

from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.own.binaries import wheel_root
from rowreckon.server.own.embedded import embedded_server
from rowreckon.server.own.rundir import cache_folder
from rowreckon.server.samples.build import build_samples, sample_queries

FOLDER = Path(__file__).parent
INDEX = FOLDER / "README.md"
LARGEST_BYTES = 30_000
NEWEST = 18
READ: list[str] = []

# From 18 the whole list; from each older release some queries whose plan or printing differs there.
OLDER = {
    13: ("stale-statistics", "memoize", "semi-join", "join-key-skew"),
    14: ("never-analysed", "memoize", "parallel-workers"),
    15: ("correlated-columns", "run-time-pruning", "anti-join"),
    16: ("multi-column-join-key", "merge-tail", "generic-plan"),
    17: ("expression-without-statistics", "reread-for-duplicates", "bitmap-and-or"),
}

# As psql prints them: aligned as on a terminal, and bare (-A -t) as people paste them.
AS_TEXT = {
    13: (("stale-statistics", ()),),
    17: (("correlated-columns", ()), ("parallel-workers", ("-A", "-t"))),
    18: (("memoize", ()), ("time-elsewhere", ("-A", "-t"))),
}


@dataclass(frozen=True)
class Plan:
    """One file of this folder."""

    file: str
    version: str
    item: QueryItem


def main() -> None:
    plans: list[Plan] = []
    for major in (*OLDER, NEWEST):
        with database(major) as dsn:
            plans += json_plans(dsn, major)
            plans += [text_plan(dsn, major, name, flags) for name, flags in AS_TEXT.get(major, ())]
    wanted = {plan.file for plan in plans}
    for stale in [*FOLDER.glob("*.json"), *FOLDER.glob("*.txt")]:
        if stale.name not in wanted:
            stale.unlink()
    INDEX.write_text(index(plans), encoding="utf-8")
    print(f"{len(plans)} plans in {FOLDER}")


@contextmanager
def database(major: int) -> Iterator[str]:
    """A server of this major with the sample database in it; its DSN."""
    matrix = Path(os.environ.get("ROWRECKON_MATRIX_DIR") or cache_folder() / "matrix")
    with embedded_server(installation=None if major == NEWEST else matrix / str(major)) as dsn:
        with connected(dsn) as connection:
            build_samples(connection)
        yield dsn


def remember(text: str | bytes) -> Any:
    """Parse as the driver would, but keep what the server wrote, figure by figure."""
    READ.append(text if isinstance(text, str) else text.decode())
    return json.loads(text)


def json_plans(dsn: str, major: int) -> Iterator[Plan]:
    """Run the queries through the executor and keep the server's own text of each plan."""
    with connected(dsn) as connection:
        set_json_loads(remember, connection)
        executor = Executor(connection, SafetyPermission())
        for item in sample_queries():
            if major != NEWEST and item.name not in OLDER[major]:
                continue
            run = executor.run(item)
            if run.outcome != "ran":
                raise SystemExit(f"{item.name} on {major}: {run.outcome}: {run.reason}")
            yield keep(item, major, "json", READ[-1] + "\n", version(connection))


def text_plan(dsn: str, major: int, name: str, flags: tuple[str, ...]) -> Plan:
    """Let psql print the plan."""
    item = next(item for item in sample_queries() if item.name == name)
    script = "".join(f"{statement};\n" for statement in ("begin read only", *item.settings))
    script += f"explain (analyze, buffers)\n{item.text};\n"
    done = subprocess.run(
        [wheel_root() / "bin" / "psql", "-X", "-q", "-v", "ON_ERROR_STOP=1", *flags, dsn],
        input=script,
        capture_output=True,
        text=True,
        check=True,
    )
    with connected(dsn) as connection:
        return keep(item, major, "txt", done.stdout, version(connection))


def keep(item: QueryItem, major: int, ending: str, text: str, server: str) -> Plan:
    """Write one file; an over-long one is an error rather than a surprise in somebody's clone."""
    name = f"{item.name}.{major}.{ending}"
    if len(text.encode()) > LARGEST_BYTES:
        raise SystemExit(f"{name} would have {len(text.encode())} bytes, more than {LARGEST_BYTES}")
    (FOLDER / name).write_text(text, encoding="utf-8")
    return Plan(name, server, item)


def version(connection: Any) -> str:
    return str(connection.execute("show server_version").fetchone()[0]).split()[0]


def index(plans: list[Plan]) -> str:
    """The README of the folder: a section a query, with its files, servers and SQL."""
    lines = [
        "# Sample plans",
        "",
        "Plans captured from real servers by `python sample_plans/capture.py`, which writes this page too; try one",
        "with `rowreckon audit sample_plans/stale-statistics.18.json`.  All of them come from one invented database,",
        "a network of mountain huts, which is the one that `rowreckon demo` builds.  `.json` is EXPLAIN (ANALYZE,",
        "VERBOSE, BUFFERS, SETTINGS, FORMAT JSON) as the server wrote it (with MEMORY from 17 on), `.txt` is what psql",
        "printed for EXPLAIN (ANALYZE, BUFFERS).",
        "",
        "| query | what it shows | plans (PostgreSQL) |",
        "| --- | --- | --- |",
    ]
    items = {plan.item.name: plan.item for plan in plans if plan.file.endswith(f".{NEWEST}.json")}
    for name, item in items.items():
        files = ", ".join(f"[{p.file}]({p.file}) ({p.version})" for p in plans if p.item.name == name)
        lines.append(f"| [{name}](#{name}) | {item.about} | {files} |")
    for name, item in items.items():
        lines += ["", f"## {name}", "", f"{(item.about or '')[:1].upper()}{(item.about or '')[1:]}.", "", "```sql"]
        before = [*item.settings, *(statement for _, statement in item.prepared)]
        lines += [f"{statement};" for statement in before]
        lines += [f"{item.text};", "```"]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
