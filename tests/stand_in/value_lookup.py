"""What a map of values says of one value, and whether the server with the data says so too."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import psycopg

from rowreckon.document.audit import PlanForValue
from rowreckon.sql.grammar import parse, printed
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.values.kinds import Kind, Value
from rowreckon.stand_in.values.places import Place, with_value
from rowreckon.stand_in.values.shape import Shapes


def plan_told(entries: Sequence[PlanForValue], value: Value, kind: Kind) -> str | None:
    """The plan that the map has for a value; None where it has none."""
    for entry in entries:
        if value.text in entry.values or (value.at is not None and _within(entry, value.at, kind)):
            return entry.plan
    return next((entry.plan for entry in entries if entry.others), None)


def _within(entry: PlanForValue, place: Any, kind: Kind) -> bool:
    if entry.values or entry.others:
        return False
    low, high = (kind.read(end) if end is not None else None for end in (entry.low, entry.high))
    return (low is None or low.at <= place) and (high is None or place <= high.at)


def server_says(
    source: psycopg.Connection[Any], query: str, place: Place, value: Value, facts: StandInFacts, settings: str
) -> str:
    """The plan of the query with this value, by EXPLAIN of the server that has the data."""
    text = printed(with_value(parse(query), place, value))
    with source.transaction(force_rollback=True):
        source.execute(settings.encode())
        row = source.execute(f"explain (format json) {text}".encode()).fetchone()
    assert row is not None
    return Shapes(facts).line(row[0][0]["Plan"])
