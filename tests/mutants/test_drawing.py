"""How mutants are drawn and told: against a published interval, mutmut's own names, and the sources."""

from __future__ import annotations

import importlib
import inspect
from operator import attrgetter

import pytest

from rowreckon.remedies.change import read_change
from tests.mutants import __main__ as mutants
from tests.mutants.forgetting import _forgetting

SHOWN = """# rowreckon.cost.pages.x_index_pages_fetched__mutmut_1: survived
--- src/rowreckon/cost/pages.py
+++ src/rowreckon/cost/pages.py
@@ -10,7 +10,7 @@
     '''
-    t = pages if pages > 1.0 else 1.0
+    t = pages if pages >= 1.0 else 1.0
     total = total_table_pages + index_pages
"""
CHANGE = mutants.Change(
    "rowreckon.cost.pages.index_pages_fetched",
    "t = pages if pages > 1.0 else 1.0",
    "t = pages if pages >= 1.0 else 1.0",
)


def test_the_interval() -> None:
    """Newcombe, 'Two-sided confidence intervals for the single proportion' (1998), table I: 81 of 263, 0 of 20.

    The figures are quoted from memory.
    """
    assert mutants.wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert mutants.wilson(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)


def test_a_seed_draws_the_same_in_any_order() -> None:
    """Whatever order mutmut lists them in."""
    names = [f"m{number}" for number in range(50)]
    assert mutants.drawn(names, 20, 7) == mutants.drawn(names[::-1], 20, 7)
    assert mutants.drawn(names, 20, 7) != mutants.drawn(names, 20, 8)
    assert sorted(mutants.drawn(names, 300, 7)) == sorted(names)


def test_what_a_mutant_changed() -> None:
    """As mutmut 3.8 names and shows mutants of functions and of methods."""
    assert mutants.change_of("rowreckon.cost.pages.x_index_pages_fetched__mutmut_1", SHOWN) == CHANGE
    method = "rowreckon.remedies.subject.xǁTableNameǁ__str____mutmut_1"
    assert mutants.function_of(method) == "rowreckon.remedies.subject.TableName.__str__"
    assert mutants.function_of("rowreckon.cost.quals.x__probability__mutmut_12") == "rowreckon.cost.quals._probability"


def test_the_bar_can_be_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nine in ten killed hold it; a survivor more, or nothing tried, does not. A proven equivalent counts apart."""
    one = "rowreckon.cost.pages.x_index_pages_fetched__mutmut_"
    results = {f"{one}{number}": "killed" for number in range(9)} | {f"{one}9": "survived"}
    shown = {f"{one}9": SHOWN, f"{one}10": SHOWN}
    assert mutants.judged(results, shown, 7)[0]
    held, report = mutants.judged({**results, f"{one}10": "no tests"}, shown, 7)
    assert not held
    assert f"+ {CHANGE.plus}" in report
    assert "9 of 11 mutants killed, 81.8%" in report
    assert not mutants.judged({}, {}, 7)[0]
    monkeypatch.setattr(mutants, "proven", lambda: {CHANGE: "pages are whole numbers, of which 1 gives 1 either way"})
    held, report = mutants.judged({**results, f"{one}10": "no tests"}, shown, 7)
    assert held
    assert "9 of 9 mutants killed" in report


def test_each_equivalent_is_of_the_code_as_it_stands() -> None:
    """A proof of a line that has changed since proves nothing."""
    for change, proof in mutants.proven().items():
        module, function = _found(change.function)
        lines = {line.strip() for line in inspect.getsource(attrgetter(function)(module)).splitlines()}
        assert set(change.minus.splitlines()) <= lines, change
        assert len(proof.split()) >= 5, change


def _found(function: str) -> tuple[object, str]:
    """The module of a function's full name, and the rest of that name within it."""
    parts = function.split(".")
    for end in range(len(parts) - 1, 0, -1):
        try:
            return importlib.import_module(".".join(parts[:end])), ".".join(parts[end:])
        except ModuleNotFoundError:
            continue
    raise AssertionError(f"no module of {function}")


def test_a_test_finds_nothing_remembered_while_mutants_are_tried() -> None:
    """A statement that was read before is read again, so that a mutant of its reader is met."""
    read_change("ANALYZE huts")
    assert read_change.cache_info().currsize
    for forget in _forgetting(0):
        forget()
    assert not read_change.cache_info().currsize
