"""Every sentence of an output, with what is somebody else's text counted as one word.

A sentence ends at a full stop, a question mark or an exclamation mark, or with a line that ends in a colon; a semicolon
or a colon within a line does not end it. Names, conditions and lists of names count as one word each. SQL to copy (what
PostgreSQL's grammar reads as a statement) is no sentence.
"""

from __future__ import annotations

import ast
import io
import re
from collections.abc import Callable, Iterable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from unittest.mock import patch

from markdown_it import MarkdownIt
from rich.console import Console

from rowreckon.document.audit import Audit
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from rowreckon.report.words import escape
from rowreckon.sql.grammar import NotSql, parse

MOST = 25
NAME = "NAME"
_END = re.compile(r"(?<=[.!?…])[)”]?\s+(?=\S)")
_ITEM = rf"(?:{NAME}|\d+)"
_LIST = re.compile(rf"{_ITEM}(?:(?:,| and| to) (?:\d+ more\b|{_ITEM}(?![\w.,]\w)))+")
# SQL, psql's commands, a shell's, patterns and drawings.
_CODE = re.compile(
    r"^select |\bselect\b.*\b(?:from|json_agg)\b|^SELECT |^update pg_catalog\.|^\\set "
    r"|\(\?P<|^<svg|\bp\.oid\b|>/dev/null"
)
_POINTS = re.compile(r"[.,:;]")
_INLINE = frozenset(("b", "bdi", "code", "em", "strong", "a", "abbr", "wbr", "i", "small"))
_UNREAD = frozenset(("style", "pre", "title"))
# What a document holds that is SQL, a name or a value, not words of ours.
_SQL = frozenset(("sql", "sql_trial", "undo", "check_first", "query", "condition", "how"))
_VALUES = frozenset(("source", "sort_key", "settings", "value", "details", "plan"))


def sentences(text: str) -> Iterator[str]:
    """The sentences of one line or block of text."""
    for part in text.split(":\n"):
        shown = _LIST.sub(NAME, " ".join(part.split()))
        yield from (sentence for sentence in _END.split(shown) if sentence)


def words(sentence: str) -> int:
    """How many words it has: what holds a letter or a figure, so that marks and lines of a drawing count nothing."""
    return sum(any(char.isalnum() for char in word) for word in sentence.split())


def too_long(found: Iterable[tuple[str, str]]) -> list[str]:
    """Of (where, text) the sentences over the limit, each once."""
    long = {
        sentence: f"{words(sentence)} words, {where}: {sentence}"
        for where, text in found
        for sentence in sentences(text)
        if words(sentence) > MOST and not _is_sql(sentence)
    }
    return list(long.values())


def _is_sql(sentence: str) -> bool:
    try:
        return bool(parse(sentence.removesuffix(":")))
    except NotSql:
        return False


def of_terminal(audit: Audit) -> Iterator[tuple[str, str]]:
    """What the terminal says, brief and with all that it folds."""
    for verbose in (False, True):
        console = Console(file=io.StringIO(), width=80)
        yield from heard("terminal", lambda: render_terminal(audit, console, verbose=verbose))  # noqa: B023


def heard(where: str, render: Callable[[], object]) -> Iterator[tuple[str, str]]:
    """Every sentence that passes into a format while it renders, its foreign pieces replaced."""
    texts: list[str] = []
    cut = escape.segments

    def listening(sentence: str) -> list[tuple[str, bool]]:
        pieces = cut(sentence)
        texts.append("".join(NAME if foreign else text for text, foreign in pieces))
        return pieces

    with patch.object(escape, "segments", listening):
        render()
    yield from ((where, text) for text in texts)


def of_markdown(text: str) -> Iterator[tuple[str, str]]:
    """Paragraphs, list items and table cells, as a forge shows them; fenced blocks are SQL and drawings."""
    for token in MarkdownIt("gfm-like", {"linkify": False}).parse(text):
        if token.type == "inline":
            said = "".join(
                NAME if child.type == "code_inline" else "\n" if child.type.endswith("break") else child.content
                for child in token.children or []
                if child.type != "html_inline"
            )
            yield "Markdown", said


class _Page(HTMLParser):
    """A page's texts, one a block, with what stands in labels for those who hear it."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self._now: list[str] = []
        self._foreign = 0
        self._unread = 0

    def _break(self) -> None:
        self.texts.append("".join(self._now))
        self._now = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.texts += [value for key, value in attrs if key in ("aria-label", "title", "alt") and value]
        self._unread += tag in _UNREAD
        if tag in ("bdi", "code"):
            self._foreign += 1
            self._now.append(NAME if self._foreign == 1 else "")
        elif tag not in _INLINE:
            self._break()

    def handle_endtag(self, tag: str) -> None:
        self._unread -= tag in _UNREAD
        if tag in ("bdi", "code"):
            self._foreign -= 1
        elif tag not in _INLINE:
            self._break()

    def handle_data(self, data: str) -> None:
        if not self._foreign and not self._unread:
            self._now.append(data)


def of_html(text: str) -> Iterator[tuple[str, str]]:
    """A page's texts and its labels."""
    page = _Page()
    page.feed(text)
    page.close()
    yield from (("HTML", text) for text in page.texts)


def of_document(value: Any, key: str = "", path: str = "JSON") -> Iterator[tuple[str, str]]:
    """Every text of a document but SQL, names and values, which it holds under keys of their own."""
    if isinstance(value, dict):
        for name, item in value.items():
            if name not in _SQL | _VALUES:
                yield from of_document(item, name, f"{path}.{name}")
    elif isinstance(value, list):
        for item in value:
            yield from of_document(item, key, path)
    elif isinstance(value, str):
        yield path, value


def of_sources(root: Path) -> Iterator[tuple[str, str]]:
    """Every text in the code itself, each inserted value counted as one word: what no example happens to say."""
    for path in sorted(root.rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        documented = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        for line, text in [*_literals(tree, documented), *_errors(tree)]:
            yield from ((f"{path.relative_to(root)}:{line}", said) for said in sentences(text) if not _is_code(said))


def _is_code(sentence: str) -> bool:
    """Whether it is no prose; what has neither full stop nor comma is a list of names."""
    return bool(_CODE.search(sentence)) or not _POINTS.search(sentence)


def _errors(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """What an error says with its advice behind a semicolon, as `rowreckon.errors` joins them."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and node.args:
            told = {keyword.arg: keyword.value for keyword in node.keywords}
            parts = [node.args[0], told.get("hint")]
            if all(isinstance(part, ast.Constant | ast.JoinedStr) for part in parts):
                where = f" at {NAME}" if "where" in told else ""
                what, advice = (
                    _written(part) or "" for part in parts if isinstance(part, ast.Constant | ast.JoinedStr)
                )
                yield node.lineno, f"rowreckon: {what}{where}; {advice}"


def _literals(node: ast.AST, left_out: set[int]) -> Iterator[tuple[int, str]]:
    if id(node) in left_out:
        return
    if isinstance(node, ast.Constant | ast.JoinedStr):
        text = _written(node)
        if text is not None:
            yield node.lineno, text
        return
    for child in ast.iter_child_nodes(node):
        yield from _literals(child, left_out)


def _written(node: ast.Constant | ast.JoinedStr) -> str | None:
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else None
    return "".join(str(part.value) if isinstance(part, ast.Constant) else NAME for part in node.values)


def of_audit(audit: Audit) -> Iterator[tuple[str, str]]:
    """All that is said of an audit, in every format."""
    yield from of_terminal(audit)
    yield from of_markdown(render_markdown(audit))
    yield from of_html(render_html(audit))
    yield from of_document(audit.model_dump(mode="json", by_alias=True))
