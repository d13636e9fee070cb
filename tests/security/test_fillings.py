"""Temporary tables that a trial fills: what fills one, and what reads it, is attacked with all that a query list is.

The permission is the widest: what fills a table has to be harmless whatever is permitted, since the transaction may
write as long as it is filled.  `test_teeth.py` shows that each attack leaves a mark without the tool.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from rowreckon import releases
from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import QueryItem, read_query_list
from rowreckon.sql.filling import Filling

from .generated import attack, combinations, spring, twin
from .house import House
from .tool import Watch

WIDEST = SafetyPermission(writes=True, volatile=True, role_changes=True)
READS = "select count(*) from trio_kept"


def ended(house: House, items: Iterable[QueryItem], permission: SafetyPermission) -> list[str]:
    """How each item ended, as the keeper: the outcome, or the reason of a failure."""
    with connected(house.keeper) as connection:
        executor = Executor(connection, permission)
        runs = [executor.run(item) for item in items]
    return [run.outcome if run.outcome != "failed" else f"failed: {run.reason}" for run in runs]


def fills(*queries: str) -> list[QueryItem]:
    """An item for each of these as what fills the table that it reads."""
    (item,) = read_query_list(READS)
    return [replace(item, fillings=(Filling("trio_kept", query),)) for query in queries]


def test_no_call_in_any_position_fills_a_table(newest_house: House, watch: Watch) -> None:
    attacks = [attack(*pair).text for pair in combinations(releases.NEWEST, every=False)][::8]
    assert len(attacks) > 30
    outcomes = ended(newest_house, fills(*attacks), WIDEST)

    assert [text for text, outcome in zip(attacks, outcomes, strict=True) if outcome != "refused"] == []
    watch.unchanged()


def test_twins_fill_one(newest_house: House, watch: Watch) -> None:
    """The same places with a harmless call are not refused; a table's columns need names that differ."""
    places = [place for place, _ in combinations(releases.NEWEST, every=False)][::16]
    twins = [twin(place).text for place in places if place.statement.startswith("select") and not place.xml]
    outcomes = ended(newest_house, fills(*twins), WIDEST)

    assert {outcome for outcome in outcomes if "specified more than once" not in outcome} == {"ran"}
    watch.unchanged()


MAY_NOT = (
    "select snare.liar(n) as n from trio",
    "select snare.stable_liar(n) as n from trio",
    "select 1 as n into kept_for_good",
    "select n from trio for update",
    "with gone as (delete from trio returning n) select n from gone",
    "delete from trio returning n",
    "select 1 as n; select snare.spring('second')",
    "select nextval('tickets') as n",
)


def test_what_may_not_fill_a_table(newest_house: House, watch: Watch) -> None:
    """Also what a list may run on the word of its declaration, and what a permitted write may do."""
    outcomes = ended(newest_house, fills(*MAY_NOT), WIDEST)

    assert dict(zip(MAY_NOT, outcomes, strict=True)) == dict.fromkeys(MAY_NOT, "refused")
    watch.unchanged()


def test_what_comes_by_the_table_alone(newest_house: House, watch: Watch) -> None:
    """The reading text names no type: its own cast is called for a value that the temporary table brings."""
    before = newest_house.marks()
    with connected(newest_house.keeper) as session:
        marks, _ = spring(newest_house, session, "select to_json(m) from (select m from snare.moods) as moods_kept")
    newest_house.set_marks(before)
    assert marks > 0
    (item,) = read_query_list("select to_json(m) from moods_kept")
    kept = replace(item, fillings=(Filling("moods_kept", "select m from snare.moods"),))

    assert ended(newest_house, [kept], SafetyPermission()) == ["refused"]
    watch.unchanged()


def test_no_event_trigger_fires(newest_house: House, watch: Watch) -> None:
    """Making the table is a part of EXPLAIN, for which the server fires none."""
    with connected(newest_house.superuser) as owner:
        owner.execute("create function seen() returns event_trigger language plpgsql as 'begin perform 1/0; end'")
        owner.execute("create event trigger seen_making on ddl_command_end execute function seen()")
        try:
            assert ended(newest_house, fills("select n from trio"), SafetyPermission()) == ["ran"]
        finally:
            owner.execute("set session_replication_role = replica")
            owner.execute("drop event trigger seen_making")
            owner.execute("drop function seen()")
    watch.unchanged()
