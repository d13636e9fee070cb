"""A canary in everything that a capture, a log and an audit document hold: no command that masks lets one out."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.cli.running import rowreckon

CAPTURE = Path(__file__).parents[1] / "report" / "captures" / "stale-statistics.capture.json"
WORD = "Zirbelkanari"
NUMBER = 918273645
DAY = "1877-05-23"
REPORTS = ("r.html", "r.md", "r.json", "r.xml")

CONDITION = (
    f" AND (a <> '{WORD}'::text) AND (author <> 'O''{WORD}'::text) AND (day > '{DAY}'::date)"
    f" AND (b = ANY ('{{{WORD},\"{WORD} x\"}}'::text[])) AND (c < {NUMBER})"
    f" AND (d = E'\\\\{WORD}') AND (e = '{{\"{WORD}\": {NUMBER}}}'::jsonb) AND (f ~~ '%{WORD}%'::text)"
)
QUERY = (
    f"/* {WORD} /* {WORD} */ {WORD} */ SELECT $t${WORD}$t$, U&'{WORD}', B'101', {NUMBER}.5, date '{WORD}' -- {WORD}\n"
    f"FROM trail_reports WHERE a = N'{WORD}' AND interval '{WORD}' IS NULL AND x LIKE '{WORD}' ESCAPE '!'"
)
SERVER = f'invalid input: {WORD} is none, nor is "{WORD}" or {NUMBER}'
EXPRESSIONS = (
    "Filter", "Index Cond", "Recheck Cond", "Hash Cond", "Merge Cond", "Join Filter", "Output", "Sort Key", "Group Key",
    "One-Time Filter", "TID Cond", "Function Call", "Cache Key", "Run Condition", "Window", "Repeatable Seed",
)  # fmt: skip


def _planted() -> dict[str, Any]:
    """A real capture with canaries wherever it holds a text, and in keys that nobody knows."""
    document: dict[str, Any] = json.loads(CAPTURE.read_text("utf-8"))
    document["query"] = QUERY
    document["notes"] = [f"the planner could not be asked: {SERVER}", f"a note on '{WORD}' and {NUMBER}"]
    document["settings"] = {**(document.get("settings") or {}), "huts.token": WORD, "application_name": WORD}
    document["session"] = {"role": "warden", "settings": {"huts.token": WORD, "work_mem": "4MB"}}
    stack = [document["explain"][0]["Plan"]]
    while stack:
        node = stack.pop()
        stack += node.get("Plans", [])
        for key in EXPRESSIONS:
            held = node.get(key)
            if isinstance(held, str):
                node[key] = f"({held}{CONDITION})"
            elif isinstance(held, list):
                node[key] = [*held, f"(a = '{WORD}'::text)"]
        node.setdefault("Filter", f"((a = 1){CONDITION})")
        node["Foreign Program"] = f"cat {WORD} {NUMBER}"
        node["Huts"] = {"Warden": WORD, "Number": NUMBER, "List": [WORD, NUMBER]}
    document["explain"][0]["Query Parameters"] = f"$1 = '{WORD}', $2 = {NUMBER}"
    catalog = document["catalog"]
    if catalog is not None:
        for relation in catalog["relations"]:
            relation["partition_bound"] = f"FOR VALUES FROM ('{WORD}') TO ({NUMBER})"
            relation["definition"] = f"SELECT '{WORD}', {NUMBER}"
            for column in relation["columns"]:
                for row in column["statistics"]:
                    row["most_common_vals"] = [WORD] * len(row["most_common_freqs"])
                    row["histogram_bounds"] = [WORD, str(NUMBER)]
            for index in relation["indexes"]:
                index["predicate"] = f"(a = '{WORD}'::text)"
                index["definition"] = f"CREATE INDEX i ON t (a) WHERE a = '{WORD}' OR b = {NUMBER}"
        catalog["missing"] = [{"what": "figures", "why": f"{SERVER} (SQLSTATE 22P02)", "how": None, "relation": None}]
    return document


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Captures with canaries: one that ran, one that failed; and a file that is broken at one."""
    path = tmp_path_factory.mktemp("planted")
    document = _planted()
    (path / "ran.capture.json").write_text(json.dumps(document), "utf-8")
    failed = {**document, "explain": None, "outcome": "failed", "sqlstate": "22P02", "reason": SERVER}
    (path / "failed.capture.json").write_text(json.dumps(failed), "utf-8")
    (path / "broken.json").write_text(json.dumps([{"Plan": {"Node Type": "Seq Scan", "Plan Rows": WORD}}]), "utf-8")
    return path


def _leaks(texts: dict[str, str]) -> list[str]:
    """The outputs in which a canary stands, whole or grouped by thousands."""
    signs = (WORD, WORD.lower(), str(NUMBER), f"{NUMBER:,}", DAY)
    return [name for name, text in texts.items() if any(sign in text for sign in signs)]


def _audited(paths: list[str], out: Path, *options: str) -> dict[str, str]:
    out.mkdir(exist_ok=True)
    reports = [part for name in REPORTS for part in ("--report", str(out / name))]
    texts: dict[str, str] = {}
    for form in ("terminal", "markdown", "json"):
        done = rowreckon("audit", *paths, "--format", form, "--verbose", *options, *reports, COLUMNS="600")
        assert "Traceback" not in done.stderr
        assert done.stdout
        texts |= {form: done.stdout, f"{form} errors": done.stderr}
    return texts | {name: (out / name).read_text("utf-8") for name in REPORTS}


def test_the_canaries_are_there_before(folder: Path, tmp_path: Path) -> None:
    """The check can fail: unmasked, they stand in every format."""
    assert {"terminal", "json", "r.html", "r.md", "r.json"} <= set(_leaks(_audited([str(folder)], tmp_path / "out")))


def test_an_audit_of_captures_lets_none_out(folder: Path, tmp_path: Path) -> None:
    """In all formats, on standard error, and in the captures that are saved."""
    texts = _audited([str(folder)], tmp_path / "out", "--mask", "--save", str(tmp_path / "saved"))
    saved = {path.name: path.read_text("utf-8") for path in (tmp_path / "saved").iterdir()}

    assert len(saved) == 2
    assert _leaks(texts | saved) == []


def test_names_masked_as_well_let_none_out(folder: Path, tmp_path: Path) -> None:
    """Pseudonyms are put into what is masked already."""
    assert _leaks(_audited([str(folder)], tmp_path / "out", "--mask-names", str(tmp_path / "huts.key"))) == []


def test_documents_that_were_not_masked_let_none_out(folder: Path, tmp_path: Path) -> None:
    """An audit written without masking, then compared and used as a baseline with it."""
    before = tmp_path / "before.json"
    rowreckon("audit", str(folder / "ran.capture.json"), "--report", str(before))
    assert WORD in before.read_text("utf-8")
    texts: dict[str, str] = {}
    for form in ("terminal", "markdown", "json"):
        done = rowreckon("compare", str(before), str(folder), "--mask", "--verbose", "--format", form, COLUMNS="600")
        texts |= {f"compare {form}": done.stdout, f"compare {form} errors": done.stderr}
        assert done.stdout
    guard = ("--mask", "--fail-on", "crossed", "--baseline", str(before))
    texts |= _audited([str(folder / "ran.capture.json")], tmp_path / "out", *guard)

    assert _leaks(texts) == []


def _log(path: Path) -> Path:
    document = _planted()["explain"][0]
    plan = {"Query Text": QUERY, **document}
    body = json.dumps(plan, indent=2).replace("\n", "\n\t")
    entry = f"2026-07-01 10:00:00.000 UTC [4000] LOG:  duration: 12.000 ms  plan:\n\t{body}\n"
    path.write_text(entry * 3, "utf-8")
    return path


def _archive_outputs(log: Path, tmp_path: Path) -> Iterator[tuple[str, str]]:
    texts = _audited([str(log)], tmp_path / "out", "--mask")
    yield from texts.items()
    followed = rowreckon("audit", "-", "--mask", stdin=log.read_text("utf-8"))
    assert "q-error" in followed.stderr or followed.stdout
    yield "followed", followed.stdout
    yield "followed errors", followed.stderr


def test_an_archive_lets_none_out(tmp_path: Path) -> None:
    """A server log, folded, and read from standard input as it comes."""
    log = _log(tmp_path / "huts.log")
    plain = rowreckon("audit", str(log), "--format", "json")

    assert WORD in plain.stdout
    assert '"folds": [\n' in plain.stdout
    assert _leaks(dict(_archive_outputs(log, tmp_path))) == []


def test_what_an_archive_keeps_is_masked(tmp_path: Path) -> None:
    """The folds in a file hold no query with its literals."""
    duckdb = pytest.importorskip("duckdb")
    kept = tmp_path / "week.parquet"
    done = rowreckon("audit", str(_log(tmp_path / "huts.log")), "--mask", "--keep", str(kept))
    rows = duckdb.sql(f"select query from read_parquet('{kept}')").fetchall()

    assert done.returncode == 0, done.stderr
    assert [text for (text,) in rows if "trail_reports" in text]
    assert _leaks({"kept": str(rows)}) == []
