"""How a command that has an audit ends: it is printed, written to every report, and the run accounted for.

A signal that comes meanwhile waits until all is written; what can't be written keeps nothing else from being written.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rowreckon import signals
from rowreckon.cli.running.output import OutputFormat, print_audit, write_reports
from rowreckon.cli.running.status import Happened, defect_sentence, in_audit
from rowreckon.errors import RowreckonError
from rowreckon.frozen import frozen

if TYPE_CHECKING:
    from rowreckon.document.audit import Audit


@frozen
class ReadBaseline:
    """A baseline: its audit, the file that it came from, and when that was last written (UTC)."""

    audit: Audit
    file: str
    written: str | None


def end_audit(
    result: Audit,
    output: OutputFormat,
    reports: Sequence[Path],
    fail_on: frozenset[str],
    *,
    verbose: bool,
    baseline: ReadBaseline | None = None,
    failing: bool | None = None,
) -> Happened:
    """Print and write an audit; what happened. `failing` is worked out from its joins unless given."""
    known = None if baseline is None else baseline.audit
    with signals.held():
        if baseline is not None:
            result = beside(result, baseline, fail_on)
        happened = carried_out("printing the audit", lambda: print_audit(result, output, verbose=verbose))
        for path in reports:

            def write(path: Path = path) -> None:
                write_reports(result, [path], fail_on, known)

            happened.add(carried_out(f"writing the report {path.name}", write))
        if failing is None:
            failing = has_failing(result, fail_on, known)
        happened = in_audit(result, failing=failing).add(happened)
        if baseline is not None and result.plans and result.baseline is not None and not result.baseline.found:
            happened.undone.append(f"the baseline {baseline.file} holds none of these queries: nothing was compared")
        return happened


def beside(result: Audit, baseline: ReadBaseline, fail_on: frozenset[str]) -> Audit:
    """The audit with what comparing it with the baseline brought."""
    from rowreckon.report.comparing.baseline import compared_with

    return compared_with(result, baseline.audit, file=baseline.file, written=baseline.written, fail_on=fail_on)


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
