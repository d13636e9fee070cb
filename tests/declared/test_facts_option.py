"""`rowreckon audit --facts` with schema files, as a person uses it, on plans of the sample database."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rowreckon.server import samples
from tests.cli.running import SAMPLES, rowreckon

PLAN = SAMPLES / "correlated-range.18.json"
"""A hash join of flight_items with supply_flights that the plan alone leaves undecided, as an index may exist."""


SAMPLE_SCHEMA = Path(samples.__file__).parent
SAMPLE_FILES = ["--facts", str(SAMPLE_SCHEMA / "schema.sql"), "--facts", str(SAMPLE_SCHEMA / "finish.sql")]
TABLES = "create table supply_flights (id int primary key, departed_at timestamp, landed_at timestamp);\n"
ITEMS = "create table flight_items (id int, flight_id int, batch_no int, article text, weight_kg numeric);\n"


def audited(*arguments: str) -> dict[str, Any]:
    """The plan's audit as a document, with the run's exit status and what it said on standard error."""
    done = rowreckon("audit", str(PLAN), *arguments, "--format", "json")
    assert done.stdout, done.stderr
    plan: dict[str, Any] = json.loads(done.stdout)["plans"][0]
    return {**plan, "exit": done.returncode, "stderr": done.stderr}


def written(folder: Path, *texts: str) -> list[str]:
    """Options for files of these texts."""
    options: list[str] = []
    for number, text in enumerate(texts):
        (folder / f"{number}.sql").write_text(text)
        options += ["--facts", str(folder / f"{number}.sql")]
    return options


def test_that_no_index_is_there_decides(tmp_path: Path) -> None:
    """The plan alone leaves open whether an index could have served; files that hold the tables whole rule it out."""
    alone = audited()
    told = audited(*written(tmp_path, TABLES + ITEMS))

    assert alone["joins"][0]["verdict"] == "undecided"
    assert "index" in alone["joins"][0]["why"]
    assert told["joins"][0]["verdict"] != "undecided", told["joins"][0]["why"]
    assert told["notes"] == []
    assert told["exit"] == 0


@pytest.mark.parametrize(
    "changed",
    [
        "create index on flight_items (flight_id);",
        "create index on flight_items (batch_no, flight_id);",
        "create index on flight_items using hash (flight_id);",
        "create index on flight_items ((flight_id + 1));",
        "create index on flight_items (flight_id) where weight_kg > 5;",
        "do $$ begin create index on flight_items (flight_id); end $$;",
        "alter table flight_items rename to items;",
        "alter table flight_items rename to items; create table flight_items (id int, hut_id int, weight_kg numeric);",
        "drop table flight_items;",
    ],
)
def test_what_may_serve_leaves_it_open(changed: str, tmp_path: Path) -> None:
    """An index that could take up the clause, another table than the plan's, something unread rule nothing out."""
    assert audited(*written(tmp_path, TABLES + ITEMS, changed))["joins"][0]["verdict"] == "undecided"


def test_a_contradiction_is_said(tmp_path: Path) -> None:
    """The file has another flight_items than the plan's: the plan is believed, and the report says so."""
    other = ITEMS.replace("flight_id", "hut_id")
    plan = audited(*written(tmp_path, TABLES + other))

    assert plan["joins"][0]["verdict"] == "undecided"
    note, older = plan["notes"]
    assert note.startswith("what the schema files say of public.flight_items is not used: ")
    assert note.endswith("the plan reads its column flight_id, which they lack")
    assert older == f"the schema files lack what {PLAN} uses: no index is taken to be absent by them"


def test_files_older_than_a_plan_at_hand_deny_no_index(tmp_path: Path) -> None:
    """Another plan reads an index that the files lack: what they lack is no evidence for this plan either."""
    reader = SAMPLES / "expression-without-statistics.18.json"  # its nested loop searches flight_items_flight
    done = rowreckon("audit", str(PLAN), str(reader), *written(tmp_path, TABLES + ITEMS), "--format", "json")
    plan = json.loads(done.stdout)["plans"][0]

    assert plan["joins"][0]["verdict"] != "held"
    assert plan["notes"] == [f"the schema files lack what {reader} uses: no index is taken to be absent by them"]


def test_the_sample_database_contradicts_none_of_its_plans() -> None:
    """Its own files: nothing is contradicted, and no verdict is decided otherwise."""
    plans = [str(path) for path in sorted(SAMPLES.glob("*.18.json"))]
    alone = json.loads(rowreckon("audit", *plans, "--format", "json").stdout)
    told = json.loads(rowreckon("audit", *plans, "--format", "json", *SAMPLE_FILES).stdout)

    assert len(plans) >= 20
    for before, after in zip(alone["plans"], told["plans"], strict=True):
        assert not [note for note in after["notes"] if "is not used" in note or "tell nothing" in note]
        for one, other in zip(before["joins"], after["joins"], strict=True):
            assert one["verdict"] in (other["verdict"], "undecided"), after["source"]


def test_one_unreadable_file_spoils_no_other(tmp_path: Path) -> None:
    """It is named, the run ends with status 2, and the other is used."""
    options = written(tmp_path, TABLES + ITEMS, "this is no SQL at all")
    plan = audited(*options)

    assert plan["exit"] == 2
    assert "1.sql" in plan["stderr"]
    assert plan["joins"][0]["verdict"] != "undecided"


def test_files_alone_that_cannot_be_read_end_the_run(tmp_path: Path) -> None:
    """One sentence, no audit."""
    done = rowreckon("audit", str(PLAN), *written(tmp_path, "this is no SQL at all"))

    assert done.returncode == 2
    assert "holds no SQL that could be read" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_answer_goes_alone(tmp_path: Path) -> None:
    """An answer and a schema file together are refused."""
    done = rowreckon("audit", str(PLAN), *written(tmp_path, TABLES, '{"facts_md5": "x"}'))

    assert done.returncode == 2
    assert "needs no other file of facts" in done.stderr


def test_a_saved_capture_keeps_what_was_declared(tmp_path: Path) -> None:
    """Audited again without the files it says the same; masked, no literal of a predicate is left."""
    secret = "create index on flight_items (id) where article = 'klara';"
    options = written(tmp_path, TABLES + ITEMS, secret)
    told = audited(*options, "--save", str(tmp_path / "kept"))
    again = json.loads(rowreckon("audit", str(tmp_path / "kept"), "--format", "json").stdout)["plans"][0]
    rowreckon("audit", str(PLAN), *options, "--save", str(tmp_path / "masked"), "--mask", "--format", "json")
    masked = next((tmp_path / "masked").iterdir()).read_text()

    assert [j["verdict"] for j in again["joins"]] == [j["verdict"] for j in told["joins"]]
    assert "declared" in masked
    assert "klara" not in masked


def test_the_basis_names_the_files(tmp_path: Path) -> None:
    """Where files rule something out, or tell of an index that it hangs on, the verdict names them; else not."""
    options = written(tmp_path, TABLES + ITEMS, "create index on flight_items (batch_no);")
    told = audited(*options)
    text = rowreckon("audit", str(PLAN), *options).stdout
    served = audited(*written(tmp_path, TABLES + ITEMS + "create index on flight_items (flight_id, id);"))
    elsewhere = audited(*written(tmp_path, "create table hut_keepers (id int primary key, name text);"))

    assert told["joins"][0]["basis"] == "plan"
    assert told["joins"][0]["learned_from"] == [f"schema file {tmp_path / str(n)}.sql" for n in range(2)]
    assert "this plan and 2 schema files" in " ".join(text.split())
    assert served["joins"][0]["learned_from"] == [f"schema file {tmp_path / '0.sql'}"]
    assert "an index that the schema files declare" in served["joins"][0]["why"]
    assert elsewhere["joins"][0]["learned_from"] == []


def test_an_index_counts_once_a_plan_shows_it(tmp_path: Path) -> None:
    """A declared index may be gone: the verdict hangs on it, until another plan of the same audit reads it."""
    alone = audited(*SAMPLE_FILES)
    reader = SAMPLES / "expression-without-statistics.18.json"  # its nested loop searches flight_items_flight
    done = rowreckon("audit", str(PLAN), str(reader), *SAMPLE_FILES, "--format", "json")
    together = json.loads(done.stdout)["plans"][0]
    (missing,) = [alone["missing"][at] for at in alone["joins"][0]["missing"]]

    assert alone["joins"][0]["verdict"] == "undecided"
    assert "hangs on an index that the schema files declare on public.flight_items" in alone["joins"][0]["why"]
    assert "pg_indexes" in missing["how"]
    assert together["joins"][0]["verdict"] == "crossed"
    assert str(reader) in together["joins"][0]["learned_from"]


def test_masked_names_stand_nowhere(tmp_path: Path) -> None:
    """Names of the plan, and those that only the files have, in sentences, commands and names of files."""
    folder = tmp_path / "a"
    folder.mkdir()
    (folder / "flight_items.sql").write_text(
        TABLES + ITEMS + "create index klara on flight_items (flight_id);\ncreate table klara2 (a int) frobnicate;\n"
    )
    for form in ("json", "terminal"):
        key = str(folder / f"{form}.key")
        options = ("--facts", str(folder / "flight_items.sql"), "--mask-names", key, "--format", form)
        said = rowreckon("audit", str(PLAN), *options).stdout

        assert "schema file" in said
        assert not any(name in said for name in ("flight", "klara", "batch_no"))


@pytest.mark.parametrize(("rows", "said"), [(200_000, False), (210_000, False), (20, True), (2_000_000, True)])
def test_a_size_that_the_plan_refutes_is_not_used(rows: int, said: bool, tmp_path: Path) -> None:
    """The plan reads flight_items whole and expects 200,000 rows: a statistics dump that tells others is of no use."""
    statistics = (
        "SELECT * FROM pg_catalog.pg_restore_relation_stats('version', '180006'::integer, 'schemaname', 'public', "
        f"'relname', 'flight_items', 'relpages', '1274'::integer, 'reltuples', '{rows}'::real);"
    )
    plan = audited(*written(tmp_path, TABLES + ITEMS, statistics))
    alone = audited(*written(tmp_path, TABLES + ITEMS))

    refuted = [note for note in plan["notes"] if "is not the plan's, nor used" in note]
    assert bool(refuted) == said
    # a dump with statistics does for a stand-in, which needs the query as well
    assert all("the stand-in was not asked" in note for note in plan["notes"] if note not in refuted)
    assert plan["joins"][0]["verdict"] == alone["joins"][0]["verdict"]
