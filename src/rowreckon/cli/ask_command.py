"""`rowreckon ask`: a read-only psql script for a colleague who can connect where one cannot."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from rowreckon.cli.masking import MaskOption, masking_of
from rowreckon.cli.running.status import Happened


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "ask", help="Write a read-only psql script that a colleague can run; `audit --facts` reads its output."
    )(ask_command)


def ask_command(
    paths: Annotated[list[str], typer.Argument(metavar="PLAN… | -", help="Plan files, folders of them, or -.")],
    output: Annotated[Path | None, typer.Option("--output", "-o", help="File to write; default: print it.")] = None,
    with_values: Annotated[
        bool | None,
        typer.Option("--with-values/--without-values", help="Have sampled values printed too; --stand-in does."),
    ] = None,
    stand_in: Annotated[
        bool, typer.Option("--stand-in", help="Have printed what a stand-in is built from: definitions and values.")
    ] = False,
    query: Annotated[
        Path | None, typer.Option(help="The plan's query, for --stand-in: it may name more than the plan.")
    ] = None,
    mask: MaskOption = False,
) -> Happened:
    """Print the script for these plans."""
    from rowreckon.catalog.ask import ask_script
    from rowreckon.cli.facts.stand_in import stand_in_part
    from rowreckon.cli.inputs import read_inputs
    from rowreckon.cli.running.status import not_read
    from rowreckon.document.audit import Rejected
    from rowreckon.errors import UsageError
    from rowreckon.files import try_file, write_whole

    if stand_in and mask:
        raise UsageError("--stand-in prints definitions and values, which --mask leaves out", hint="give one of them")
    if query is not None and not stand_in:
        raise UsageError("--query goes with --stand-in", hint="give both, or neither")
    if output is not None:
        try_file(output, "--output")
    masking = masking_of(mask, None)
    inputs = read_inputs(paths)
    if masking is not None:
        inputs = masking.inputs(inputs)
    happened = not_read(item for item in inputs if isinstance(item, Rejected))
    plans = [item for item in inputs if not isinstance(item, Rejected)]
    if not plans:
        return happened
    documents = [plan.explain for plan in plans if plan.explain is not None]
    values = stand_in if with_values is None else with_values
    more = stand_in_part(plans, query, with_values=values) if stand_in else None
    script = ask_script(documents, with_values=values and not mask, masked=mask, more=more)
    if output is None:
        sys.stdout.write(script)
        return happened
    write_whole(output, script, private=True)
    return happened
