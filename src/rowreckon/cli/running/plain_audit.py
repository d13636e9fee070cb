"""`rowreckon audit PATH…` without an option: what is typed most, and waited for most.

No word of it needs a parser, and the parser takes longer to load than the plan to read and judge. What comes of it is
what `audit_command` makes of the same words.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from rowreckon.archive.detect import is_archive
from rowreckon.cli.running.status import Happened, not_analyzed


def is_plain(words: Sequence[str]) -> bool:
    """Whether these words audit plans without any option, and none of their paths is an archive."""
    if len(words) < 2 or words[0] != "audit":
        return False
    paths = words[1:]
    if any(word.startswith("-") and word != "-" for word in paths):
        return False
    return not (list(paths) == ["-"] and not sys.stdin.isatty()) and not any(map(is_archive, paths))


def audit_plainly(paths: Sequence[str]) -> Happened:
    """Audit the plans of these paths, and print the report."""
    from rowreckon.cli.inputs import read_inputs
    from rowreckon.cli.running.audit_all import audit_all
    from rowreckon.cli.running.ending import end_audit
    from rowreckon.cli.running.output import OutputFormat

    result = audit_all(read_inputs(paths), curves=False)
    happened = Happened(undone=not_analyzed(result))
    return end_audit(result, OutputFormat.terminal, [], frozenset(), verbose=False).add(happened)
