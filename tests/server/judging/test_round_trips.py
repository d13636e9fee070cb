"""How many statements the server is sent for each item of a list. Counted, since a clock tells of the machine."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import QueryItem, read_query_list
from tests.servers.databases import run_script

ITEMS = 100
# BEGIN, limits, guards, search path, names, search path back, EXPLAIN, guards, ROLLBACK
MOST_PLANNED = 10
# one more EXPLAIN, and the guards after it
MOST_RUN = 12
TABLES = """
create table if not exists guest_house(id int primary key, name text, beds int);
create table if not exists night(id int primary key, house_id int, guests int, day date);
"""
_HEAD = "select h.name, count(*), max(n.guests) from guest_house h join night n on n.house_id = h.id"


@pytest.fixture
def items(bells: str) -> tuple[QueryItem, ...]:
    run_script(bells, TABLES)
    query = "{} where h.beds > {} and (n.guests < 9 or n.guests is null) group by h.name order by 2 desc;"
    return read_query_list("\n".join(query.format(_HEAD, number) for number in range(ITEMS)))


def sent(connection: Connection, monkeypatch: pytest.MonkeyPatch, work: Callable[[], None]) -> list[str]:
    """The statements that the connection sends while the work is done."""
    texts: list[str] = []
    execute = connection.execute

    def counted(query: Any, *given: Any, **more: Any) -> Any:
        texts.append(query.decode() if isinstance(query, bytes) else str(query))
        return execute(query, *given, **more)

    with monkeypatch.context() as patch:
        patch.setattr(connection, "execute", counted)
        work()
    return texts


def test_statements_of_an_item(bells: str, items: tuple[QueryItem, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """Planned and run; what one item has shown of casts, classes, types and functions is not asked again."""
    with connected(bells) as connection:
        executor = Executor(connection, SafetyPermission())

        def look() -> None:
            assert {executor.look(item).outcome for item in items} == {"ran"}

        def run() -> None:
            assert {executor.run(item).outcome for item in items} == {"ran"}

        planned = sent(connection, monkeypatch, look)
        ran = sent(connection, monkeypatch, run)

    print(f"{len(planned) / ITEMS} statements an item planned, {len(ran) / ITEMS} an item run that was planned before")
    assert len(planned) <= MOST_PLANNED * ITEMS
    assert len(ran) <= MOST_RUN * ITEMS
    assert sum("pg_cast" in text for text in planned) == 1


def test_names_not_yet_known_are_read_anew(bells: str, items: tuple[QueryItem, ...]) -> None:
    """A function that comes to be between two items is judged as it stands, whatever was asked before."""
    run_script(bells, "drop function if exists late_bell(int)")
    ringing = read_query_list("select late_bell(1)")[0]
    again = read_query_list("select late_bell(2)")[0]
    with connected(bells) as connection:
        executor = Executor(connection, SafetyPermission())
        assert executor.look(ringing).outcome == "failed"
        run_script(
            bells,
            "create function late_bell(int) returns int language plpgsql volatile as 'begin return $1; end'",
        )
        late = executor.look(again)

    assert late.outcome == "refused"
    assert "late_bell" in (late.reason or "")
