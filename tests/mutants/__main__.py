"""Draws mutants of the core by lot, has mutmut try them, and holds the share that the tests kill.

    python -m tests.mutants MUTMUT [--most 300] [--seed N]

`MUTMUT` is mutmut's command (version 3.8). The parts that are mutated and the tests that may kill a mutant stand in
`[tool.mutmut]` of pyproject.toml; of these tests mutmut runs those that reach the mutated function. A day's seed is
taken unless one is named. Survivors are printed with what was changed in them. Ends with status 1 where fewer than
nine in ten are killed; proven equivalents (`equivalents.yaml`) are counted apart.
"""

from __future__ import annotations

import argparse
import math
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

import yaml

LEAST: Final = 0.9
"""The share that must be killed. No source: the bar that this project set itself."""
KILLED: Final = frozenset({"killed", "timeout", "segfault"})
"""What mutmut calls a mutant under which a test failed, never ended, or ended the process."""
A_SMALL_PART: Final = "rowreckon.cost.quals.*"
"""Trying a few mutants has mutmut make all of them and see which test reaches which function."""
EQUIVALENTS: Final = Path(__file__).with_name("equivalents.yaml")


class Change(NamedTuple):
    """What a mutant changed: the function's full name, the lines taken out and those put in, without indentation."""

    function: str
    minus: str
    plus: str


def drawn(names: Sequence[str], most: int, seed: int) -> list[str]:
    """So many of the mutants by lot, all where there are no more; the same seed draws the same ones."""
    return random.Random(seed).sample(sorted(names), min(most, len(names)))


def wilson(killed: int, tried: int) -> tuple[float, float]:
    """The 95 % interval of a share by Wilson's score (1927); meaningless of none tried."""
    z = 1.959964
    share, span = killed / tried, z * z / tried
    middle = (share + span / 2) / (1 + span)
    half = z / (1 + span) * math.sqrt(share * (1 - share) / tried + span / (4 * tried))
    return middle - half, middle + half


def function_of(mutant: str) -> str:
    """`rowreckon.cost.pages.x_index_pages_fetched__mutmut_3` is one of `rowreckon.cost.pages.index_pages_fetched`."""
    module, _, name = mutant.rpartition(".")
    name = name.rpartition("__mutmut_")[0]
    if name.startswith("xǁ"):
        return f"{module}.{name[2:].replace('ǁ', '.')}"
    return f"{module}.{name.removeprefix('x_')}"


def change_of(mutant: str, shown: str) -> Change:
    """What `mutmut show` printed of a mutant, as one change."""
    lines = [line for line in shown.splitlines() if not line.startswith(("---", "+++"))]
    minus, plus = ("\n".join(line[1:].strip() for line in lines if line.startswith(sign)) for sign in "-+")
    return Change(function_of(mutant), minus, plus)


def proven() -> dict[Change, str]:
    """The mutants that are proven to behave as the code does, each with its proof."""
    entries = yaml.safe_load(EQUIVALENTS.read_text(encoding="utf-8"))
    return {Change(e["function"], e["minus"], e["plus"]): e["proof"] for e in entries}


def statuses(mutmut: str) -> dict[str, str]:
    """Every mutant by its name, and what mutmut says of it."""
    told = _output(mutmut, "results", "--all", "true")
    pairs = (line.strip().rpartition(": ") for line in told.splitlines() if "__mutmut_" in line)
    return {name: status for name, _, status in pairs}


def tried(mutmut: str, most: int, seed: int) -> dict[str, str]:
    """The mutants drawn, each with what became of it. Raises CalledProcessError where mutmut itself fails."""
    _run(mutmut, "run", A_SMALL_PART)
    names = drawn(list(statuses(mutmut)), most, seed)
    _run(mutmut, "run", *names)
    found = statuses(mutmut)
    return {name: found[name] for name in names}


def judged(results: Mapping[str, str], shown: Mapping[str, str], seed: int) -> tuple[bool, str]:
    """Whether enough were killed, and the report: counts, share with its interval, and each survivor's change."""
    known = proven()
    survivors = {name: change_of(name, shown[name]) for name, status in results.items() if status not in KILLED}
    equivalent = {name for name, change in survivors.items() if change in known}
    lines = [
        f"{name}: {results[name]}\n  - {change.minus}\n  + {change.plus}"
        for name, change in survivors.items()
        if name not in equivalent
    ]
    killed, counted = len(results) - len(survivors), len(results) - len(equivalent)
    if not counted:
        return False, f"no mutant was tried (seed {seed})"
    low, high = wilson(killed, counted)
    lines += [
        f"{status}: {number}" for status, number in sorted(Counter(results.values()).items(), key=lambda pair: pair[0])
    ]
    lines.append(
        f"{killed} of {counted} mutants killed, {killed / counted:.1%} (95 % interval {low:.1%} to {high:.1%}), "
        f"{len(equivalent)} proven equivalents apart, seed {seed}"
    )
    return killed >= LEAST * counted, "\n".join(lines)


def _output(*command: str) -> str:
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout


def _run(*command: str) -> None:
    """Without its output unless it fails: mutmut draws a spinner for each line that a test prints."""
    ran = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace")
    if ran.returncode:
        print("\n".join(ran.stdout.replace("\r", "\n").splitlines()[-60:]), file=sys.stderr)
        ran.check_returncode()


def main(arguments: Sequence[str]) -> int:
    """Draw, try, and tell; the exit status says whether the bar is held."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants")
    parser.add_argument("mutmut")
    parser.add_argument("--most", type=int, default=300)
    parser.add_argument("--seed", type=int, default=int(f"{datetime.now(UTC):%Y%m%d}"))
    given = parser.parse_args(arguments)
    results = tried(given.mutmut, given.most, given.seed)
    shown = {name: _output(given.mutmut, "show", name) for name, status in results.items() if status not in KILLED}
    held, report = judged(results, shown, given.seed)
    print(report)
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
