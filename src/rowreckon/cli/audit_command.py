"""`rowreckon audit`: plans from files, folders or standard input."""

from __future__ import annotations

import sys
from pathlib import Path

import typer

from rowreckon.cli.output import OutputFormat


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("audit", help="Audit captured plans.")(audit_command)


def audit_command(
    paths: list[str] = typer.Argument(..., metavar="PATH… | -", help="Plan files, folders of them, or - for stdin."),
    output: OutputFormat = typer.Option(OutputFormat.terminal, "--format", help="What to print."),
    report: list[Path] = typer.Option([], "--report", help="Also write a .html, .md, .json or .xml file (repeatable)."),
    threshold: float = typer.Option(10.0, "--threshold", min=1.0, help="The q-error called a misestimate."),
    fail_on: str = typer.Option(None, "--fail-on", help="Verdicts that give exit status 1: crossed,held,undecided."),
    verbose: bool = typer.Option(False, "--verbose", "-v", help="Show what is folded otherwise."),
    max_depth: int = typer.Option(1000, "--max-depth", min=1, help="Deepest nesting of plan nodes that is read."),
    max_bytes: int = typer.Option(256 * 1024 * 1024, "--max-bytes", min=1, help="Largest input that is read, bytes."),
) -> None:
    """Audit captured plans."""
    from rowreckon.auditing import audit
    from rowreckon.cli.output import check_report_paths, exit_status, parse_fail_on, print_audit, write_reports
    from rowreckon.intake import read_path, read_text
    from rowreckon.reading.limits import Limits

    wanted = parse_fail_on(fail_on)
    check_report_paths(report)
    limits = Limits(max_depth=max_depth, max_bytes=max_bytes)
    inputs = []
    for path in paths:
        inputs.extend(read_text(_stdin(), limits=limits) if path == "-" else read_path(path, limits=limits))
    result = audit(inputs, threshold=threshold)
    print_audit(result, output, verbose=verbose)
    write_reports(result, report, wanted)
    tell_rejected(result.rejected)
    raise typer.Exit(exit_status(result, wanted))


def _stdin() -> bytes:
    if sys.stdin.isatty():
        typer.echo("paste the plan, then Ctrl-D", err=True)
    return sys.stdin.buffer.read()


def tell_rejected(rejected: object) -> None:
    """One sentence on standard error for each input that could not be read."""
    from collections.abc import Iterable

    from rowreckon.report.document import Rejected
    from rowreckon.report.escape import clean

    assert isinstance(rejected, Iterable)
    for item in rejected:
        assert isinstance(item, Rejected)
        place = f" ({item.where})" if item.where else ""
        typer.echo(f"rowreckon: {clean(item.source)}{clean(place)}: {clean(item.reason)}", err=True)
