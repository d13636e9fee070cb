"""`rowreckon cause`: what a root cause is, why it hurts, what shows it, what cures it, and when the tool is wrong."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cause", help="Explain a root cause that a report names; without a code list them all.")(cause_command)


def cause_command(
    code: Annotated[str | None, typer.Argument(help="The cause's code, such as stale_statistics.")] = None,
) -> None:
    """Print the page of one cause, or the list of all."""
    from rowreckon.causes.registry import CAUSES
    from rowreckon.errors import UsageError

    if code is None:
        width = max(len(cause.code) for cause in CAUSES)
        for cause in CAUSES:
            typer.echo(f"{cause.code:<{width}}  {cause.title}")
        return
    wanted = code.strip().lower().replace("-", "_").replace(" ", "_")
    found = next((cause for cause in CAUSES if wanted in (cause.code, cause.title.replace(" ", "_"))), None)
    if found is None:
        raise UsageError(
            f"there is no cause {code!r}", where="CODE", hint="`rowreckon cause` without a code lists them all"
        )
    typer.echo(found.page.strip())
