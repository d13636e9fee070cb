"""Where the terminal's report is gathered line by line: wrapping, styles, characters that the terminal lacks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from rowreckon.report.drawings.plan_text import Kind, Piece
from rowreckon.report.words.escape import clean_lines, plain

if TYPE_CHECKING:
    from rich.console import Console

STYLES = {"crossed": "bold red", "undecided": "bold", "held": "bold"}
"""Of a verdict's word; red means the same as in HTML: an error that did harm."""
SQL_STYLE = "cyan"
_PIECES: dict[Kind, str] = {
    "": "",
    "name": "",
    "verdict": "bold red",
    "enters": "bold red",
    "under": "red",
    "over": "cyan",
    "quiet": "dim",
    "bar": "",
}


class Writer:
    """Gathers the lines of the report and prints them at once; the one place where text meets the console."""

    def __init__(self, console: Console, *, verbose: bool) -> None:
        self.console = console
        self.verbose = verbose
        self.width = max(24, console.width)
        self.ascii_only = console.options.ascii_only
        self.lines: list[Text] = []

    def flush(self) -> None:
        """Print what was gathered: one call, since each has its price."""
        self.console.print(Text("\n").join(self.lines), highlight=False, soft_wrap=True)

    def safe(self, text: str) -> str:
        """The text as this terminal can show it."""
        if not self.ascii_only:
            return text
        return text.replace("…", "...").replace("–", "-").encode("ascii", "backslashreplace").decode("ascii")

    def text(self, sentence: str, style: str = "") -> Text:
        return Text(self.safe(plain(sentence)), style=style)

    def blank(self) -> None:
        self.lines.append(Text())

    def heading(self, title: str) -> None:
        self.blank()
        self.piece(self.text(title, "bold underline"))

    def say(self, sentence: str, indent: int = 0, style: str = "", hang: int = 0) -> None:
        """A wrapped paragraph; `hang` indents its further lines."""
        self.piece(self.text(sentence, style), indent, hang)

    def piece(self, text: Text, indent: int = 0, hang: int = 0) -> None:
        # Wrapped here and not by the console, so that a pipe gets no line padded with blanks.
        width = max(20, self.width - indent - hang)
        short = len(text.plain) <= width and text.plain.isascii()
        for number, line in enumerate([text] if short else text.wrap(self.console, width)):
            line.rstrip()
            self.lines.append(Text(" " * (indent + (hang if number else 0))).append_text(line))

    def label(self, word: str, sentence: str, indent: int = 0, style: str = "") -> None:
        """A word set apart, then its sentence."""
        text = Text(f"{self.safe(plain(word))}  ", style=style or "bold")
        text.append_text(self.text(sentence))
        text.stylize("not bold", len(plain(word)))
        self.piece(text, indent, 2)

    def items(self, title: str, lines: tuple[str, ...]) -> None:
        """A list under its title; nothing where it is empty."""
        if not lines:
            return
        self.blank()
        self.say(title, 2, "bold")
        for line in lines:
            self.say(f"- {line}", 4, hang=2)

    def verbatim(self, block: str, indent: int = 4, style: str = "") -> None:
        """Lines that are to be copied: never wrapped by us, so that a copy stays whole."""
        for line in clean_lines(block).split("\n"):
            self.lines.append(Text(" " * indent + self.safe(line), style=style))

    def sql(self, block: str, indent: int = 4) -> None:
        """Statements to copy: a line that is too long goes on in the next, between two words of SQL."""
        room = max(20, self.width - indent)
        shown = clean_lines(block)
        if any(len(line) > room for line in shown.split("\n")):
            from rowreckon.report.words.sql_lines import wrapped_sql  # the grammar takes a tenth of a second to load

            shown = wrapped_sql(shown, room)
        self.verbatim(shown, indent, SQL_STYLE)

    def drawn(self, lines: list[list[Piece]], indent: int) -> None:
        """Lines of pieces, each in the style of its kind."""
        for pieces in lines:
            line = Text(" " * indent)
            for text, kind in pieces:
                line.append(self.safe(text), style=_PIECES[kind])
            line.rstrip()
            self.lines.append(line)
