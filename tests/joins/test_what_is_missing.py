"""What an undecided join asks for: never facts that its catalog already tells. Tried on a live server."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from rowreckon.capture import Capture
from rowreckon.counts import find_origins
from rowreckon.document.audit import Missing
from rowreckon.intake import read_path
from rowreckon.joins import judge_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from tests.servers.databases import run_script

from .live import capture
from .test_right_estimates import TABLES

# A guest's visits are compared with two conditions, one of them no equality: the facts do not price all of that.
OTHERS = (
    "select s.id from stay s join hut h on h.id = s.hut where s.week < 10 and s.season < 10"
    " and not exists (select from visit v where v.guest = s.guest and v.nights <> s.id)"
    " and exists (select from visit v where v.guest = s.guest and v.nights <> s.id)"
)
SAMPLES = Path(__file__).parents[2] / "sample_plans"
PARALLEL = {
    "jit": "off",
    "min_parallel_table_scan_size": "0",
    "parallel_setup_cost": "0",
    "parallel_tuple_cost": "0",
}


@pytest.fixture(scope="module")
def captured(database: str) -> Iterator[Capture]:
    """A join that stays undecided although the facts of all its tables were read."""
    run_script(database, TABLES)
    with psycopg.connect(database, autocommit=True) as session:
        yield capture(session, OTHERS, settings=PARALLEL)


def _missing(captured: Capture) -> tuple[Missing, ...]:
    reckoned = reckoned_of(captured)
    verdicts = judge_joins(captured, reckoned, find_origins(reckoned))
    assert "undecided" in [join.verdict for join in verdicts.joins]
    return verdicts.missing


def test_sizes_that_the_catalog_tells_are_not_missing(captured: Capture) -> None:
    """With the facts of all tables at hand it names what would still decide: running the query by each method."""
    (missing,) = _missing(captured)

    assert missing.what == "what the join takes by its other methods"
    assert "--contest" in missing.how


def test_only_the_tables_that_were_not_read_are_missing(captured: Capture) -> None:
    """Of a catalog that a role could read in part, the rest is named and no more."""
    assert captured.catalog is not None
    kept = tuple(relation for relation in captured.catalog.relations if relation.name != "visit")
    assert {relation.name for relation in kept} == {"stay", "hut"}
    partly = captured.catalog.model_copy(update={"relations": kept})
    (missing,) = _missing(captured.model_copy(update={"catalog": partly}))

    assert missing.what == "the sizes, statistics and indexes of public.visit"
    assert missing.why == "they were not all readable"


def test_what_is_no_table_has_no_size_to_ask_for() -> None:
    """A function's rows and a common table expression, in plans of an 18: only the tables beside them are named."""
    for sample in ("function-row-default.18.json", "cte-read-partly.18.json"):
        (taken,) = read_path(SAMPLES / sample)
        assert isinstance(taken, Capture)

        assert [m.what for m in _missing(taken) if "sizes" in m.what] == [
            "the sizes, statistics and indexes of public.payments"
        ]


def test_without_a_catalog_all_tables_are_missing(captured: Capture) -> None:
    """The plan alone tells no sizes: those of the tables would decide."""
    (missing,) = _missing(captured.model_copy(update={"catalog": None}))

    assert missing.what == "the sizes, statistics and indexes of public.stay, public.visit, public.hut"
    assert missing.why == "the plan alone does not tell them"
