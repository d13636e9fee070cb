"""`rowreckon audit`: plans from files, folders or standard input."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rowreckon.cli.output import OutputFormat

if TYPE_CHECKING:
    from rowreckon.report.document import Rejected


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("audit", help="Audit captured plans.")(audit_command)


def audit_command(
    paths: Annotated[
        list[str], typer.Argument(metavar="PATH… | -", help="Plan files, folders of them, or - for standard input.")
    ],
    output: Annotated[OutputFormat, typer.Option("--format", help="What to print.")] = OutputFormat.terminal,
    report: Annotated[
        list[Path] | None, typer.Option(help="Also write a .html, .md, .json or .xml file (may be repeated).")
    ] = None,
    threshold: Annotated[float, typer.Option(min=1.0, help="The q-error called a misestimate.")] = 10.0,
    fail_on: Annotated[
        str | None, typer.Option(help="Verdicts that give exit status 1: crossed, held, undecided.")
    ] = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show what is folded otherwise.")] = False,
    max_depth: Annotated[int, typer.Option(min=1, help="Deepest nesting of plan nodes that is read.")] = 1000,
    max_bytes: Annotated[int, typer.Option(min=1, help="Largest input that is read, in bytes.")] = 256 * 1024 * 1024,
) -> None:
    """Audit captured plans."""
    from rowreckon.auditing import audit
    from rowreckon.cli.output import check_report_paths, exit_status, parse_fail_on, print_audit, write_reports
    from rowreckon.intake import read_path, read_text
    from rowreckon.reading.limits import Limits

    wanted = parse_fail_on(fail_on)
    reports = report or []
    check_report_paths(reports)
    limits = Limits(max_depth=max_depth, max_bytes=max_bytes)
    inputs = []
    for path in paths:
        inputs.extend(read_text(_stdin(), limits=limits) if path == "-" else read_path(path, limits=limits))
    result = audit(inputs, threshold=threshold)
    print_audit(result, output, verbose=verbose)
    write_reports(result, reports, wanted)
    tell_rejected(result.rejected)
    raise typer.Exit(exit_status(result, wanted))


def _stdin() -> bytes:
    if sys.stdin.isatty():
        typer.echo("paste the plan, then Ctrl-D", err=True)
    return sys.stdin.buffer.read()


def tell_rejected(rejected: Iterable[Rejected]) -> None:
    """One sentence on standard error for each input that could not be read."""
    from rowreckon.report.escape import clean

    for item in rejected:
        place = f" ({item.where})" if item.where else ""
        typer.echo(f"rowreckon: {clean(item.source)}{clean(place)}: {clean(item.reason)}", err=True)
