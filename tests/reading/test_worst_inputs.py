"""No reader walks its text once for each of its parts: the worst inputs of every way in, none over its share of work.

The system ends a reading that takes sixty times what it should. At this size a walk for each part would take a
hundred times as long as one walk; `tests/benchmarks/test_linear_readers.py` holds the ratios themselves.
"""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.reading.read_worst import WAYS

SIZE = 128 * 1024
SECONDS = 20
_RUN = "import sys; from tests.reading.read_worst import main; main(*sys.argv[1:], seconds={})"


# Packed inputs take half a minute, and are read as the others once they are unpacked; schema files take about as long,
# and tests/declared counts what short ones take.
LONG = {"packed", "schema", "text"}


@pytest.mark.parametrize("way", [pytest.param(w, marks=pytest.mark.full) if w in LONG else w for w in WAYS])
def test_no_input_is_hopeless(way: str) -> None:
    """Each ends with plans or a refusal, and with no other error."""
    names = list(WAYS[way][1])
    done = subprocess.run(
        [sys.executable, "-c", _RUN.format(SECONDS), way, str(SIZE), *names],
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, (done.stdout.splitlines()[-1:], done.stderr[-2000:])
    assert done.stdout.count('"seconds"') == len(names)


def test_a_hopeless_input_is_seen() -> None:
    """The bound ends a process that goes on and on, so that the test above can fail."""
    code = "import tests.reading.read_worst as r\n"
    code += "def forever(data):\n    while True: pass\n"
    code += "r.WAYS['text'] = (forever, r.WAYS['text'][1]); r.main('text', '1', 'spaces', seconds=1)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert done.returncode != 0
    assert done.stdout.splitlines() == ["spaces"]
