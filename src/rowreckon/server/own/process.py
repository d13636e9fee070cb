"""Starting and stopping the server process of one run."""

from __future__ import annotations

import contextlib
import fcntl
import subprocess
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from rowreckon.errors import CannotStart
from rowreckon.server.own.account import Account
from rowreckon.server.own.binaries import ServerBinaries
from rowreckon.server.own.rundir import RunFolder

START_TIMEOUT_S = 60.0
STOP_TIMEOUT_S = 15.0

# Runs the server as a child and stops it as soon as standard input closes, which the kernel does even when the
# process that started all this is killed.  $1 is the data folder to remove, or empty; $2 and $3 are the engine and name
# of the container that it runs in, or empty; the rest is the server's command.  A container that is only about to be
# made is waited for.
_GUARD = """
data=$1; engine=$2; container=$3; shift 3
remove() { [ -z "$container" ] || "$engine" rm --force --volumes "$container"; } >/dev/null 2>&1
end() {
  [ -n "$container" ] || { kill -QUIT "$server"; return; }
  while kill -0 "$server"; do remove; sleep 0.1; done
}
exec 4<&0
"$@" </dev/null 4<&- & server=$!
{ read -r _ <&4; end; } 2>/dev/null & reader=$!
exec 4<&-
wait "$server"; status=$?
kill "$reader" 2>/dev/null
remove
[ -z "$data" ] || rm -rf "$data"
exit "$status"
"""


def init_data(binaries: ServerBinaries, run: RunFolder, account: Account, options: Sequence[str] = ()) -> None:
    """Make the data folder (superuser `postgres`, UTF8, C locale, no password: only the socket's folder is a door).

    `options` are added to initdb's.

    Raises CannotStart with initdb's own words.
    """
    command: list[str | Path] = [binaries.bin / "initdb", "-D", run.data, "-U", "postgres", "-A", "trust"]
    command += ["-E", "UTF8", "--no-locale", "--no-sync", *options]
    try:
        done = binaries.launch(run.path, account).run(command, timeout=START_TIMEOUT_S)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise CannotStart(f"initdb of PostgreSQL {binaries.version} did not end: {error}") from None
    if done.returncode != 0:
        lines = [line for line in done.stderr.splitlines() if "error" in line or "FATAL" in line]
        reason = (lines or done.stderr.splitlines() or [f"exit status {done.returncode}"])[0].strip()
        raise CannotStart(
            f"initdb of PostgreSQL {binaries.version} failed: {reason}",
            hint=f"check space and permissions in {run.path}",
        )


class ServerProcess:
    """A running server and its guard; `stop` ends both and is safe to call twice."""

    def __init__(
        self,
        binaries: ServerBinaries,
        run: RunFolder,
        account: Account,
        settings: Mapping[str, str],
        *,
        keep_data: bool = False,
    ) -> None:
        """Start and wait until connections are accepted.  Raises CannotStart with the server's own last words.

        `keep_data`: another server is to be started on the same data after this one.
        """
        self._run = run
        self._launch = launch = binaries.launch(run.path, account)
        command = [str(binaries.bin / "postgres"), "-D", str(run.data), "-k", str(run.path)]
        for name, value in settings.items():
            command += ["-c", f"{name}={value}"]
        with run.log.open("ab") as log, run.server_lock.open("ab") as lock:
            # inherited by every server process: as long as one lives, the lock is held
            fcntl.flock(lock, fcntl.LOCK_EX)
            guard = ["/bin/sh", "-c", _GUARD, "rowreckon-guard", "" if keep_data else str(run.data)]
            self._guard = subprocess.Popen(
                [*guard, launch.engine, launch.container, *launch.prefix, *command],
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                cwd="/",
                env=dict(launch.environment),
                pass_fds=[lock.fileno()],
                # a Ctrl-C at the terminal is for the tool, which stops the server in its own time
                start_new_session=True,
                **launch.account.popen_options(),
            )
        try:
            self._wait_until_ready()
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        """Immediate shutdown: the data are thrown away, so nothing is worth a checkpoint."""
        if self._guard.stdin is not None:
            with contextlib.suppress(OSError):
                self._guard.stdin.close()
        try:
            self._guard.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            self._guard.kill()
            self._guard.wait()

    def end_in_order(self) -> None:
        """Have the server write everything down and end, for another one on the same data. Raises CannotStart."""
        try:
            self._launch.interrupt(self._run.data / "postmaster.pid")
            self._guard.wait(STOP_TIMEOUT_S)
        except (OSError, ValueError, IndexError, subprocess.TimeoutExpired):
            raise CannotStart("the server did not end in order", hint="try again") from None
        finally:
            self.stop()

    def _wait_until_ready(self) -> None:
        deadline = time.monotonic() + START_TIMEOUT_S
        status = self._run.data / "postmaster.pid"
        while True:
            if self._guard.poll() is not None:
                raise CannotStart(f"the embedded server stopped at its start: {_last_words(self._run.log)}")
            with contextlib.suppress(OSError):
                # the file's eighth line is the postmaster's status
                if any(line.strip() == "ready" for line in status.read_text().splitlines()[7:8]):
                    return
            if time.monotonic() > deadline:
                raise CannotStart(
                    f"the embedded server was not ready after {START_TIMEOUT_S:.0f} s: {_last_words(self._run.log)}",
                    hint="the machine may be overloaded; try again",
                )
            time.sleep(0.01)


def _last_words(log: Path) -> str:
    lines = [line.strip() for line in log.read_text(errors="replace").splitlines() if line.strip()]
    serious = [line for line in lines if "FATAL" in line or "PANIC" in line or "rror" in line]
    return (serious or lines or ["it left no message"])[-1]
