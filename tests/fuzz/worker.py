"""Runs commands one after another in one process: each line of standard input is a list of arguments.

Answers each with a line of JSON: exit status, what was printed, what was said. A worker that dies says nothing more.
"""

from __future__ import annotations

import contextlib
import io
import json
import resource
import sys

MOST_SECONDS = 120
"""Processor time after which a command counts as one that never ends, on whatever machine."""


def main() -> None:
    """Until standard input ends."""
    from rowreckon.cli.run import app, run

    out = sys.stdout
    for line in sys.stdin:
        used = resource.getrusage(resource.RUSAGE_SELF)
        limit = int(used.ru_utime + used.ru_stime) + MOST_SECONDS
        resource.setrlimit(resource.RLIMIT_CPU, (limit, resource.RLIM_INFINITY))
        app.registered_commands.clear()
        printed, said = _Stream(), _Stream()
        with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(said):
            status = run(json.loads(line))
        out.write(json.dumps([status, printed.text()[:20_000], said.text()[:20_000]]) + "\n")
        out.flush()


class _Stream(io.TextIOWrapper):
    def __init__(self) -> None:
        super().__init__(io.BytesIO(), encoding="utf-8", errors="surrogatepass", write_through=True)

    def text(self) -> str:
        self.flush()
        data = self.buffer.getvalue()  # type: ignore[attr-defined]
        return str(data.decode("utf-8", "replace"))


if __name__ == "__main__":
    main()
