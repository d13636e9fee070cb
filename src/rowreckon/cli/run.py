"""One run of the command line: find the command, carry it out, tell what could not be done, give the exit status."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any

# Nothing in this process is a plugin of pydantic's; looking for one reads the metadata of every installed package.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

import typer

from rowreckon import signals
from rowreckon.cli.running.status import Happened, defect_sentence, exit_status
from rowreckon.cli.running.streams import output_trouble
from rowreckon.cli.running.words import check_words
from rowreckon.errors import RowreckonError

COMMANDS = ("audit", "check", "sweep", "trial", "compare", "unmask", "ask", "demo", "guide", "cause", "schema")
"""In the order in which --help lists them; each is a module `<name>_command` with a function `register`."""

_MOST_TOLD = 100
"""More sentences of one kind on standard error help nobody; reports hold them all."""

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
        from rowreckon.version import __version__

        typer.echo(f"rowreckon {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version and exit."
    ),
) -> None:
    pass


def run(words: Sequence[str]) -> int:
    """Carry out the command that these words name; its exit status."""
    try:
        happened = _carried_out(words)
    except KeyboardInterrupt:
        happened = Happened()
    with signals.held():
        trouble = output_trouble()
        if trouble is not None:
            happened.undone.append(f"standard output cannot be written: {trouble}")
        happened.signal = signals.stopped_by()
        _tell(happened)
        return exit_status(happened)


def _carried_out(words: Sequence[str]) -> Happened:
    """What happened. Whatever a command raises becomes an entry; nothing but KeyboardInterrupt comes out."""
    try:
        check_words(words)
        # Options are objects that take longer to make than a plan takes to read: only the called command gets its.
        called = words[:1]
        for name in called if called and called[0] in COMMANDS else COMMANDS:
            import_module(f"rowreckon.cli.{name}_command").register(app)
        found: Any = app(list(words), prog_name="rowreckon", standalone_mode=False)
    except RowreckonError as error:
        return Happened(undone=[error.sentence()])
    except typer.Abort:
        return Happened(undone=["nobody answered: nothing more was done"])
    except MemoryError:
        return Happened(undone=["there is not enough memory; give less at a time, or lower --max-bytes"])
    except RecursionError:
        return Happened(undone=["the input is nested more deeply than this program can follow"])
    except Exception as error:
        told = _of_words(error)
        return Happened(undone=[told]) if told is not None else Happened(defects=[defect_sentence(error)])
    if isinstance(found, Happened):
        return found
    # Nothing but help and the like ends otherwise, and an interrupt, of which `signals` knows the number.
    return Happened()


def _of_words(error: Exception) -> str | None:
    """The sentence for words that the command line does not know, None for an error of another kind.

    The classes have moved between releases of typer; what they have in common is this method.
    """
    sentence = getattr(error, "format_message", None)
    if sentence is None or not hasattr(error, "exit_code"):
        return None
    if type(error).__name__ == "NoArgsIsHelpError":
        sys.stderr.write(f"{sentence()}\n")
        return "no command was given"
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "rowreckon"
    told = " ".join(str(sentence()).split()).rstrip(".")
    return f"{told[:1].lower()}{told[1:]}; see {path} --help"


def _tell(happened: Happened) -> None:
    """Name on standard error what could not be done."""
    from rowreckon.report.words.escape import clean

    for sentences in (happened.undone, happened.defects):
        for sentence in sentences[:_MOST_TOLD]:
            sys.stderr.write(f"rowreckon: {clean(sentence)}\n")
        if len(sentences) > _MOST_TOLD:
            sys.stderr.write(f"rowreckon: and {len(sentences) - _MOST_TOLD:,} more like these; a report names all\n")
    if happened.signal is not None:
        sys.stderr.write("rowreckon: interrupted; what was done until then is kept\n")
