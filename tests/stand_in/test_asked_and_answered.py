"""From a colleague's psql to the audit: the script prints what a stand-in needs, and the audit asks one."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import psycopg
import pytest

from rowreckon.catalog.ask import read_answers
from rowreckon.cli.facts.stand_in import facts_in
from rowreckon.errors import BrokenPlan
from rowreckon.server.stand_in.asking import AGREES, RIVALS
from rowreckon.stand_in.script.program import stand_in_program
from tests.cli.running import rowreckon
from tests.reading.psql import psql_program
from tests.servers.databases import fresh_database

from .test_same_plans import build

SCRIPT = """
create table guests (id int primary key, land text not null, region text not null);
create table stays (id int primary key, guest_id int not null, nights int);
insert into guests select i, 'land ' || i % 20, 'region ' || i % 20 from generate_series(1, 20000) i;
insert into stays select i, 1 + (i::bigint * 7919) % 20000, i % 9 from generate_series(1, 60000) i;
create index stays_guest on stays (guest_id);
vacuum analyze;
"""
QUERY = (
    "select s.id from guests g join stays s on s.guest_id = g.id left join stays x on x.id = g.id"
    " where g.land = 'land 3' and g.region = 'region 3'"
)


@pytest.fixture(scope="module")
def asked(server: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plan, its query, and what psql printed for the script; the server may be gone by then."""
    folder = tmp_path_factory.mktemp("asked")
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as connection:
            build(connection, SCRIPT)
            row = connection.execute(f"explain (analyze, settings, format json) {QUERY}".encode()).fetchone()
            lines = connection.execute(f"explain (analyze, settings) {QUERY}".encode()).fetchall()
        assert row is not None
        (folder / "plan.json").write_text(json.dumps(row[0]))
        (folder / "plan.txt").write_text("\n".join(line[0] for line in lines))
        (folder / "query.sql").write_text(f"{QUERY};\n")
        plan, query, script = (str(folder / name) for name in ("plan.json", "query.sql", "ask.sql"))
        done = rowreckon("ask", plan, "--stand-in", "--query", query, "-o", script)
        assert (done.returncode, done.stderr) == (0, "")
        psql: list[str] = [str(psql_program()), "-X", "-d", dsn, "-f", script, "-o", str(folder / "answer.txt")]
        shown = subprocess.run(psql, capture_output=True, text=True, check=False, timeout=120)
        assert (shown.returncode, shown.stderr) == (0, "")
    return folder


def audit(folder: Path, *options: str, plan: str = "plan.json") -> dict[str, object]:
    """The audit of the plan with the colleague's answer."""
    plan, answer = str(folder / plan), str(folder / "answer.txt")
    done = rowreckon("audit", plan, "--facts", answer, "--format", "json", *options)
    assert done.returncode == 0, done.stderr
    found: dict[str, object] = json.loads(done.stdout)
    return found


@pytest.mark.server
def test_the_audit_asks_a_stand_in(asked: Path) -> None:
    """It plans as the source did, and what other methods cost at the estimates is the planner's own word."""
    with_it = json.dumps(audit(asked, "--query", str(asked / "query.sql")))
    without = json.dumps(audit(asked, "--no-stand-in"))

    assert AGREES in with_it
    assert RIVALS in with_it
    assert '"basis_at_estimate": "planner"' in with_it
    assert '"asked_of": "stand_in"' in with_it
    assert '"with_right_counts": null' not in with_it
    assert '"turns_at": [{"fact": "rows of' in with_it
    assert '"with_right_counts": null' in without
    assert "stand-in" not in without
    assert '"basis_at_estimate": "planner"' not in without
    assert '"asked_of": "stand_in"' not in without


@pytest.mark.server
def test_a_query_without_a_stand_in_is_refused(asked: Path) -> None:
    """It is for a stand-in alone; that the facts hold one is not denied."""
    plan, answer, query = (str(asked / name) for name in ("plan.json", "answer.txt", "query.sql"))
    done = rowreckon("audit", plan, "--facts", answer, "--query", query, "--no-stand-in")

    assert done.returncode == 2
    assert "--query is for a stand-in, and --no-stand-in does without one" in done.stderr
    assert "hold none" not in done.stderr


@pytest.mark.server
def test_an_answer_without_its_first_line_is_still_called_an_answer(asked: Path, tmp_path: Path) -> None:
    """What is left of it is for a stand-in alone, and no SQL."""
    (tmp_path / "rest.txt").write_text("".join((asked / "answer.txt").read_text().splitlines(keepends=True)[1:]))
    done = rowreckon("audit", str(asked / "plan.json"), "--facts", str(tmp_path / "rest.txt"))

    assert done.returncode == 2
    assert "the text holds no answer to the script of `rowreckon ask`" in done.stderr


@pytest.mark.server
def test_the_answer_of_a_database_without_the_tables_is_not_passed_over(
    server: str, asked: Path, tmp_path: Path
) -> None:
    """The plan is audited alone, which no reader of the answer would expect: it is said, and the status is 2."""
    with fresh_database(server) as dsn:
        psql: list[str] = [str(psql_program()), "-X", "-d", dsn, "-f", str(asked / "ask.sql")]
        subprocess.run([*psql, "-o", str(tmp_path / "other.txt")], capture_output=True, check=True, timeout=120)
    done = rowreckon("audit", str(asked / "plan.json"), "--facts", str(tmp_path / "other.txt"))

    assert done.returncode == 2
    assert "plan.json: the facts come from a database that has none of the plan's tables" in done.stderr
    assert "Nested loop" in done.stdout


@pytest.mark.server
def test_a_stand_in_that_could_not_be_asked_about_the_query_is_named(asked: Path, tmp_path: Path) -> None:
    """Whoever names the query asked for one; without the query the audit is whole all the same."""
    words = ("audit", str(asked / "plan.json"), "--facts", str(asked / "answer.txt"), "--servers", str(tmp_path))
    asking, alone = rowreckon(*words, "--query", str(asked / "query.sql")), rowreckon(*words)

    assert asking.returncode == 2
    assert "plan.json: the stand-in was not asked: no server programs of PostgreSQL 18" in asking.stderr
    assert (alone.returncode, alone.stderr) == (0, "")


@pytest.mark.server
def test_a_plan_in_text_is_compared_as_well(asked: Path) -> None:
    """EXPLAIN's text form leaves out what JSON always prints: that is no difference."""
    assert AGREES in json.dumps(audit(asked, "--query", str(asked / "query.sql"), plan="plan.txt"))


@pytest.mark.server
def test_no_query_no_answer(asked: Path) -> None:
    """Without the query, which no plan in JSON holds, the report says what would bring it."""
    assert "--query gives" in json.dumps(audit(asked))


@pytest.mark.server
def test_the_answer_holds_both(asked: Path) -> None:
    """The facts are read as without a stand-in; the removed table is there, for the query names it."""
    text = (asked / "answer.txt").read_text()
    facts = facts_in(text)

    assert facts is not None
    assert {relation.name for relation in facts.relations} == {"guests", "stays"}
    assert len(facts.heights) == 3
    assert len(facts.ends) == 3
    assert {r.name for r in read_answers(text)[0].relations} >= {"guests", "stays"}
    with pytest.raises(BrokenPlan, match="checksum"):
        facts_in(text.replace("land 3", "land 5"))


def test_the_program_is_ascii() -> None:
    """It is sent to databases of any encoding."""
    assert stand_in_program(from_file=True).isascii()


@pytest.mark.parametrize(
    "words",
    [
        ("ask", "plan.json", "--stand-in", "--mask"),
        ("ask", "plan.json", "--query", "q.sql"),
        ("audit", "plan.json", "--query", "q.sql"),
    ],
)
def test_options_that_do_not_go_together(words: tuple[str, ...]) -> None:
    """Each is one sentence and status 2."""
    done = rowreckon(*words)

    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) <= 3
