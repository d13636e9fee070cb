"""The script for a colleague gives the same facts as a session of one's own, however psql's output was passed on."""

from __future__ import annotations

import re
import subprocess
import time

import pytest

from rowreckon.catalog.ask import ask_script, read_answers
from rowreckon.catalog.facts import Catalog
from rowreckon.errors import BrokenPlan, NotAPlan, UsageError
from rowreckon.plan import lay_out
from rowreckon.server.sweeping.facts import read_catalogs
from tests.reading.psql import psql_program

from .conftest import Session

QUERIES = [
    "select * from hut h join booking b on b.hut_id = h.id where b.nights < 9 and h.name like 'hut 1%'",
    "select * from weather w left join supply s on s.hut_id = w.hut_id where w.station = 'it''s $$ :x \\ \"9\"'",
    "select count(*) from booking b where exists (select from hut h where h.id = b.hut_id and h.region = 4)",
]
FORMS = {
    "as the script sets it": "",
    "aligned": "\\pset format aligned\n",
    "aligned, border 2": "\\pset format aligned\n\\pset border 2\n",
    "wrapped": "\\pset format wrapped\n\\pset columns 80\n",
    "wrapped, border 0": "\\pset format wrapped\n\\pset columns 70\n\\pset border 0\n",
    "wrapped, border 2": "\\pset format wrapped\n\\pset columns 90\n\\pset border 2\n",
    "wrapped, Unicode": "\\pset format wrapped\n\\pset columns 80\n\\pset linestyle unicode\n",
}


def printed(dsn: str, script: str) -> str:
    """What psql prints for the script; it must not complain."""
    done = subprocess.run(
        [psql_program(), "-X", "-d", dsn], input=script, capture_output=True, encoding="utf-8", timeout=60
    )
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def in_form(script: str, form: str) -> str:
    """The script with another output format than it sets itself, as other clients and settings may give."""
    return script if not form else form + re.sub(r"(?m)^\\pset .*\n", "", script)


def settled(catalog: Catalog) -> Catalog:
    """Without the clock and the counters that planning itself moves."""
    relations = tuple(
        r.model_copy(
            update={"indexes": tuple(i.model_copy(update={"idx_scan": 0, "idx_tup_read": 0}) for i in r.indexes)}
        )
        for r in catalog.relations
    )
    return catalog.model_copy(update={"read_at": None, "relations": relations})


@pytest.mark.parametrize("query", QUERIES)
def test_same_facts_as_a_live_session(huts: Session, query: str) -> None:
    """Both ways run one program, so the catalogs are equal to the last digit."""
    document = huts.document(query)
    script = ask_script([document])
    # Up to 14 a process of its own collects the counters, and a session's share of them may come late.
    for _ in range(10):
        live = settled(read_catalogs(huts.connection, [lay_out(document.plan)], trust="file")[0])
        answered = settled(read_answers(printed(huts.dsn, script))[0])
        if answered == live:
            break
        time.sleep(1)

    assert answered == live
    assert live.relation_estimates


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS.keys())
def test_every_layout_is_read(huts: Session, form: str) -> None:
    """Unaligned, aligned and wrapped output, with spaces at the ends of lines lost or lines broken again."""
    document = huts.document(QUERIES[1])
    script = ask_script([document])
    text = printed(huts.dsn, in_form(script, form))
    expected = read_answers(text)[0]
    assert read_answers("\n".join(line.rstrip() for line in text.split("\n")))[0] == expected
    assert read_answers(text.replace("\n", "\r\n"))[0] == expected
    if not form:
        broken = re.sub(r"(.{120})", r"\1\n", text)
        assert read_answers(broken)[0] == expected


def test_a_damaged_answer_is_noticed(huts: Session) -> None:
    """A changed figure, a lost line and another text are refused with what to do."""
    text = printed(huts.dsn, ask_script([huts.document(QUERIES[0])]))
    for damaged in (text.replace("30000", "30001", 1), text[:3000], re.sub("booking", "bookings", text, count=1)):
        assert damaged != text
        with pytest.raises(BrokenPlan, match="checksum"):
            read_answers(damaged)
    with pytest.raises(NotAPlan, match="no answer"):
        read_answers("(1 row)\n")


def test_script_is_read_only_and_names_what_it_does(huts: Session) -> None:
    """One read-only transaction, rolled back, with time limits; nothing is left of it, no sampled value is in it."""
    script = ask_script([huts.document(q) for q in QUERIES])
    statements = [line for line in script.split("\n") if line.startswith(("BEGIN", "ROLLBACK", "COMMIT", "SET "))]
    assert statements[0].endswith("READ ONLY;")
    assert statements[-1] == "ROLLBACK;"
    assert sum("timeout" in s for s in statements) == 3
    text = printed(huts.dsn, script)
    assert len(read_answers(text)) == 3
    assert "guest 1234" not in text  # a most common value or a bound of booking.guest would look like this
    values = read_answers(printed(huts.dsn, ask_script([huts.document(QUERIES[0])], with_values=True)))[0]
    assert any(s.histogram_bounds for r in values.relations for c in r.columns for s in c.statistics)


def test_no_plan_no_script() -> None:
    """Of queries that never got a plan there is nothing to ask."""
    with pytest.raises(UsageError, match="no plan"):
        ask_script([])
