"""Fuzzing of all readers: seeded mutations, free text and nested values by hypothesis, coverage-guided by atheris."""

from __future__ import annotations

import importlib.util
import json
import os
import random
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.check import check_input
from tests.fuzz.corpus import SEEDS, mutated

ROOT = Path(__file__).parents[2]
SHARDS = 4
FEW, MANY = 400, 225_000


@pytest.mark.parametrize("seed", SEEDS, ids=range(len(SEEDS)))
def test_every_seed_is_a_plan(seed: bytes) -> None:
    """What fuzzing starts from is read, so that what it changes is near a plan."""
    assert check_input(seed, in_full=True) == 1


def _run(shard: int, count: int) -> int:
    draw = random.Random(shard)
    plans = 0
    for number in range(count):
        plans += check_input(mutated(draw), in_full=number % 10 == 0)
    return plans


@pytest.mark.parametrize("shard", range(SHARDS))
def test_mutated_plans(shard: int) -> None:
    """A few hundred changed plans a shard; some are plans still."""
    assert _run(shard, FEW) > FEW // 20


@pytest.mark.full
@pytest.mark.parametrize("shard", range(SHARDS, 2 * SHARDS))
def test_mutated_plans_in_full(shard: int) -> None:
    """900,000 changed plans; with hypothesis and atheris below a million inputs."""
    assert _run(shard, MANY) > MANY // 20


# Two thirds of the texts hold words that some reader looks for.
_WORDS = st.sampled_from(
    [
        "Plan",
        "Node Type",
        "Seq Scan on huts",
        "(cost=0.00..1.00 rows=1 width=4)",
        "duration: 1.000 ms  plan:",
        "<explain>",
    ]
)
_texts = st.lists(
    st.one_of(st.text(max_size=40), _WORDS, st.sampled_from(["\n", "\t", " ", "->  ", "- "])), max_size=20
)
_values = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(
            st.one_of(
                st.text(max_size=10),
                st.sampled_from(["Plan", "Plans", "Node Type", "Plan Rows", "Actual Rows", "Actual Loops", "Workers"]),
            ),
            inner,
            max_size=6,
        ),
    ),
    max_leaves=25,
)
_relaxed = settings(deadline=None, suppress_health_check=list(HealthCheck), max_examples=150)
_thorough = settings(_relaxed, max_examples=25_000)


def _text(parts: list[str]) -> None:
    check_input("".join(parts).encode("utf-8", "surrogatepass"), in_full=True)


def _value(plan: Any, form: str) -> None:
    text = json.dumps({"Plan": plan} if form == "document" else plan)
    if form == "log":
        text = "2026-07-01 00:00:00.000 UTC [7] LOG:  duration: 1.000 ms  plan:\n\t" + text + "\n"
    check_input(text.encode(), in_full=True)


_forms = st.sampled_from(["document", "bare", "log"])


@_relaxed
@given(_texts)
def test_any_text(parts: list[str]) -> None:
    """Free text with words that readers look for."""
    _text(parts)


@_relaxed
@given(_values, _forms)
def test_any_value_in_the_place_of_a_plan(plan: Any, form: str) -> None:
    """Nested values with keys of plans."""
    _value(plan, form)


@pytest.mark.full
@_thorough
@given(_texts)
def test_any_text_in_full(parts: list[str]) -> None:
    """25,000 of them."""
    _text(parts)


@pytest.mark.full
@_thorough
@given(_values, _forms)
def test_any_value_in_full(plan: Any, form: str) -> None:
    """25,000 of them."""
    _value(plan, form)


def _guided(runs: int, tmp_path: Path) -> None:
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris has no wheel for this Python")
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(SEEDS):
        (corpus / f"seed-{number}").write_bytes(seed)
    # A child's peak starts from its parent's, which reading a 200 MB document may have raised.
    most_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024 + 1024
    options = [f"-runs={runs}", "-seed=7", "-max_len=4096", f"-rss_limit_mb={most_mb}"]
    command = [sys.executable, "-m", "tests.fuzz.guided", str(corpus), *options]
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONHASHSEED": "0"}
    )

    assert done.returncode == 0, done.stderr[-3000:]


def test_guided_by_coverage(tmp_path: Path) -> None:
    """A few hundred inputs that atheris finds itself."""
    _guided(300, tmp_path)


@pytest.mark.full
def test_guided_by_coverage_in_full(tmp_path: Path) -> None:
    """50,000 of them."""
    _guided(50_000, tmp_path)
