"""The command line: the only part that knows the terminal, exit statuses and files to write.

Each command is one file; what it needs is imported when it runs, so that `rowreckon audit` of one plan starts quickly.
"""

from __future__ import annotations

import gc
import sys

from rowreckon import signals
from rowreckon.cli.running.streams import make_quiet


def main() -> None:
    """Run the command line and end the process with its exit status; `status` says what it means."""
    # A command starts by making tens of thousands of objects that live until it ends: few walks over them, not many.
    gc.set_threshold(100_000, 20, 20)
    signals.listen()
    try:
        make_quiet()
        from rowreckon.cli.run import run

        status = run(sys.argv[1:])
    except KeyboardInterrupt:
        # Before there was anything to report.
        sys.stderr.write("rowreckon: interrupted before anything was done\n")
        status = 128 + (signals.stopped_by() or 2)
    signals.hold_for_good()
    # The interpreter would walk all of it twice more on its way out, only to free what the system frees at once.
    gc.freeze()
    sys.exit(status)
