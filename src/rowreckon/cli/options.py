"""Options that several commands share, each with its help and the panel that it is shown in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rowreckon.cli.running.output import OutputFormat

LIMITS, PERMITS = "Limits", "Permissions"

Queries = Annotated[list[Path], typer.Argument(metavar="QUERIES…", help="Query lists (.sql), or folders of them.")]
Role = Annotated[str | None, typer.Option(help="Role to take on for each query (SET LOCAL ROLE).")]
Set = Annotated[list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="SET LOCAL for each.")]
TimeLimit = Annotated[str, typer.Option(help="Time limit of a query.", rich_help_panel=LIMITS)]
LockLimit = Annotated[str, typer.Option(help="How long a lock is waited for.", rich_help_panel=LIMITS)]
IdleLimit = Annotated[str, typer.Option(help="Idle time within a transaction.", rich_help_panel=LIMITS)]
AllowWrites = Annotated[bool, typer.Option(help="Run writes too, rolled back.", rich_help_panel=PERMITS)]
AllowVolatile = Annotated[bool, typer.Option(help="Run volatile functions, foreign tables.", rich_help_panel=PERMITS)]
AllowPrivilegedRole = Annotated[bool, typer.Option(help="Run as a superuser or the like.", rich_help_panel=PERMITS)]
AllowRoleChanges = Annotated[bool, typer.Option(help="Run SET ROLE of a list.", rich_help_panel=PERMITS)]
Threshold = Annotated[float, typer.Option(min=1.0, max=1e12, help="The q-error called a misestimate.")]
Report = Annotated[list[Path] | None, typer.Option(help="Also write .html, .md, .json or .xml.")]
Format = Annotated[OutputFormat, typer.Option("--format", help="What to print.")]
Verbose = Annotated[bool, typer.Option("--verbose", "-v", help="Show what is folded otherwise.")]
FailOn = Annotated[str | None, typer.Option(help="Verdicts that give exit status 1.")]
