"""Hostile query lists under sweep, check and `audit --query`: refused, and nothing changes; their twins run."""

from __future__ import annotations

import json
import re
from pathlib import Path

import psycopg
import pytest

from rowreckon import releases

from .generated import attack, combinations
from .guards import HARMLESS_SETTINGS, LIFTS
from .house import HIDDEN_ROW, SECRET, House
from .lists import LISTS, Pairs
from .lists_spelled import WRITES
from .plans import PlanFile, plan
from .snapshot import snapshot
from .tool import Attack, Outcome, Watch, rowreckon, sweep, write_lists

PSQL = {
    "shell": "\\! touch <YARD>/psql\n",
    "shell in a set": "\\set x `touch <YARD>/psql`\nselect 1",
    "gexec": "select 'drop table notes' \\gexec\n",
    "copy": "\\copy notes from program 'touch <YARD>/psql'\n",
    "include": "\\i /etc/passwd\n",
    "connect": "\\c postgres warden\nselect 1",
    "output": "\\o |touch <YARD>/psql\nselect 1",
    "separator": "select 1 \\; drop table notes",
    "variable": "select :'HOME'",
    "open literal": "select 'a; drop table notes",
    "open dollar": "select $a$; drop table notes",
    "open comment": "select 1 /* ; drop table notes",
    "open name": 'select "a; drop table notes',
    "null": "select 1 \x00; drop table notes",
    "nothing": ";;;;",
}


def pairs_as_attacks(pairs: Pairs, yard: Path, *, twin: bool) -> list[Attack]:
    """One side of the pairs."""
    return [Attack(name, pair[1 if twin else 0].replace("<YARD>", str(yard))) for name, pair in pairs.items()]


def got_by(done: Outcome, attacks: list[Attack]) -> list[str]:
    """The attacks that ran."""
    return [f"{one.name}: {one.text}" for one in attacks if done.ended.get(one.name) == "ran"]


def unanswered(done: Outcome, twins: list[Attack]) -> list[str]:
    """The twins that did not run, and why."""
    return [
        f"{one.name}: {done.ended.get(one.name)}: {done.reasons.get(one.name)}: {one.text}"
        for one in twins
        if done.ended.get(one.name) != "ran"
    ]


def test_there_are_enough_lists() -> None:
    """The bar: at least 200, beside those that are generated."""
    assert len(LISTS) + len(WRITES) + len(LIFTS) + len(PSQL) >= 200


@pytest.mark.parametrize(
    "privileged", [pytest.param(False, id="keeper"), pytest.param(True, id="warden", marks=pytest.mark.full)]
)
def test_lists_are_refused(newest_house: House, watch: Watch, tmp_path: Path, privileged: bool) -> None:
    """Statements that act, functions that act, namesakes, odd spellings: none runs, with default flags."""
    attacks = pairs_as_attacks(LISTS, newest_house.yard, twin=False)
    done = sweep(newest_house, tmp_path / "lists", attacks, privileged=privileged)
    watch.unchanged()
    assert not got_by(done, attacks), "\n".join(got_by(done, attacks))


def test_twins_of_lists_run(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """Each statement of the same shape without the act."""
    twins = pairs_as_attacks(LISTS, newest_house.yard, twin=True)
    done = sweep(newest_house, tmp_path / "lists", twins)
    watch.unchanged()
    assert not unanswered(done, twins), "\n".join(unanswered(done, twins))


def test_writes_that_run_more(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """--allow-writes permits the write, not the volatile functions of defaults, triggers, rules and checks."""
    attacks = pairs_as_attacks(WRITES, newest_house.yard, twin=False)
    done = sweep(newest_house, tmp_path / "lists", attacks, "--allow-writes")
    watch.unchanged()
    assert not got_by(done, attacks), "\n".join(got_by(done, attacks))
    twins = pairs_as_attacks(WRITES, newest_house.yard, twin=True)
    done = sweep(newest_house, tmp_path / "twins", twins, "--allow-writes")
    watch.unchanged()
    assert not unanswered(done, twins), "\n".join(unanswered(done, twins))


@pytest.mark.parametrize(
    "flags",
    [pytest.param((), id="default", marks=pytest.mark.full), pytest.param(("--allow-volatile",), id="volatile")],
)
def test_no_spelling_lifts_a_guard(newest_house: House, watch: Watch, tmp_path: Path, flags: tuple[str, ...]) -> None:
    """Read-only, role, limits, strings and encoding hold after every spelling of SET, RESET and set_config."""
    attacks = [Attack(name, f"{statement};;{probe}") for name, (statement, probe) in LIFTS.items()]
    done = sweep(newest_house, tmp_path / "lists", attacks, "--role", "guide", *flags)
    watch.unchanged()
    lifted = [
        f"{one.name}: {done.reasons.get(one.name)}: {one.text}"
        for one in attacks
        if "division by zero" in done.reasons.get(one.name, "") or one.name not in done.text
    ]
    assert not lifted, "\n".join(lifted)


def test_harmless_settings_hold(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """Planner settings in the same spellings are set, and the query after them runs."""
    twins = [Attack(name, f"{statement};;select 1") for name, statement in HARMLESS_SETTINGS.items()]
    done = sweep(newest_house, tmp_path / "lists", twins)
    watch.unchanged()
    assert not unanswered(done, twins), "\n".join(unanswered(done, twins))


def test_what_is_no_sql(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """psql's commands, literals without an end, a null: named, not run; what stands in other lists runs."""
    for number, (name, text) in enumerate(PSQL.items()):
        folder = tmp_path / f"{number}"
        folder.mkdir()
        (folder / "a.sql").write_text(f"-- name: {name}\n{text.replace('<YARD>', str(newest_house.yard))}")
    done = [rowreckon("sweep", str(path), "--dsn", newest_house.keeper) for path in sorted(tmp_path.iterdir())[:4]]
    done.append(rowreckon("sweep", *(str(path) for path in sorted(tmp_path.iterdir())), "--dsn", newest_house.keeper))
    watch.unchanged()
    for one in done:
        assert "Traceback" not in one.stderr
        assert "root:" not in one.stdout + one.stderr


def judged(said: str, attacks: list[Attack]) -> dict[str, str]:
    """What `check` says of each of these queries, by name."""
    # where there are several lists each name stands behind its list's
    found = (re.search(rf"^  (?:\d+: )?{re.escape(one.name)} \(line \d+, \w+\): (.*)$", said, re.M) for one in attacks)
    return {one.name: match.group(1) if match else "" for one, match in zip(attacks, found, strict=True)}


def test_check_runs_nothing(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """`check` of the same lists, and of generated ones: not even the arguments of EXECUTE; and it says what would."""
    attacks = pairs_as_attacks(LISTS, newest_house.yard, twin=False)
    generated = [attack(*pair) for pair in list(combinations(releases.NEWEST, every=False))[::4]]
    twins = [Attack(f"{one.name}, twin", one.text) for one in pairs_as_attacks(LISTS, newest_house.yard, twin=True)]
    write_lists(tmp_path / "lists", [*attacks, *generated, *pairs_as_attacks(WRITES, newest_house.yard, twin=False)])
    write_lists(tmp_path / "twins", twins)
    for flags in ((), ("--allow-writes",)):
        lists = (str(tmp_path / "lists"), str(tmp_path / "twins"))
        done = rowreckon("check", *lists, "--dsn", newest_house.keeper, *flags)
        assert "Traceback" not in done.stderr
        assert SECRET not in done.stdout
        said = judged(done.stdout, [*(attacks if not flags else []), *generated])
        assert not [name for name, words in said.items() if words.startswith("would run")]
        assert sum(words.startswith("refused") for words in said.values()) > len(said) // 2
        said = judged(done.stdout, twins)
        assert not [name for name, words in said.items() if not words.startswith("would run")]
    watch.unchanged()


@pytest.mark.parametrize(
    "text",
    [
        "prepare p(int) as select n from trio where n > $1; execute p(snare.spring('query'))",
        "select snare.spring('query')",
        "select n from trio limit snare.spring('query')",
        "select n from snare.attic where n > snare.stable_liar(0) and n > snare.spring('query')",
        "delete from notes",
        "insert into booby_default(id) values (snare.spring('query'))",
        "set role none; select 1; drop table notes",
        "select 1 where 1 operator(snare.=!) 2",
    ],
)
def test_a_query_beside_a_plan(newest_house: House, watch: Watch, tmp_path: Path, text: str) -> None:
    """`audit --dsn --query` executes nothing, and plans only what it judged."""
    path = PlanFile("plan", plan()).write(tmp_path, {})
    query = tmp_path / "q.sql"
    query.write_text(text)
    done = rowreckon("audit", str(path), "--dsn", newest_house.keeper, "--query", str(query), "--format", "json")
    assert "Traceback" not in done.stderr
    watch.unchanged()


def test_the_plans_own_query_beside_it(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """The twin: a plan of the house and the query that it is of; the planner is asked about other methods."""
    text = (
        "select count(*) from bookings b join payments p on p.booking_id = b.id"
        " where b.land = 'land 3' and b.city = 'city 3'"
    )
    with psycopg.connect(newest_house.keeper) as session:
        explained = session.execute(f"explain (analyze, verbose, settings, format json) {text}".encode()).fetchone()
        assert explained is not None
    path, query = tmp_path / "plan.json", tmp_path / "q.sql"
    path.write_text(json.dumps(explained[0]))
    query.write_text(text)
    done = rowreckon("audit", str(path), "--dsn", newest_house.keeper, "--query", str(query), "--format", "json")
    assert done.returncode == 0, done.stderr
    (join,) = json.loads(done.stdout)["plans"][0]["joins"]
    assert "planner" in {cost["basis_at_estimate"] for cost in join["costs"].values()}
    watch.unchanged()


def test_forbidden_values_stay_unseen(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """Tables without a right, rows behind a policy: no value of them in any output, captures included."""
    texts = {
        "forbidden": "select * from snare.strongroom s join huts h on h.id = s.id where s.secret > 'a'",
        "hidden": "select * from snare.register r join huts h on h.id = r.id where r.guest > 'a'",
        "error": "select guest::int from snare.register",
        "by operator": "select count(*) from snare.register where guest::int > 1",
    }
    attacks = [Attack(name, text) for name, text in texts.items()]
    saved = tmp_path / "saved"
    done = sweep(newest_house, tmp_path / "lists", attacks, "--save", str(saved), "--with-values")
    watch.unchanged()
    texts_seen = done.text + "".join(path.read_text() for path in saved.rglob("*.json"))
    assert SECRET not in texts_seen
    assert HIDDEN_ROW not in texts_seen
    assert done.ended["hidden"] == "ran"


def test_a_hostile_house(newest_house: House, tmp_path: Path) -> None:
    """A path set for the role puts namesakes of PostgreSQL's functions and operators first: the tool's own questions
    call none of them."""
    with psycopg.connect(newest_house.superuser, autocommit=True) as owner:
        owner.execute("alter role keeper set search_path = shadow, pg_catalog, public")
    try:
        watch = Watch(newest_house, snapshot(newest_house))
        (tmp_path / "q.sql").write_text("-- name: plain\nselect 1")
        path = PlanFile("plan", plan()).write(tmp_path, {})
        dsn = newest_house.keeper
        for command in (
            ("check", str(tmp_path / "q.sql"), "--dsn", dsn),
            ("sweep", str(tmp_path / "q.sql"), "--dsn", dsn, "--alternatives"),
            ("audit", str(path), "--dsn", dsn),
            ("audit", str(path), "--dsn", dsn, "--query", str(tmp_path / "q.sql")),
        ):
            assert "Traceback" not in rowreckon(*command).stderr
        watch.unchanged()
    finally:
        with psycopg.connect(newest_house.superuser, autocommit=True) as owner:
            owner.execute("alter role keeper reset search_path")


@pytest.mark.matrix
def test_older_releases(older_house: House, tmp_path: Path) -> None:
    """13 to 17: the same lists, the same refusals, the same twins."""
    watch = Watch(older_house, snapshot(older_house))
    attacks = pairs_as_attacks(LISTS, older_house.yard, twin=False)
    done = sweep(older_house, tmp_path / "a", attacks)
    assert not got_by(done, attacks), "\n".join(got_by(done, attacks))
    lifts = [Attack(name, f"{statement};;{probe}") for name, (statement, probe) in LIFTS.items()]
    done = sweep(older_house, tmp_path / "b", lifts, "--role", "guide", "--allow-volatile")
    assert "division by zero" not in done.text
    twins = pairs_as_attacks(LISTS, older_house.yard, twin=True)
    done = sweep(older_house, tmp_path / "c", twins)
    watch.unchanged()
    assert not unanswered(done, twins), "\n".join(unanswered(done, twins))
