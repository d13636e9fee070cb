"""One executed plan as it may reach the tool: as JSON, as VERBOSE JSON, and with the catalog's facts.

Text is left out: without VERBOSE it does not say Inner Unique, by which JSON tells of an index that text can't.
"""

from __future__ import annotations

import itertools
import json
from typing import Any

import psycopg

from rowreckon.capture import Capture
from rowreckon.document.audit import Join
from rowreckon.intake import read_text
from rowreckon.plan import lay_out
from rowreckon.server.sweeping.facts import read_catalogs
from tests.joins.live import judge

from .cases import Case
from .measure import apply_settings, settings_for

_BY_A_TENTH = 1.1
FORMS = ("format json, ", "verbose, format json, ")


def captures(connection: psycopg.Connection[Any], case: Case) -> list[Capture]:
    """The case's plan in each form, the least telling first; none where the query takes too long."""
    found: list[Capture] = []
    with connection.transaction(force_rollback=True):
        apply_settings(connection, settings_for(case.settings, connection))
        try:
            with connection.transaction():
                for form in FORMS:
                    statement = f"explain ({form}analyze, settings, buffers off, timing off) {case.query}"
                    row = connection.execute(statement.encode()).fetchone()
                    assert row is not None
                    (read,) = read_text(json.dumps(row[0]))
                    assert isinstance(read, Capture), read
                    version = connection.info.server_version
                    found.append(read.model_copy(update={"server_version": version, "query": case.query}))
        except psycopg.errors.QueryCanceled:
            return []
        most = found[-1]
        assert most.explain is not None
        facts = read_catalogs(connection, [lay_out(most.explain.plan)], trust="own_list")[0]
    return [*found, most.model_copy(update={"catalog": facts})]


def less_decided(told: list[Capture]) -> list[str]:
    """Where a form that tells more decides less than one that tells less, or contradicts it by a tenth or more.

    What no plan tells is whether a lower join would be run in another way: by so little it may decide.
    """
    judged = [judge(capture) for capture in told]
    names = ("JSON", "VERBOSE JSON", "catalog")
    found: list[str] = []
    for less, more in itertools.combinations(range(len(judged)), 2):
        for before, after in zip(judged[less], judged[more], strict=True):
            if not _sharpens(before, after):
                found.append(
                    f"{names[less]}: {before.verdict}, {before.why} | {names[more]}: {after.verdict}, {after.why}"
                )
    return found


def _sharpens(before: Join, after: Join) -> bool:
    """Whether a verdict only got sharper: of accurate counts a crossing may be proven."""
    pair = before.verdict, after.verdict
    if pair[0] in (pair[1], "undecided") or pair == ("accurate", "crossed"):
        return True
    lost = [join.loss_factor or 1.0 for join in (before, after) if join.verdict == "crossed"]
    return pair[1] != "undecided" and max(lost, default=1.0) < _BY_A_TENTH
