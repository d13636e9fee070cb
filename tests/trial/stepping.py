"""Sends a command a signal at one of its own steps: nothing here looks at the clock, so a busy machine changes nothing.

A step is a call of a function of the command line or of `server/`, or a wait for the server's answer, named by the
function that asked. `followed` makes a folder for `scene.start`, whose process then follows itself: without a step it
counts its steps, with one it sends itself the signal there, at the call or while the server works.
"""

from __future__ import annotations

import atexit
import json
import os
import signal
import sys
import threading
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, Final

_ROOT: Final = Path(__file__).parents[2]
_STEPS, _SENT = "steps.json", "sent"
_OVER: Final = "cli/run.py _tell"
"""From here on the run is over, and a signal is only noted. A run that only counts has to come here."""


@dataclass(frozen=True, slots=True)
class Step:
    """The `turn`-th time (from 1) that the command comes to a place."""

    place: str
    turn: int


def followed(folder: Path, step: Step | None = None, number: signal.Signals = signal.SIGINT) -> Path:
    """The folder for `scene.start`; without a step, the process only counts."""
    folder.mkdir()
    words = None if step is None else {**asdict(step), "number": int(number)}
    (folder / "sitecustomize.py").write_text(
        f"import sys\nsys.path.append({str(_ROOT)!r})\n"
        f"from tests.trial.stepping import follow\nfollow({str(folder)!r}, {words!r})\n"
    )
    return folder


def steps_in(folder: Path) -> dict[str, int]:
    """After a run that only counted: its places in the order in which it came to them, and how often it did."""
    found: dict[str, int] = json.loads((folder / _STEPS).read_text())
    assert found.pop(f"call {_OVER}", 0) == 1, "the end of a run is elsewhere now"
    return found


def sent_when_connected(folder: Path) -> bool | None:
    """Whether the command had asked a server something when its signal was sent; None where it came to no such step."""
    path = folder / _SENT
    return path.read_text() == "connected" if path.exists() else None


def follow(folder: str, step: dict[str, Any] | None) -> None:
    """Called within the command's process before anything else of it."""
    from psycopg import waiting

    from rowreckon import signals

    follower = _Follower(Path(folder), step)
    listen, wait = signals.listen, waiting.wait

    def begun() -> None:
        listen()
        sys.setprofile(follower.called)

    def waited(*given: Any, **more: Any) -> Any:
        follower.waits(sys._getframe(1))
        return wait(*given, **more)

    signals.listen, waiting.wait = begun, waited
    if step is None:
        atexit.register(follower.write)


class _Follower:
    def __init__(self, folder: Path, step: dict[str, Any] | None) -> None:
        import rowreckon

        self._folder = folder
        self._step = step
        self._source = f"{Path(rowreckon.__file__).parent}{os.sep}"
        self._names: dict[CodeType, str] = {}
        self._found: Counter[str] = Counter()
        self._connected = False
        self._asleep = threading.Semaphore(0)
        if step is not None:
            threading.Thread(target=self._send, daemon=True).start()

    def called(self, frame: FrameType, event: str, _: object) -> None:
        """What the interpreter tells of each call."""
        if event != "call":
            return
        name = self._names.get(frame.f_code)
        if name is None:
            name = self._names[frame.f_code] = self._name(frame.f_code)
        if name == _OVER:
            sys.setprofile(None)
            self._found[f"call {name}"] += 1
        elif name.startswith(("server/", "cli/")) and self._is_it(f"call {name}"):
            self._kill()

    def waits(self, frame: FrameType | None) -> None:
        """Before each wait: the signal is sent by a thread that gets its turn once this one waits for the server."""
        self._connected = True
        while frame is not None and not self._asks(frame.f_code):
            frame = frame.f_back
        if frame is not None and self._is_it(f"wait {self._name(frame.f_code)}"):
            self._asleep.release()

    def _asks(self, code: CodeType) -> bool:
        return self._name(code).startswith("server/") and "patience.py" not in code.co_filename

    def _name(self, code: CodeType) -> str:
        inside = code.co_filename.startswith(self._source) and not code.co_name.startswith("<")
        return f"{code.co_filename.removeprefix(self._source)} {code.co_qualname}" if inside else ""

    def _is_it(self, place: str) -> bool:
        self._found[place] += 1
        step = self._step
        return step is not None and step["place"] == place and step["turn"] == self._found[place]

    def _send(self) -> None:
        self._asleep.acquire()
        self._kill()

    def _kill(self) -> None:
        assert self._step is not None
        (self._folder / _SENT).write_text("connected" if self._connected else "before")
        os.kill(os.getpid(), self._step["number"])

    def write(self) -> None:
        """Keep what was counted."""
        (self._folder / _STEPS).write_text(json.dumps(self._found))
