"""Ranking, merging, side effects and silence, on plans from a live server whose verdicts are set by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import psycopg
import pytest

from rowreckon.causes import CauseEvidence
from rowreckon.causes.luring_index import check_join
from rowreckon.causes.site import Context
from rowreckon.causes.weigh import finding_of_join
from rowreckon.counts import find_origins
from rowreckon.proposals import PlanAudit, propose
from rowreckon.remedies.subject import TableName
from tests.causes.live import Connection, evenly_timed, judged
from tests.faults.fault import guests

SETUP = (
    guests(40_000)
    + """
create table stays(id int, guest_id int, city text, region text, status text);
insert into stays select i, i % 40000 + 1, 'c' || i % 60, 'r' || (i % 60) / 3, 's' || i % 4
  from generate_series(1, 120000) i;
create index stays_guest on stays(guest_id);
analyze stays;
"""
)
CROSSED = (
    "select count(*), max(g.pad) from stays s join guests g on g.id = s.guest_id "
    "where s.city = 'c7' and s.region = 'r2'"
)


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Correlated columns behind a crossed join."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute(SETUP.encode())
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def verdict(audit: PlanAudit, word: str) -> PlanAudit:
    """The audit with all verdicts and harms set."""
    harms = {"crossed": "crossed", "held": "nothing", "undecided": "undecided"}[word]
    joins = tuple(j.model_copy(update={"verdict": word, "loss_factor": 4.0}) for j in audit.joins)
    return replace(evenly_timed(audit), joins=joins, findings=tuple(replace(f, harms=harms) for f in audit.findings))


def _on_table(audit: PlanAudit, name: str) -> PlanAudit:
    """The audit as if the errors were at another table."""
    table = TableName(name, "public")
    findings = (replace(f, subject=replace(f.subject, table=table, relation=None)) for f in audit.findings)
    return replace(audit, findings=tuple(findings))


def test_where_nothing_is_harmed_statistics_are_offered_for_the_estimate_alone(huts: Connection) -> None:
    """A held join keeps the cheapest method: nothing is to come back, and the proven cure is mild."""
    audit = judged(huts, CROSSED)
    (alone,) = propose([verdict(audit, "held")])

    assert propose([verdict(audit, "crossed")])[0].expected_gain_ms is not None
    assert (alone.kind, alone.expected_gain_ms, alone.cost_ratio) == ("more_statistics", None, None)
    assert "no join method of this query suffers from the error" in alone.reason
    assert (
        "nothing to win"
        in judged(huts, "select * from stays where city = 'c7' and region = 'r2'").findings[0].finding.summary
    )


def test_a_doubtful_cure_of_no_harm_is_left_out(huts: Connection) -> None:
    held = verdict(judged(huts, CROSSED), "held")
    doubtful = tuple(replace(f, finding=f.finding.model_copy(update={"confidence": 0.8})) for f in held.findings)

    assert propose([replace(held, findings=doubtful)]) == ()


def test_an_open_verdict_counts_less(huts: Connection) -> None:
    """Undecided joins get the same remedy and the gain's full range, and stand behind those that are proven to suffer:
    how sure the estimate's cure is says nothing of the join's method."""
    audit = judged(huts, CROSSED)
    sure, unsure = propose([verdict(audit, "crossed")])[0], propose([verdict(audit, "undecided")])[0]
    assert sure.sql == unsure.sql
    assert unsure.confidence == sure.confidence
    proven, still_open = verdict(audit, "crossed"), replace(_on_table(verdict(audit, "undecided"), "beds"), index=1)
    assert [remedy.tables for remedy in propose([still_open, proven])] == [("public.stays",), ("public.beds",)]
    assert sure.expected_gain_ms is not None
    assert sure.expected_gain_ms.low == 0.0


def test_one_remedy_for_several_plans(huts: Connection) -> None:
    """The same change for two queries is one remedy that names both findings and adds their gains."""
    one = verdict(judged(huts, CROSSED), "crossed")
    two = replace(one, index=1)
    alone, both = propose([one])[0], propose([one, two])[0]
    assert both.sql == alone.sql
    assert [(r.plan, r.finding) for r in both.findings] == [(0, 0), (1, 0)]
    assert alone.expected_gain_ms is not None
    assert both.expected_gain_ms is not None
    assert both.expected_gain_ms.high == pytest.approx(2 * alone.expected_gain_ms.high, rel=0.01)


def test_an_index_is_dropped_last(huts: Connection) -> None:
    """A luring index beside an estimate that statistics cure: the statistics come first, whatever the gains."""
    huts.execute("set enable_hashjoin = off")
    huts.execute("set enable_mergejoin = off")
    query = (
        "select count(*), max(s.status) from guests g join stays s on s.guest_id = g.id "
        "where g.city = 'city 7' and g.name like 'Guest%'"
    )
    audit = judged(huts, query)
    lure = judged(huts, CROSSED)
    huts.execute("reset enable_hashjoin")
    huts.execute("reset enable_mergejoin")
    # The verdicts say what the model would: the loop is lured by its index, and its estimate has a cure.
    finding = verdict(lure, "crossed").findings[0]
    join = audit.joins[0].model_copy(
        update={"verdict": "crossed", "method": "nested_loop", "best_at_actual": "hash", "loss_factor": 4.0}
    )
    context = Context.of(
        CauseEvidence(
            capture=audit.capture, reckoned=audit.reckoned, origins=find_origins(audit.reckoned), joins=(join,)
        )
    )
    gain = check_join(join, context)
    assert gain is not None
    drop = finding_of_join(gain)
    cure = replace(finding, finding=finding.finding.model_copy(update={"joins": (join.node,), "confidence": 0.4}))
    remedies = propose([replace(evenly_timed(audit), joins=(join,), findings=(drop, cure))])
    assert [r.kind for r in remedies] == ["more_statistics", "drop_index"]
    assert remedies[1].sql == ("DROP INDEX CONCURRENTLY public.stays_guest",)
    assert remedies[1].undo is not None
    assert remedies[1].undo[0].startswith("CREATE INDEX stays_guest ON public.stays")
    # On a copy where all of it takes a millisecond the cure is worth its share of the time, and no index is touched.
    tiny = propose([replace(evenly_timed(audit, 1.0), joins=(join,), findings=(drop, cure))])
    assert [r.kind for r in tiny] == ["more_statistics"]


def test_side_effects_name_the_other_readers(huts: Connection) -> None:
    """Another query on the table is named, one on other tables is not."""
    one = verdict(judged(huts, CROSSED), "crossed")
    other = replace(judged(huts, "select count(*) from stays where status = 's1'"), index=1)
    stranger = replace(judged(huts, "select count(*) from pg_class"), index=2)
    remedy = propose([one, other, stranger])[0]
    assert len(remedy.side_effects) == 1
    assert remedy.side_effects[0].change == "unknown"
    assert "ANALYZE refreshes" in (remedy.side_effects[0].basis or "")


def test_cautions_and_lock_are_told(huts: Connection) -> None:
    """Every remedy says what it locks, that it touches every query on the table, and that procedures come first."""
    for remedy in propose([verdict(judged(huts, CROSSED), "crossed")]):
        text = " ".join(remedy.cautions)
        assert "EXPLAIN ANALYZE executes" in text
        assert "every query on the table" in text
        assert "change procedure" in text
        assert remedy.lock == "SHARE UPDATE EXCLUSIVE"
        assert remedy.transactional
        assert remedy.reason.endswith(".")


def test_two_errors_need_two_cures(huts: Connection) -> None:
    """Both sides of a join misestimated twentyfold: either cure alone leaves the join wrong, so both go together."""
    huts.execute(
        "create table meals(id int, guest_id int, dish text, course text); "
        "insert into meals select i, i % 40000 + 1, 'd' || i % 60, 'k' || (i % 60) / 3 "
        "from generate_series(1, 120000) i; "
        "analyze meals"
    )
    query = (
        "select count(*) from stays s join meals m on m.guest_id = s.guest_id "
        "where s.city = 'c7' and s.region = 'r2' and m.dish = 'd7' and m.course = 'k2'"
    )
    huts.execute("set enable_nestloop = off")  # both sides read by themselves, so that both errors are seen
    audit = verdict(judged(huts, query), "crossed")
    huts.execute("reset enable_nestloop")
    remedies = propose([audit])
    together = remedies[0]
    assert set(together.tables) == {"public.stays", "public.meals"}
    assert together.reason.startswith("Only together")
    assert len([s for s in together.sql if s.startswith("CREATE STATISTICS")]) == 2
    assert len(together.findings) == 2
    assert len(remedies) >= 3
    assert not any(r.reason.startswith("Only together") for r in remedies[1:])
    for statement in (*together.sql, *(together.undo or ())):
        huts.execute(statement.encode())


def test_an_index_brings_back_the_scan_that_it_stands_in_for(huts: Connection) -> None:
    """A hash join whose outer side is read whole for a few rows: an index on its key spares just that scan."""
    query = "select count(*), max(s.region) from guests g join stays s on s.id = g.id where g.id < 40"
    audit = judged(huts, query)
    tree = audit.reckoned.tree
    (join,) = tree.joins()
    scan = next(n for n in tree.subtree(join) if getattr(tree.nodes[n], "relation_name", None) == "stays")
    timed = evenly_timed(audit)
    alone = replace(timed, own_ms=tuple(1000.0 if n == scan else 0.0 for n in range(len(timed.own_ms))))

    remedies = propose([alone])

    assert [r.kind for r in remedies] == ["new_index"]
    gain = remedies[0].expected_gain_ms
    assert gain is not None
    assert gain.high is not None
    assert gain.high > 700
