"""`rowreckon demo`: the whole job on a server and a database of its own."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.document.audit import Audit
    from rowreckon.server.connecting.connection import Connection
    from rowreckon.stand_in.facts import StandInFacts

_REPORTS = ("report.html", "report.md", "audit.json")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("demo", help="Start an embedded server, build a sample database, run its query list, audit it.")(
        demo_command
    )


def demo_command(
    folder: Annotated[Path, typer.Option(help="Where the report is written.")] = Path("rowreckon-demo"),
    stand_in: Annotated[
        bool, typer.Option("--stand-in/--no-stand-in", help="Ask an empty server what the changes would do.")
    ] = True,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show what is folded otherwise.")] = False,
) -> None:
    """Run the demonstration and print its audit."""
    from rowreckon.auditing import audit
    from rowreckon.captures.capture_file import SUFFIX, write_capture
    from rowreckon.cli.facts.stand_in import facts_for, foretold_by
    from rowreckon.cli.running.output import OutputFormat, print_audit, write_reports
    from rowreckon.cli.running.progress import progress_bar
    from rowreckon.files import make_folder, try_folder
    from rowreckon.server.sweeping.demo import run_demo

    try_folder(folder / "captures", "--folder")
    told: list[StandInFacts] = []

    def read(server: Connection, swept: list[Capture]) -> None:
        with _without_failing("what a stand-in needs could not be read"):
            told.append(facts_for(server, swept))

    with progress_bar() as report:
        captures = run_demo(report, read if stand_in else None)
        report("auditing the plans", 0, 1)
        result = audit(captures)
        report("auditing the plans", 1, 1)
    for facts in told:
        with _without_failing("nothing is foretold on a stand-in"):
            result = foretold_by(facts, result, captures)
    print_audit(result, OutputFormat.terminal, verbose=verbose)
    make_folder(folder / "captures")
    written = [folder / name for name in _REPORTS]
    write_reports(result, written, frozenset())
    for capture in captures:
        write_capture(capture, folder / "captures" / f"{capture.name}{SUFFIX}")
    _tell(result, [*written, folder / "captures"])


@contextmanager
def _without_failing(what: str) -> Iterator[None]:
    """What goes wrong is said, and the demonstration goes on."""
    from rowreckon.cli.server_options import warn
    from rowreckon.errors import RowreckonError

    try:
        yield
    except RowreckonError as error:
        warn(f"{what}: {error.sentence()}")


def _tell(result: Audit, written: list[Path]) -> None:
    from rowreckon.plural import counted

    typer.echo("")
    ran = counted(result.summary.plans, "query was", "queries were")
    typer.echo(f"{ran} run on a throw-away server, which is gone again. Written:")
    for path in written:
        typer.echo(f"  {path}{'/' if path.is_dir() else ''}")
    sys.stdout.flush()
