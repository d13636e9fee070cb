"""How a command that has an audit ends: it is printed, written to every report, and the run accounted for.

A signal that comes meanwhile waits until all is written; what can't be written keeps nothing else from being written.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rowreckon import signals
from rowreckon.cli.output import OutputFormat, print_audit, write_reports
from rowreckon.cli.running.status import Happened, defect_sentence, in_audit
from rowreckon.errors import RowreckonError

if TYPE_CHECKING:
    from rowreckon.document.audit import Audit


def end_audit(
    result: Audit,
    output: OutputFormat,
    reports: Sequence[Path],
    fail_on: frozenset[str],
    *,
    verbose: bool,
    baseline: Audit | None = None,
    failing: bool | None = None,
) -> Happened:
    """Print and write an audit; what happened. `failing` is worked out from its joins unless given."""
    with signals.held():
        happened = carried_out("printing the audit", lambda: print_audit(result, output, verbose=verbose))
        for path in reports:

            def write(path: Path = path) -> None:
                write_reports(result, [path], fail_on, baseline)

            happened.add(carried_out(f"writing the report {path.name}", write))
        if failing is None:
            failing = has_failing(result, fail_on, baseline)
        return in_audit(result, failing=failing).add(happened)


def carried_out(doing: str, step: Callable[[], None]) -> Happened:
    """Carry out one step that others do not depend on; what went wrong with it."""
    try:
        step()
    except RowreckonError as error:
        return Happened(undone=[error.sentence()])
    except Exception as error:
        return Happened(defects=[defect_sentence(error, doing)])
    return Happened()


def has_failing(result: Audit, fail_on: frozenset[str], baseline: Audit | None) -> bool:
    """Whether a join has a verdict of `fail_on` (and had not in the baseline): what the JUnit report calls failed."""
    if not fail_on:
        return False
    from rowreckon.report.formats.junit import failures

    return bool(failures(result, set(fail_on), baseline))
