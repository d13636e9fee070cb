"""The six ways in which a server could be made to act, each as it was first found; all of them must stay closed.

Each of these tests fails on commit 99f2288, from which the guards were built.
"""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import psycopg
import pytest

from .generated import attack
from .house import House
from .payloads import HARMLESS, PAYLOADS
from .plans import PlanFile, plan, with_text
from .plans import at as node_at
from .positions import POSITIONS
from .snapshot import snapshot
from .tool import Attack, Watch, answered, rowreckon, sweep

# Where the statement that surrounds the text ends is not known: all depths of brackets are tried.
DEPTHS = range(5)
FORMS = {
    "continued": ("E'a'\n'\\' = ' %s ; select snare.spring() ; -- '", ""),
    "continued, of a column": ("{t} = E'a'\n'\\' = ' %s ; select snare.spring() ; -- '", ""),
    "backslash": ("{t} = '\\' = ' %s ; select snare.spring() ; -- '", "-c standard_conforming_strings=off"),
}
"""Literals that go on in the next line, or end at a backslash; and the settings of the session that reads them."""


def breaking_out(folder: Path, form: str) -> list[str]:
    """Plans with this form in a scan's filter and output: below a join, and alone, where its output is asked for.

    There the text is the whole output: a column before it, whose table the cut statement lacks, would end the script.
    """
    paths = []
    for depth, key, alone in itertools.product(DEPTHS, ("Filter", "Output"), (False, True)):
        document = plan()
        scan = node_at(document, "bookings")
        text = FORMS[form][0].replace("{t}", "b.land").replace("%s", ")" * depth)
        scan[key] = f"({text})" if key == "Filter" else [*([] if alone else scan[key]), text]
        whole = {**document, "Plan": scan} if alone else document
        paths.append(str(PlanFile(f"{key} {depth} {alone}", whole).write(folder, {})))
    return paths


def hostile(folder: Path, text: str) -> Path:
    """A plan whose scan of bookings has this filter."""
    return PlanFile("plan", with_text("bookings", "Filter", text)).write(folder, {})


def check_finding_1(house: House, watch: Watch, folder: Path, form: str) -> None:
    """In `audit --dsn`, and in the script that a colleague runs in psql."""
    paths, options = breaking_out(folder, form), FORMS[form][1]
    done = rowreckon("audit", *paths, "--dsn", f"{house.keeper} options='{options}'")
    watch.unchanged()
    assert "Traceback" not in done.stderr
    assert rowreckon("ask", *paths, "-o", str(folder / "ask.sql")).returncode == 0
    answered(house, folder / "ask.sql", folder / "answer.txt", options)
    watch.unchanged()


@pytest.mark.parametrize("form", FORMS)
def test_finding_1_a_plan_breaks_out(newest_house: House, watch: Watch, tmp_path: Path, form: str) -> None:
    """On 18."""
    check_finding_1(newest_house, watch, tmp_path, form)


@pytest.mark.full
@pytest.mark.matrix
@pytest.mark.parametrize("form", FORMS)
def test_finding_1_on_older_releases(older_house: House, tmp_path: Path, form: str) -> None:
    """13 to 17."""
    check_finding_1(older_house, Watch(older_house, snapshot(older_house)), tmp_path, form)


HIDDEN = (
    "values",
    "values limit",
    "limit",
    "offset",
    "fetch",
    "frame rows",
    "frame end",
    "where",
    "select list",
)
BEHIND = (
    "operator",
    "cast",
    "domain",
    "aggregate",
    "final function",
    "moving aggregate",
    "ts_stat",
    "crosstab",
    "foreign program",
    "foreign view",
    "view",
    "row security",
    "default argument",
)


def test_finding_2_the_plan_does_not_print_all_that_runs(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """Places and things that a printed plan omits: refused with default flags."""
    call = PAYLOADS[0]
    places = [position for position in POSITIONS if position.name in HIDDEN]
    plain = next(position for position in POSITIONS if position.name == "select list")
    attacks = [attack(position, call) for position in places]
    attacks += [attack(plain, payload) for payload in PAYLOADS if payload.name in BEHIND]
    assert len(attacks) == len(HIDDEN) + len(BEHIND)
    done = sweep(newest_house, tmp_path / "lists", attacks)
    watch.unchanged()
    assert {one.name: done.ended.get(one.name) for one in attacks} == {one.name: "refused" for one in attacks}
    twins = [Attack(position.name, position.filled(HARMLESS)) for position in places]
    done = sweep(newest_house, tmp_path / "twins", twins)
    assert {one.name: done.ended.get(one.name) for one in twins} == {one.name: "ran" for one in twins}


EXECUTE = "prepare p(int) as select n from trio where n > $1;\nexecute p({});\n"


def test_finding_3_arguments_of_execute(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """They are evaluated before anything of the plan: under sweep, under check, under audit --query."""
    query, path = tmp_path / "q.sql", hostile(tmp_path, "({c} > 0)")
    for text, ran in ((EXECUTE.format("snare.spring('execute')"), False), (EXECUTE.format("abs(1)"), True)):
        query.write_text(text)
        swept = rowreckon("sweep", str(query), "--dsn", newest_house.keeper, "--format", "json")
        outcomes = [one["outcome"] for one in json.loads(swept.stdout)["plans"]]
        assert ("ran" in outcomes) is ran
        rowreckon("check", str(query), "--dsn", newest_house.keeper)
        rowreckon("audit", str(path), "--dsn", newest_house.keeper, "--query", str(query))
        watch.unchanged()


def test_finding_4_a_tampered_capture(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """A function's arguments come from the file: a trial in place applies ALTER FUNCTION, and nothing else."""
    text = (
        "select count(*) from own_nights() n(id) join bookings b on b.id = n.id join payments p on p.booking_id = b.id"
    )
    (tmp_path / "lists").mkdir()
    query = tmp_path / "lists" / "q.sql"
    query.write_text(f"-- name: function\n{text};\n")
    saved = tmp_path / "saved"
    swept = rowreckon("sweep", str(query), "--dsn", newest_house.keeper, "--save", str(saved), "--format", "json")
    assert any("ALTER FUNCTION" in sql for one in json.loads(swept.stdout)["remedies"] for sql in one["sql"])
    trial = ("trial", str(query), "--dsn", newest_house.keeper, "--captures", str(saved), "--in-place", "--yes")
    assert "ALTER FUNCTION" in rowreckon(*trial).stderr
    watch.unchanged()
    (path,) = saved.iterdir()
    capture: dict[str, Any] = json.loads(path.read_text())
    for function in capture["catalog"]["functions"]:
        function["arguments"] = ") rows 5; select snare.spring('capture'); drop table public.notes; commit; --"
    path.write_text(json.dumps(capture))
    assert "Traceback" not in rowreckon(*trial).stderr
    watch.unchanged()


@pytest.mark.parametrize(
    ("setting", "probe"),
    [
        ('set "TRANSACTION_READ_ONLY" = off', "current_setting('transaction_read_only') = 'on'"),
        ('set u&"transaction_read\\005fonly" = off', "current_setting('transaction_read_only') = 'on'"),
        ("set role none", "current_user = 'guide'"),
        ('set "ROLE" = none', "current_user = 'guide'"),
        ('set "SESSION_AUTHORIZATION" = keeper', "current_user = 'guide'"),
        ("select set_config('role', 'none', true)", "current_user = 'guide'"),
    ],
)
def test_finding_5_spellings_that_lift_a_guard(
    newest_house: House, watch: Watch, tmp_path: Path, setting: str, probe: str
) -> None:
    """Read-only and the role hold after every spelling; the query itself says so by an error where they don't."""
    query = tmp_path / "q.sql"
    query.write_text(f"{setting};\nselect 1 / ({probe})::int;\n")
    options = ("--role", "guide", "--allow-volatile", "--format", "json")
    done = rowreckon("sweep", str(query), "--dsn", newest_house.keeper, *options)
    assert "division by zero" not in done.stdout
    query.write_text(f"set work_mem = '8MB';\nselect 1 / ({probe})::int;\n")
    done = rowreckon("sweep", str(query), "--dsn", newest_house.keeper, *options)
    assert [one["outcome"] for one in json.loads(done.stdout)["plans"]] == ["ran"]
    watch.unchanged()


@pytest.mark.parametrize(
    "text",
    ["({c} > snare.liar(3))", "({c} > snare.stable_liar(3))", "({c} > snare.quiet('filter'::text))"],
    ids=["immutable", "stable", "SQL"],
)
def test_finding_6_functions_that_a_filter_names(newest_house: House, watch: Watch, tmp_path: Path, text: str) -> None:
    """Planning folds what is declared immutable or stable: `audit --dsn` of a file asks nothing of the kind."""
    done = rowreckon("audit", str(hostile(tmp_path, text)), "--dsn", newest_house.keeper)
    assert done.returncode == 0, done.stderr
    watch.unchanged()


def test_finding_6_a_volatile_view(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """A plan that names a view is no reason to read the view."""
    document = with_text("bookings", "Filter", "(b.n > 0)")
    node_at(document, "bookings").update({"Schema": "snare", "Relation Name": "attic", "Output": ["b.n"]})
    path = PlanFile("view", document).write(tmp_path, {})
    with psycopg.connect(newest_house.keeper) as session:
        assert session.execute("select count(*) from pg_views where viewname = 'attic'").fetchone() == (1,)
    done = rowreckon("audit", str(path), "--dsn", newest_house.keeper)
    assert done.returncode == 0, done.stderr
    watch.unchanged()
