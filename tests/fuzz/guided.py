"""Coverage-guided fuzzing: `python -m tests.fuzz.guided CORPUS -runs=N` (options are libFuzzer's)."""

from __future__ import annotations

import sys

import atheris

with atheris.instrument_imports(include=["rowreckon.reading", "rowreckon.archive"]):
    from tests.fuzz.check import check_input


def one_input(data: bytes) -> None:
    """What atheris calls."""
    check_input(data)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
