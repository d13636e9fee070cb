"""A process that has loaded what the commands load, and forks for each run of one.

A run is a process of its own, with its own arguments, variables, folder, umask, streams and exit status; only the
loading, half a second of processor time, is done once. `cold` runs the command as a person does, from nothing, and
with all else that a process takes from the one that starts it (limits, ignored signals). What measures a run takes
`cold`: a warm run loads nothing, and its processor time is not counted among that of the test's children.

`python -m tests.cli.warm FD` is that process; FD is a socket on which it is asked, and with whose end it ends.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

_ROOT: Final = Path(__file__).parents[2]
_LONGEST: Final = 150_000
"""Bytes of a request that a socket takes in one piece."""
_AT_START: Final = ("PYTHON", "LANG", "LC_", "TZ", "MALLOC_", "LD_")
"""Variables that say something only to an interpreter that starts, by how their names begin."""

_IN_A_RUN: Final = {"COLUMNS", "NO_COLOR", "ROWRECKON_CONFIG"}
"""Variables that are asked for only while a run goes on, and by nothing while it loads."""

_warm: _Warm | None = None


def run(
    arguments: Sequence[str], stdin: str, environment: Mapping[str, str], timeout: float
) -> subprocess.CompletedProcess[str]:
    """`rowreckon ARGUMENTS` with this text on standard input and these variables set, from nothing where one of these
    may say something to what is loaded. Raises subprocess.TimeoutExpired."""
    global _warm
    if not environment.keys() <= _IN_A_RUN:
        return cold(arguments, stdin, environment, timeout)
    if _warm is None or not _warm.serves(os.environ):
        _warm = _Warm(os.environ)
    return _warm.run(arguments, stdin, {**os.environ, **environment}, timeout)


def cold(
    arguments: Sequence[str], stdin: str, environment: Mapping[str, str], timeout: float
) -> subprocess.CompletedProcess[str]:
    """The same, always from nothing."""
    return subprocess.run(
        [sys.executable, "-m", "rowreckon", *arguments],
        input=stdin,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **environment},
        timeout=timeout,
    )


def _said_at_start(environment: Mapping[str, str]) -> dict[str, str]:
    return {name: value for name, value in environment.items() if name.startswith(_AT_START)}


class _Warm:
    """This end of the process."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._at_start = _said_at_start(environment)
        self._asking, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            command = [sys.executable, "-m", "tests.cli.warm", str(theirs.fileno())]
            self._process = subprocess.Popen(
                command, cwd=_ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, pass_fds=[theirs.fileno()]
            )

    def serves(self, environment: Mapping[str, str]) -> bool:
        return self._at_start == _said_at_start(environment) and self._process.poll() is None

    def run(
        self, arguments: Sequence[str], stdin: str, environment: Mapping[str, str], timeout: float
    ) -> subprocess.CompletedProcess[str]:
        told, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        asked = json.dumps([[*arguments], environment, str(Path.cwd()), _umask()]).encode()
        assert len(asked) < _LONGEST, "too much for one request"
        pipes = [os.pipe() for _ in range(3)]
        (ins, given), (out, outs), (err, errs) = pipes
        with told, theirs:
            socket.send_fds(self._asking, [asked], [ins, outs, errs, theirs.fileno()])
            for number in (ins, outs, errs):
                os.close(number)
            theirs.close()
            pid = int(told.recv(100))
            stdout, stderr = _communicated(pid, given, stdin, out, err, timeout)
            status = int(told.recv(100))
        return subprocess.CompletedProcess([*arguments], status, stdout, stderr)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _communicated(pid: int, given: int, stdin: str, out: int, err: int, timeout: float) -> tuple[str, str]:
    """What the process prints; where it takes longer it is killed, and subprocess.TimeoutExpired raised."""
    printed: dict[int, str] = {}

    def reads(number: int) -> None:
        with open(number) as stream:
            printed[number] = stream.read()

    def writes() -> None:
        with contextlib.suppress(BrokenPipeError), open(given, "w") as stream:
            stream.write(stdin)

    threads = [threading.Thread(target=reads, args=(number,)) for number in (out, err)]
    threads.append(threading.Thread(target=writes))
    for thread in threads:
        thread.start()
    threads[0].join(timeout)
    late = threads[0].is_alive()
    if late:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    for thread in threads:
        thread.join()
    if late:
        raise subprocess.TimeoutExpired("rowreckon", timeout, printed[out], printed[err])
    return printed[out], printed[err]


def _load() -> None:
    """All modules of the commands; what works on archives starts threads and is left to those that need it."""
    import importlib
    import pkgutil

    import rowreckon

    for module in pkgutil.walk_packages(rowreckon.__path__, "rowreckon."):
        if not module.name.startswith(("rowreckon.archive", "rowreckon.__main__")):
            importlib.import_module(module.name)


def _serve(asked: socket.socket) -> bool:
    """Answer requests until nobody can ask; True in the process of a run, which then has all that it was given."""
    ended, tells = os.pipe()
    os.set_blocking(tells, False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(tells)
    import selectors

    running: dict[int, socket.socket] = {}
    with selectors.DefaultSelector() as waiting:
        waiting.register(asked, selectors.EVENT_READ)
        waiting.register(ended, selectors.EVENT_READ)
        while True:
            for key, _ in waiting.select():
                if key.fileobj == ended:
                    os.read(ended, 100)
                    _tell_of(running)
                    continue
                request, numbers, _, _ = socket.recv_fds(asked, _LONGEST, 4)
                if not request:
                    return False
                told = socket.socket(fileno=numbers[3])
                pid = os.fork()
                if pid == 0:
                    for mine in (ended, tells, asked.detach(), told.detach()):
                        os.close(mine)
                    for other in running.values():
                        other.close()
                    _become(request, numbers[:3])
                    return True
                for number in numbers[:3]:
                    os.close(number)
                told.send(str(pid).encode())
                running[pid] = told


def _tell_of(running: dict[int, socket.socket]) -> None:
    """Tell those who wait of the runs that have ended."""
    while running:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if pid == 0:
            return
        with running.pop(pid) as told, contextlib.suppress(OSError):
            told.send(str(os.waitstatus_to_exitcode(status)).encode())


def _become(request: bytes, numbers: Sequence[int]) -> None:
    """Be the process that was asked for."""
    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    arguments, environment, folder, mask = json.loads(request)
    os.umask(mask)
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    for at, number in enumerate(numbers):
        os.dup2(number, at)
        os.close(number)
    sys.argv = ["rowreckon", *arguments]
    sys.stdin = sys.__stdin__ = open(0, encoding=sys.stdin.encoding, errors=sys.stdin.errors, closefd=False)  # type: ignore[misc]  # noqa: SIM115


if __name__ == "__main__":
    with socket.socket(fileno=int(sys.argv[1])) as _asked:
        _load()
        _run = _serve(_asked)
    if _run:
        from rowreckon.cli import main

        main()
