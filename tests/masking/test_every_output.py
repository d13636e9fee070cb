"""Canaries in the data, the objects and the queries of a server: none is in any output of any command that masks."""

from __future__ import annotations

import gzip
import json
import subprocess
from pathlib import Path

import psycopg
import pytest

from rowreckon.captures.capture_file import read_written
from rowreckon.catalog.wanted import wanted_facts
from rowreckon.plan import lay_out
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.sql.masking import MASKED
from tests.cli.running import rowreckon_long
from tests.reading.psql import psql_program

from .outputs import leaks, outputs, told
from .positions import CANARY
from .scene import CONDITIONS, GIVEN, LIST, PARAMETERS, SCRIPT

_OTHERS = ("text", "xml", "yaml")
_QUICK = ("--time-limit", "2s", "--no-alternatives")


@pytest.fixture(scope="module")
def scene(database: str) -> str:
    """DSN of the database with canaries."""
    with psycopg.connect(database, autocommit=True) as connection:
        for statement in SCRIPT.split(";\n"):
            if statement.strip():
                connection.execute(statement.encode())
    return database


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the tests hand on: plans, captures, answers."""
    return tmp_path_factory.mktemp("canaries")


@pytest.fixture(scope="module")
def plans(scene: str, folder: Path) -> Path:
    """The list's plans as JSON and in one of EXPLAIN's other formats, in turns, taken without a thought of masking."""
    path = folder / "plans"
    path.mkdir()
    with psycopg.connect(scene, autocommit=True) as connection:
        for number, item in enumerate(read_query_list(LIST)):
            if (
                item.kind not in ("query", "execute")
                or item.parameters
                or item.name.split()[0] in ("fails", "is", "takes")
            ):
                continue
            for form in ("json", _OTHERS[number % len(_OTHERS)]):
                connection.execute(b"deallocate all")
                with connection.transaction(force_rollback=True):
                    for statement in (*item.settings, *(text for _, text in item.prepared)):
                        connection.execute(statement.encode())
                    options = f"analyze, verbose, settings, format {form}"
                    rows = connection.execute(f"explain ({options}) {item.text}".encode()).fetchall()
                text = json.dumps(rows[0][0]) if form == "json" else "\n".join(str(row[0]) for row in rows)
                (path / f"{number:02}.{form}").write_text(text, "utf-8")
    return path


def _written(path: Path, text: str) -> str:
    path.write_text(text, "utf-8")
    return str(path)


def _clean(text: str) -> None:
    assert leaks(text) == []


def test_the_canaries_are_there(plans: Path, tmp_path: Path) -> None:
    """Without --mask they are found in the same outputs, so that finding none proves something."""
    text = outputs(tmp_path / "o", "audit", str(plans), "--save", str(tmp_path / "o" / "captures"))
    for part in ("== terminal", "== json", "== report.html", "== report.md", "== report.json"):
        assert leaks(text.split(part, 1)[1].split("\n== ", 1)[0]), part
    assert len(told(text)["plans"]) >= len(CONDITIONS) * 2


def test_plans_of_all_formats(plans: Path, tmp_path: Path) -> None:
    """Audited without a server; the masked plans tell as many joins and nodes as the plain ones."""
    text = outputs(tmp_path / "o", "audit", str(plans), "--mask", "--save", str(tmp_path / "o" / "captures"))
    _clean(text)
    plain = json.loads(rowreckon_long("audit", str(plans), "--format", "json").stdout)
    masked = told(text)
    assert masked["summary"] == plain["summary"]
    assert [len(plan["nodes"]) for plan in masked["plans"]] == [len(plan["nodes"]) for plan in plain["plans"]]
    _clean(rowreckon_text("audit", str(plans), "--mask-names", str(tmp_path / "key")))


def test_with_a_server_and_the_query(scene: str, plans: Path, tmp_path: Path) -> None:
    """Statistics' values, predicates, bounds and expressions of the catalog, and the planner asked about the query."""
    save = ("--save", str(tmp_path / "o" / "captures"), "--with-values")
    some = [str(path) for path in sorted(plans.iterdir())[::3]]
    _clean(outputs(tmp_path / "o", "audit", *some, "--dsn", scene, "--mask", *save))
    query = next(item.text for item in read_query_list(LIST) if item.name == "late")
    for number, text in enumerate((query, query.replace("limit", f"and '{CANARY}'::int > 1 limit"), f"'{CANARY}")):
        path = _written(tmp_path / f"{number}.sql", text)
        late = next(p for p in sorted(plans.glob("*.json")) if "kind late" in p.read_text())
        _clean(outputs(tmp_path / f"q{number}", "audit", str(late), "--dsn", scene, "--query", path, "--mask"))


def test_an_answer_of_a_colleague(scene: str, plans: Path, tmp_path: Path) -> None:
    """The script of `ask`, run by psql, with sampled values; then answers that are damaged."""
    some = [str(path) for path in sorted(plans.glob("*.json"))[::3]]
    script = rowreckon_long("ask", *some, "--with-values")
    assert script.returncode == 0, script.stderr
    done = subprocess.run(
        [psql_program(), "-X", "-q", scene], input=script.stdout, capture_output=True, text=True, check=True
    )
    assert CANARY in done.stdout
    answer = _written(tmp_path / "answer.txt", done.stdout)
    save = ("--save", str(tmp_path / "o" / "captures"), "--with-values")
    _clean(outputs(tmp_path / "o", "audit", *some, "--facts", answer, "--mask", *save))
    for number, damage in enumerate(
        (done.stdout[: len(done.stdout) // 2], f"{CANARY}\n", done.stdout.replace('":', "':"))
    ):
        facts = _written(tmp_path / f"{number}.txt", damage)
        _clean(outputs(tmp_path / f"d{number}", "audit", some[0], "--facts", facts, "--mask"))


def test_a_script_without_the_plans_literals(scene: str, plans: Path, tmp_path: Path) -> None:
    """`ask --mask` writes none of them down; the answer still serves the plan's audit with the catalog's facts."""
    some = [str(path) for path in sorted(plans.glob("*.json"))[::3]]
    script = _written(tmp_path / "bad.json", f"{CANARY} is no plan")
    done = rowreckon_long("ask", *some, script, "--mask", "--with-values")
    assert done.returncode == 2, done.stderr
    _clean(done.stdout + done.stderr)
    psql = [str(psql_program()), "-X", "-q", scene]
    printed = subprocess.run(psql, input=done.stdout, capture_output=True, text=True, check=True).stdout
    answer = _written(tmp_path / "answer.txt", printed)
    masked = outputs(tmp_path / "o", "audit", *some, "--facts", answer, "--mask")
    _clean(masked)
    bases = {join["basis"] for plan in told(masked)["plans"] for join in plan["joins"]}
    assert "catalog" in bases
    plain = rowreckon_long("audit", *some, "--facts", answer, "--format", "json")
    assert plain.returncode == 0, plain.stderr


def test_masked_captures_with_a_server(scene: str, plans: Path, tmp_path: Path) -> None:
    """A masked capture is audited with the server's facts, and the server is asked about none of its stars."""
    save = tmp_path / "masked"
    done = rowreckon_long("audit", str(plans), "--mask", "--save", str(save), "--format", "json")
    assert done.returncode == 0, done.stderr
    trees = [
        lay_out(capture.explain.plan)
        for capture, _ in map(read_written, sorted(save.glob("*.capture.json")))
        if capture.explain is not None
    ]
    assert len(trees) >= len(CONDITIONS)
    request = wanted_facts(trees)
    assert request.texts
    assert [text.sql for text in request.texts if MASKED in text.sql] == []

    asked = rowreckon_long("audit", str(save), "--dsn", scene, "--format", "json")
    assert asked.returncode == 0, asked.stderr
    assert "catalog" in {join["basis"] for plan in json.loads(asked.stdout)["plans"] for join in plan["joins"]}


@pytest.fixture(scope="module")
def captures(scene: str, folder: Path) -> Path:
    """Captures of a sweep without masking."""
    path = folder / "captures"
    query_list = _lists(folder)
    done = rowreckon_long(
        "sweep", query_list, "--dsn", scene, *_QUICK, "--save", str(path), "--with-values", "--format", "json"
    )
    assert done.returncode == 2, done.stderr  # some of its queries fail, on purpose
    assert leaks(done.stdout)
    assert leaks("".join(p.read_text() for p in path.iterdir()))
    return path


def _lists(folder: Path) -> str:
    _written(folder / "list.toml", PARAMETERS)
    return _written(folder / "list.sql", LIST)


@pytest.mark.full
def test_sweep(scene: str, tmp_path: Path) -> None:
    """A list with queries that run, fail, are refused, take too long and can't be read."""
    path = _lists(tmp_path)
    save = ("--save", str(tmp_path / "o" / "captures"), "--with-values")
    done = outputs(tmp_path / "o", "sweep", path, "--dsn", scene, *_QUICK, "--mask", *save)
    _clean(done)
    outcomes = {plan["source"]: plan["outcome"] for plan in told(done)["plans"]}
    assert outcomes["late"] == "ran"
    assert outcomes["fails by a cast"] == outcomes["fails to be planned"] == "failed"
    assert outcomes["is refused"] == outcomes["writes"] == outcomes["unended"] == "refused"
    more = ("--contest", "--probe", "--total-time", "20s", "--time-limit", "1s", "--mask-names", str(tmp_path / "key"))
    _clean(rowreckon_text("sweep", path, "--dsn", scene, *more))


def rowreckon_text(*arguments: str) -> str:
    """What a run prints, both streams."""
    done = rowreckon_long(*arguments)
    assert done.returncode in (0, 1, 2), done.stderr
    return done.stdout + done.stderr


@pytest.mark.full
def test_captures_and_audits_that_are_compared(captures: Path, tmp_path: Path) -> None:
    """Captures audited, compared with each other and with an audit that was written without masking."""
    _clean(outputs(tmp_path / "o", "audit", str(captures), "--mask", "--save", str(tmp_path / "o" / "again")))
    audit = _written(tmp_path / "audit.json", rowreckon_long("audit", str(captures), "--format", "json").stdout)
    for number, pair in enumerate(((audit, audit), (str(captures), audit), (audit, str(captures)))):
        _clean(outputs(tmp_path / f"c{number}", "compare", *pair, "--mask", reports=("md", "json")))
    _clean(outputs(tmp_path / "b", "audit", str(captures), "--mask", "--baseline", audit))


@pytest.mark.full
@pytest.mark.parametrize("where", [(), ("--in-place",)])
def test_trial(scene: str, tmp_path: Path, where: tuple[str, ...]) -> None:
    """Changes are tried with their literals, and told without."""
    kept = ("late", "barrier", "condition 0", "condition 17", "partitions", "fails by a cast", "given")
    items = LIST.split("-- name: ")
    chosen = items[0] + "".join(f"-- name: {item}" for item in items[1:] if item.splitlines()[0] in kept)
    path = _written(tmp_path / "list.sql", chosen)
    _written(tmp_path / "list.toml", GIVEN)
    reports = [part for ending in ("html", "md", "json", "xml") for part in ("--report", str(tmp_path / f"r.{ending}"))]
    done = rowreckon_long(
        "trial", path, "--dsn", scene, "--yes", "--time-limit", "5s", *where, "--mask", *reports, "-v"
    )
    assert done.returncode in (0, 2), done.stderr
    written = "".join(p.read_text() for p in tmp_path.glob("r.*"))
    _clean(done.stdout + done.stderr + written)
    assert '"trial":{' in written.replace(" ", "").replace('"trial":null', "")


@pytest.mark.full
def test_logs_and_what_is_kept_of_them(plans: Path, tmp_path: Path) -> None:
    """auto_explain's entries in each form of a log, with the query's text and its parameters; folds in both forms."""
    logs = tmp_path / "logs"
    logs.mkdir()
    queries = {item.text for item in read_query_list(LIST) if item.kind == "query"}
    for form in ("json", "text"):
        lines: list[str] = []
        csv_lines: list[str] = []
        json_lines: list[str] = []
        for path in sorted(plans.glob(f"*.{form}"))[::2]:
            plan = path.read_text("utf-8")
            query = sorted(queries)[len(lines) % len(queries)]
            body = plan.replace("\n", "\n\t")
            if form == "json":
                document = {"Query Text": query, "Query Parameters": f"$1 = '{CANARY}'", **json.loads(plan)[0]}
                body = json.dumps(document, indent=2).replace("\n", "\n\t")
                message = f"duration: 5.000 ms  plan:\n{json.dumps(document, indent=2)}"
            else:
                head = f"Query Text: {query}\nQuery Parameters: $1 = '{CANARY}'\n"
                body = (head + plan).replace("\n", "\n\t")
                message = f"duration: 5.000 ms  plan:\n{head}{plan}"
            lines.append(f"2026-07-01 10:00:00.000 UTC [7] LOG:  duration: 5.000 ms  plan:\n\t{body}\n")
            lines.append(f"2026-07-01 10:00:01.000 UTC [7] ERROR:  value {CANARY} too long\n")
            lines.append(f"2026-07-01 10:00:01.000 UTC [7] STATEMENT:  select '{CANARY}'\n")
            quoted = message.replace('"', '""')
            csv_lines.append(
                f'2026-07-01 10:00:00.000 UTC,"u","d",7,"x",1.1,1,"SELECT",2026-07-01 09:00:00 UTC,1/2,0,LOG,00000,'
                f'"{quoted}",,,,,,,,,"","client backend",,0\n'
            )
            json_lines.append(
                json.dumps({"timestamp": "2026-07-01 10:00:00.000 UTC", "error_severity": "LOG", "message": message})
                + "\n"
            )
        _written(logs / f"{form}.log", "".join(lines))
        _written(logs / f"{form}.csv", "".join(csv_lines))
        _written(logs / f"{form}.json", "".join(json_lines))
        (logs / f"{form}.log.gz").write_bytes(gzip.compress("".join(lines).encode()))
    for ending in ("parquet", "duckdb"):
        kept = tmp_path / f"o.{ending}"
        kept.mkdir()
        text = outputs(kept, "audit", str(logs), "--mask", "--keep", str(kept / f"week.{ending}"))
        assert told(text)["folds"]
        _clean(text)
        _clean(
            outputs(tmp_path / f"b.{ending}", "audit", str(logs), "--mask", "--before", str(kept / f"week.{ending}"))
        )
    whole = gzip.compress((logs / "json.log").read_bytes())[:-20]
    (logs / "broken.log.gz").write_bytes(whole)
    _clean(outputs(tmp_path / "broken", "audit", str(logs / "broken.log.gz"), "--mask", "--no-judge"))


@pytest.mark.full
def test_inputs_that_cannot_be_read(plans: Path, scene: str, tmp_path: Path) -> None:
    """What is said of a bad input repeats no value of it; keys are EXPLAIN's own words."""
    plan = next(iter(sorted(plans.glob("*.json")))).read_text("utf-8")
    bad = tmp_path / "bad"
    bad.mkdir()
    spoiled = {
        "cut.json": plan[: plan.index(CANARY) + 5],
        "words.json": f"{CANARY} is no plan",
        "key.json": plan.replace('"Plan Rows":', '"Planned":', 1),
        "rows.json": plan.replace('"Plan Rows": ', f'"Plan Rows": "{CANARY}", "x": ', 1),
        "type.json": plan.replace('"Hash Cond": "', f'"Hash Cond": {{"a": "{CANARY}"}}, "y": "', 1),
        "unknown.json": plan.replace('"Plan": {', f'"Plan": {{"New Key": "{CANARY}", "Other": ["{CANARY}"], ', 1),
        "number.json": plan.replace('"Plan": {', '"Plan": {"Actual Loops": 918273645e999, ', 1),
        "bad.xml": f"<explain xmlns='http://www.postgresql.org/2009/explain'><Query><{CANARY}></Query>",
        "entity.xml": f"<!DOCTYPE a [<!ENTITY e '{CANARY}'>]><explain>&e;</explain>",
        "bad.yaml": f'- Plan:\n    Node Type: "{CANARY}\n  bad: [',
        "text.txt": f"Seq Scan on huts  (cost={CANARY} rows=1 width=4)\n  Filter: (a = '{CANARY}')\n  Odd: {CANARY}\n",
        "facts.capture.json": json.dumps({"schema": "rowreckon.capture/1", "name": "n", "settings": {"a": [CANARY]}}),
    }
    for name, text in spoiled.items():
        _written(bad / name, text)
    save = ("--save", str(tmp_path / "o" / "captures"))
    _clean(outputs(tmp_path / "o", "audit", str(bad), "--mask", *save))
    good = _written(tmp_path / "good.json", plan)
    for number, name in enumerate(sorted(spoiled)):
        for option in ("--facts", "--baseline"):
            _clean(rowreckon_text("audit", good, "--mask", option, str(bad / name)) if number % 3 == 0 else "")
    for parameters in (
        f"late = '{CANARY}'",
        f"[late\nx = '{CANARY}'",
        f"none = ['{CANARY}']",
        f"given = ['{CANARY}']",
    ):
        _lists(tmp_path)
        _written(tmp_path / "list.toml", parameters)
        _clean(rowreckon_text("sweep", str(tmp_path / "list.sql"), "--dsn", scene, "--mask", *_QUICK))
    _clean(rowreckon_text("sweep", _lists(tmp_path), "--dsn", scene, "--mask", "--set", f"work_mem={CANARY}", *_QUICK))
