"""`rowreckon audit` and `rowreckon schema` as a person or a script uses them."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from rowreckon import audit, read_path
from rowreckon.document.audit import Audit
from tests.cli.running import SAMPLES, rowreckon

COLOUR = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-8]|4[0-8]|9[0-7])[;m]")
ALL = sorted(p for p in SAMPLES.iterdir() if p.suffix in (".json", ".txt"))


def test_a_folder_is_audited_in_order_of_names() -> None:
    """Every plan of the folder, sorted; nothing rejected."""
    done = rowreckon("audit", str(SAMPLES), "--format", "json")
    document = json.loads(done.stdout)

    assert done.returncode == 0, done.stderr
    assert [plan["source"] for plan in document["plans"]] == [str(p) for p in ALL]
    assert document["rejected"] == []
    assert document["summary"]["plans"] == len(ALL) >= 15


@pytest.mark.parametrize("path", [p for p in ALL if p.name.startswith(("limit", "memoize.18"))], ids=lambda p: p.name)
def test_standard_input_gives_the_same_audit(path: Path) -> None:
    """A pasted plan and a plan file differ in their source only."""
    from_file = json.loads(rowreckon("audit", str(path), "--format", "json").stdout)
    pasted = json.loads(rowreckon("audit", "-", "--format", "json", stdin=path.read_text()).stdout)
    assert pasted["plans"][0].pop("source") == "-"
    assert from_file["plans"][0].pop("source") == str(path)

    assert pasted == from_file


def test_output_is_a_valid_document_and_deterministic() -> None:
    """The JSON is the contract's document, byte for byte the same each time."""
    one = rowreckon("audit", str(SAMPLES), "--format", "json").stdout
    two = rowreckon("audit", str(SAMPLES), "--format", "json").stdout

    assert one == two
    assert Audit.model_validate_json(one).to_json() == one


def test_schema_names_every_key_of_the_output() -> None:
    """`rowreckon schema` describes what is printed."""
    schema = json.loads(rowreckon("schema").stdout)
    document = json.loads(rowreckon("audit", str(ALL[0]), "--format", "json").stdout)

    assert schema["$schema"].startswith("https://json-schema.org/")
    assert set(document) == set(schema["properties"])
    assert set(document["plans"][0]) == set(schema["$defs"]["Plan"]["properties"])
    assert set(document["plans"][0]["nodes"][0]) == set(schema["$defs"]["Node"]["properties"])


def test_exit_status_1_for_a_named_verdict() -> None:
    """--fail-on turns a verdict into status 1, and only that verdict."""
    document = json.loads(rowreckon("audit", str(SAMPLES), "--format", "json").stdout)
    found = {join["verdict"] for plan in document["plans"] for join in plan["joins"]}
    for verdict in ("crossed", "held", "undecided"):
        done = rowreckon("audit", str(SAMPLES), "--format", "json", "--fail-on", verdict)

        assert done.returncode == (1 if verdict in found else 0)
    assert rowreckon("audit", str(ALL[0]), "--fail-on", "dubious").returncode == 2


def test_missing_file_and_empty_folder(tmp_path: Path) -> None:
    """Each is one sentence that says what to do."""
    gone = rowreckon("audit", str(tmp_path / "gone.json"))
    empty = rowreckon("audit", str(tmp_path))

    assert gone.returncode == empty.returncode == 2
    assert "there is no such file" in gone.stderr
    assert "holds no plan files" in empty.stderr


def test_no_arguments_show_the_usage() -> None:
    """Bad usage is status 2."""
    assert rowreckon("audit").returncode == 2
    assert rowreckon("audit", "--unheard-of", "x").returncode == 2


@pytest.mark.parametrize("width", ["60", "80"])
def test_terminal_report_keeps_within_the_width(width: str) -> None:
    """Piped output has no colour and no line of prose wider than the terminal; SQL is not broken."""
    done = rowreckon("audit", str(SAMPLES / "correlated-columns.18.json"), COLUMNS=width)
    wide = [line for line in done.stdout.splitlines() if len(line) > int(width)]

    assert "\x1b" not in done.stdout
    assert all(line.startswith("      ") for line in wide)
    assert done.stdout.splitlines()[0].startswith("Crossed")


def test_no_color_is_obeyed() -> None:
    """NO_COLOR wins over a forced terminal."""
    plan = str(SAMPLES / "correlated-columns.18.json")
    coloured = rowreckon("audit", plan, FORCE_COLOR="1")
    plain = rowreckon("audit", plan, FORCE_COLOR="1", NO_COLOR="1")

    assert COLOUR.search(coloured.stdout)
    assert not COLOUR.search(plain.stdout)


def test_reports_are_written_in_the_format_of_their_suffix(tmp_path: Path) -> None:
    """One run, several files; an unknown suffix is refused before anything is read."""
    names = [tmp_path / n for n in ("r.html", "r.md", "r.json", "r.xml")]
    done = rowreckon("audit", str(ALL[0]), *[part for n in names for part in ("--report", str(n))])

    assert done.returncode == 0, done.stderr
    assert names[0].read_text().lower().startswith("<!doctype html")
    assert names[1].read_text().startswith("#")
    assert Audit.model_validate_json(names[2].read_text())
    assert names[3].read_text().startswith("<?xml")
    assert rowreckon("audit", str(ALL[0]), "--report", str(tmp_path / "r.doc")).returncode == 2


TOGETHER = (SAMPLES / "wrong-distinct-count.18.json", SAMPLES / "correlated-range.18.json")
"""Two plans of one server's sample database: the second reads whole the table that the first looks up rows in."""


def test_plans_of_one_database_tell_each_other_in_any_order() -> None:
    """Told so or inferred, both orders give the same bytes; told otherwise each stands alone, in the order given."""
    both = [str(path) for path in TOGETHER]
    there = rowreckon("audit", *both, "--one-database", "--format", "json").stdout
    back = rowreckon("audit", *reversed(both), "--one-database", "--format", "json").stdout
    inferred = rowreckon("audit", *reversed(both), "--format", "json").stdout
    alone = json.loads(rowreckon("audit", *both, "--many-databases", "--format", "json").stdout)
    plan = next(p for p in json.loads(there)["plans"] if p["source"] == both[0])

    assert there == back == inferred
    assert plan["joins"][0]["verdict"] == "crossed"
    assert plan["joins"][0]["basis"] == "plan"
    assert plan["joins"][0]["learned_from"] == plan["learned_from"] == [both[1]]
    assert [p["source"] for p in alone["plans"]] == both
    assert alone["plans"][0]["joins"][0]["verdict"] == "undecided"
    assert alone["plans"][0]["learned_from"] == []


def test_captures_given_in_python_stay_in_their_order() -> None:
    """Though their plans tell each other: a trial finds its queries in the audit by their place in the list."""
    for paths in (TOGETHER, TOGETHER[::-1]):
        found = audit([capture for path in paths for capture in read_path(path)], one_database=True)

        assert [plan.source for plan in found.plans] == [str(path) for path in paths]
        assert any(plan.learned_from for plan in found.plans)


def test_plans_that_name_no_schemas_are_said_to_tell_nothing(tmp_path: Path) -> None:
    """`--one-database` on plans without VERBOSE, or on a single plan, has no effect, and says so."""
    bare = []
    for path in TOGETHER:
        bare.append(tmp_path / path.name)
        bare[-1].write_text(re.sub(r'\s*"Schema": "[^"]*",', "", path.read_text()))
    unqualified = rowreckon("audit", *map(str, bare), "--one-database")
    single = rowreckon("audit", str(TOGETHER[0]), "--one-database")
    helped = rowreckon("audit", *map(str, TOGETHER), "--one-database")

    assert (unqualified.returncode, single.returncode) == (0, 0)
    assert "EXPLAIN (VERBOSE)" in unqualified.stderr
    assert "no other plans" in single.stderr
    assert helped.stderr == ""


def test_a_report_says_from_how_many_plans_costs_are_modelled(tmp_path: Path) -> None:
    """In words, and how far what they tell may move; with names masked the tables' are masked there too."""
    both = [str(path) for path in TOGETHER]
    told = " ".join(rowreckon("audit", *both, "--one-database", "--verbose").stdout.split())
    page = rowreckon("audit", *both, "--report", str(tmp_path / "page.html")).returncode
    masked = rowreckon("audit", *both, "--mask-names", str(tmp_path / "names.key"), "--format", "json").stdout
    limits = [limit for plan in json.loads(masked)["plans"] for join in plan["joins"] for limit in join["turns_at"]]

    assert "the cost model over this plan and 1 other" in told
    assert "modelled from this plan and 1 other" in told
    assert page == 0
    assert "The verdict stays for rows of" in (tmp_path / "page.html").read_text()
    assert "supply_flights" not in masked
    assert [limit["value"] for limit in limits] == [40000.0]
