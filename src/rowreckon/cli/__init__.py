"""The command line: the only part that knows the terminal, exit statuses and files to write.

Each command is one file; what it needs is imported when it runs, so that `rowreckon audit` of one plan starts quickly.
"""

from __future__ import annotations

import gc
import os
import sys
from importlib import import_module

# Nothing in this process is a plugin of pydantic's; looking for one reads the metadata of every installed package.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

import typer

from rowreckon.errors import RowreckonError

app = typer.Typer(
    name="rowreckon",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=(
        "Audit PostgreSQL execution plans: find the joins whose estimated rows are orders of magnitude from the actual "
        "rows, compute whether the error crossed the switch point between join methods, and rank what to change."
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


COMMANDS = ("audit", "check", "sweep", "trial", "compare", "unmask", "ask", "demo", "cause", "schema")
"""In the order in which --help lists them; each is a module `<name>_command` with a function `register`."""


def main() -> None:
    """Run the command line; a known error becomes one sentence on standard error and exit status 2."""
    # A command starts by making tens of thousands of objects that live until it ends: few walks over them, not many.
    gc.set_threshold(100_000, 20, 20)
    # Options are objects that take longer to make than a plan takes to read: only the command that is called gets its.
    called = sys.argv[1:2]
    for name in called if called and called[0] in COMMANDS else COMMANDS:
        import_module(f"rowreckon.cli.{name}_command").register(app)
    try:
        app()
    except RowreckonError as error:
        from rowreckon.report.words.escape import clean

        print(f"rowreckon: {clean(error.sentence())}", file=sys.stderr)
        sys.exit(2)
    except KeyboardInterrupt:
        print("rowreckon: interrupted", file=sys.stderr)
        sys.exit(130)
    except BrokenPipeError:
        # The reader went away (`| head`): nothing is wrong, and nobody is left to tell.
        sys.stderr.close()
        sys.exit(0)
    finally:
        # The interpreter would walk all of it twice more on its way out, only to free what the system frees at once.
        gc.freeze()
