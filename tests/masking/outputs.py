"""Every output of a command, and whether a canary is in one: what it prints and each kind of file that it writes."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path
from typing import Any, Final

from tests.cli.running import rowreckon_long

from .positions import CANARY, NUMBER, SECRETS

# The canary as a reader of the output has it: numbers with separators, words broken by the width of a terminal.
_FORMS: Final = (*SECRETS, f"{NUMBER:,}", f"{NUMBER:_}", CANARY.encode().hex(), CANARY.upper())
_BREAKS: Final = re.compile(r"[\s│|>]+")


def leaks(text: str) -> list[str]:
    """Where a canary stands in a text: the surroundings of the first of each form."""
    found = []
    for shown in {text, html.unescape(text), _unescaped(text), _BREAKS.sub("", text)}:
        for form in _FORMS:
            at = shown.find(form)
            if at >= 0:
                found.append(shown[max(0, at - 100) : at + 60])
    return found


def _unescaped(text: str) -> str:
    return re.sub(r"\\u([0-9a-fA-F]{4})", lambda match: chr(int(match.group(1), 16)), text)


def outputs(
    folder: Path, *arguments: str, reports: tuple[str, ...] = ("html", "md", "json", "xml"), **given: Any
) -> str:
    """All that the command prints and writes, with its exit status before it.

    What `--format markdown` prints is the report in Markdown.
    """
    folder.mkdir(parents=True, exist_ok=True)
    whole = ""
    wanted = [str(folder / f"report.{ending}") for ending in reports]
    for number, form in enumerate(("terminal", "json")):
        more = [part for path in wanted for part in ("--report", path)] if number == 0 else []
        done = rowreckon_long(*arguments, "--format", form, *(["-v"] if form == "terminal" else []), *more)
        assert done.returncode in (0, 1, 2), done.stderr
        assert "Traceback" not in done.stderr
        whole += f"\n== {form} {done.returncode}\n{done.stdout}\n== messages\n{done.stderr}"
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        whole += f"\n== {path.name}\n{_readable(path)}"
    return whole


def _readable(path: Path) -> str:
    """What somebody finds in a file: the rows of folds, else its text."""
    if path.suffix in (".parquet", ".duckdb"):
        import duckdb

        with duckdb.connect(str(path) if path.suffix == ".duckdb" else ":memory:") as connection:
            if path.suffix == ".parquet":
                return str(connection.execute(f"select * from '{path}'").fetchall())
            tables = connection.execute("select table_name from information_schema.tables").fetchall()
            return str([connection.execute(f'select * from "{name}"').fetchall() for (name,) in tables])
    return path.read_text("utf-8", errors="replace")


def told(text: str) -> dict[str, Any]:
    """The JSON document among the outputs."""
    document: dict[str, Any] = json.loads(text.split("\n== json", 1)[1].split("\n", 1)[1].split("\n== messages")[0])
    return document
