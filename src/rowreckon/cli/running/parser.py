"""The command line as typer knows it: loaded where words have to be parsed, or help to be shown."""

from __future__ import annotations

import os

# Nothing in this process is a plugin of pydantic's; looking for one reads the metadata of every installed package.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

import typer

app = typer.Typer(
    name="rowreckon",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=(
        "Audit PostgreSQL execution plans. Finds the joins whose estimated rows are orders of magnitude from the "
        "actual rows. Computes whether the error crossed the switch point between join methods, and ranks what to "
        "change."
    ),
)


def _version(shown: bool) -> None:
    if shown:
        from rowreckon import __version__

        typer.echo(f"rowreckon {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version and exit."
    ),
) -> None:
    pass
