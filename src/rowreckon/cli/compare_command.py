"""`rowreckon compare`: what changed between two audits, captures or plans of the same queries."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rowreckon.cli import options
from rowreckon.cli.masking import MaskNamesOption, MaskOption
from rowreckon.cli.running.output import OutputFormat
from rowreckon.cli.running.status import Happened
from rowreckon.signals import held, stopped_by

if TYPE_CHECKING:
    from rowreckon.report.comparing.compare import Comparison

_FAILS = ("difference", "slower", "method", "verdict", "misestimate", "outcome")
_FORMS = {".html": "html", ".htm": "html", ".md": "markdown", ".json": "json"}


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("compare", help="Compare two audits, captures or plans of the same queries.")(compare_command)


def compare_command(
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="An audit (.json), plan or capture files, a folder.")],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The same, later; or - for standard input.")],
    output: options.Format = OutputFormat.terminal,
    report: Annotated[list[Path] | None, typer.Option(help="Also write .html, .md or .json (repeat).")] = None,
    threshold: options.Threshold = 10.0,
    fail_on: Annotated[
        str | None,
        typer.Option(
            help="What gives exit status 1: difference (any), slower, method, verdict, misestimate (one came), outcome."
        ),
    ] = None,
    mask: MaskOption = False,
    mask_names: MaskNamesOption = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Name the queries that do not differ too.")] = False,
) -> Happened:
    """Print what differs beyond noise. Exit status 0: compared; 1: differs as --fail-on says; 2: could not be read."""
    from rowreckon.cli.audits import read_audit
    from rowreckon.cli.masking import masking_of
    from rowreckon.cli.running.ending import carried_out
    from rowreckon.cli.running.output import check_report_paths, write_text
    from rowreckon.cli.running.status import not_read
    from rowreckon.report.comparing.compare import compare

    wanted = _wanted(fail_on)
    check_report_paths(report or [], tuple(_FORMS))
    masking = masking_of(mask, mask_names)
    sides = [read_audit(path, threshold=threshold, masking=masking) for path in (before, after)]
    if stopped_by() is not None:
        raise KeyboardInterrupt  # what was not read would look like a difference
    comparison = compare(*sides, threshold=threshold)
    happened = not_read(item for side in sides for item in side.rejected)
    happened.failing = bool(wanted & _found(comparison))
    with held():
        happened.add(carried_out("printing the comparison", lambda: _print(comparison, output, verbose=verbose)))
        for path in report or []:

            def write(path: Path = path) -> None:
                write_text(path, _text(comparison, _FORMS[path.suffix.lower()], verbose=verbose))

            happened.add(carried_out(f"writing the report {path.name}", write))
    return happened


def _print(comparison: Comparison, output: OutputFormat, *, verbose: bool) -> None:
    if output is not OutputFormat.terminal:
        sys.stdout.write(_text(comparison, output.value, verbose=verbose))
        return
    from rich.console import Console

    from rowreckon.report.formats.compare_text import render_comparison

    render_comparison(comparison, Console(highlight=False), verbose=verbose)


def _text(comparison: Comparison, form: str, *, verbose: bool) -> str:
    if form == "json":
        from rowreckon.report.comparing.compare_document import comparison_document
        from rowreckon.version import __version__

        return comparison_document(comparison, __version__).to_json()
    if form == "html":
        from rowreckon.report.formats.html.compare_page import comparison_html

        return comparison_html(comparison, verbose=verbose)
    from rowreckon.report.formats.compare_text import comparison_markdown

    return comparison_markdown(comparison, verbose=verbose)


def _wanted(text: str | None) -> frozenset[str]:
    from rowreckon.errors import UsageError

    wanted = frozenset(part.strip() for part in (text or "").split(",") if part.strip())
    unknown = sorted(wanted - set(_FAILS))
    if unknown:
        raise UsageError(f"--fail-on does not know {', '.join(unknown)}", hint=f"give {', '.join(_FAILS)}")
    return wanted


def _found(comparison: Comparison) -> frozenset[str]:
    """Which of the words of --fail-on hold."""
    plans = comparison.plans
    held = {
        "difference": comparison.differs,
        "slower": any(plan.times.difference == "slower" for plan in plans),
        "method": any(plan.methods for plan in plans),
        "verdict": any(plan.verdicts for plan in plans),
        "misestimate": any(plan.come for plan in plans),
        "outcome": any(plan.before.outcome == "ran" != plan.after.outcome for plan in plans),
    }
    return frozenset(word for word, holds in held.items() if holds)
