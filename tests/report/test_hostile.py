"""Strings from a plan act on nothing that displays them: terminal, Markdown, HTML, JUnit."""

from __future__ import annotations

import io
import re
import unicodedata
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from rich.console import Console

from rowreckon.document.audit import Audit
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.junit import render_junit
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from rowreckon.report.words.escape import (
    FSI,
    PDI,
    clean,
    markdown,
    markdown_code,
    markdown_prose,
    plain,
    quote,
    segments,
)
from tests.report.hostile import PAYLOADS, full_audit, poisoned

_SGR = re.compile(r"\x1b\[[0-9;]*m")
_NAMES = sorted(PAYLOADS)
_HARMLESS = {"harmless": "harmless, words", "harmless path": "harmless/words"}
_ALTERED = ("ansi", "bidi", "invisible")  # payloads that add the remark on characters not shown as they are


def terminal(audit: Audit, width: int = 80, *, colour: bool = False) -> str:
    console = Console(file=io.StringIO(), width=width, force_terminal=colour, no_color=not colour, legacy_windows=False)
    render_terminal(audit, console, verbose=True)
    file = console.file
    assert isinstance(file, io.StringIO)
    return file.getvalue()


@pytest.fixture(scope="module")
def audits() -> dict[str, Audit]:
    full = full_audit()
    return {name: poisoned(full, payload) for name, payload in [*PAYLOADS.items(), *_HARMLESS.items()]}


@pytest.mark.parametrize("name", _NAMES)
def test_terminal_gets_no_control_and_no_bidirectional_characters(audits: dict[str, Audit], name: str) -> None:
    """Whatever the plan holds, only rich's own colour sequences reach a terminal."""
    out = _SGR.sub("", terminal(audits[name], colour=True))
    bad = {c for c in out if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")} - set("\n") - {FSI, PDI}
    assert bad == set()
    for line in out.split("\n"):
        assert line.count(FSI) >= line.count(PDI) - 1
    if name != "hebrew":
        assert FSI not in out


def test_terminal_shows_rich_markup_as_text(audits: dict[str, Audit]) -> None:
    """Square brackets are text, not markup."""
    assert "[bold red]loud[/bold red]" in terminal(audits["markup"], width=400)


class _Outline(HTMLParser):
    """The sequence of tags with their attribute names."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, tuple[str, ...]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "wbr":
            self.tags.append((tag, tuple(sorted(name for name, _ in attrs))))

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def _html(audit: Audit) -> _Outline:
    outline = _Outline()
    outline.feed(render_html(audit))
    return outline


def _like(name: str) -> str:
    """Harmless words of the same kind: a shared folder is said apart."""
    return "harmless path" if "/" in PAYLOADS[name] else "harmless"


@pytest.mark.parametrize("name", _NAMES)
def test_html_keeps_its_structure(audits: dict[str, Audit], name: str) -> None:
    """A payload adds no element and no attribute to what harmless words give."""
    hostile, harmless = _html(audits[name]), _html(audits[_like(name)])
    if name in _ALTERED:
        assert set(hostile.tags) <= set(harmless.tags)
    else:
        assert hostile.tags == harmless.tags
    assert not any(attribute.startswith("on") for _, attributes in hostile.tags for attribute in attributes)
    assert "script" not in {tag for tag, _ in hostile.tags}


def test_html_shows_payloads_as_text(audits: dict[str, Audit]) -> None:
    """What was written is what is read."""
    for name in ("script", "image", "template", "entity", "comment"):
        assert PAYLOADS[name] in "".join(_html(audits[name]).text)


def _markdown_blocks(text: str) -> list[str]:
    tokens = MarkdownIt("gfm-like", {"linkify": False}).parse(text)
    return [token.type for token in tokens]


@pytest.mark.parametrize("name", [n for n in _NAMES if n not in (*_ALTERED, "blocks", "long")])
def test_markdown_keeps_its_blocks(audits: dict[str, Audit], name: str) -> None:
    """Headings, lists, tables and their cells are those that harmless words give."""
    assert _markdown_blocks(render_markdown(audits["harmless"])) == _markdown_blocks(render_markdown(audits[name]))


@pytest.mark.parametrize("name", _NAMES)
def test_markdown_makes_no_link_image_or_html(audits: dict[str, Audit], name: str) -> None:
    """No link, image or raw HTML comes of a payload; the comments that stop self-made links are our own."""
    tokens = MarkdownIt("gfm-like", {"linkify": False}).parse(render_markdown(audits[name]))
    inline = [child for token in tokens for child in token.children or []]
    assert {"link_open", "image"} & {token.type for token in inline} == set()
    assert {token.content for token in inline if token.type == "html_inline"} <= {"<!-- -->"}
    blocks = [token.content.strip() for token in tokens if token.type == "html_block"]
    assert set(blocks) <= {"<details><summary>The nodes in figures</summary>", "</details>"}  # our own fold


def test_markdown_leaves_nothing_for_a_forge_to_link(audits: dict[str, Audit]) -> None:
    """Outside code, addresses and mentions are broken up (GitHub's autolink extension, its mentions and references)."""
    text = render_markdown(poisoned(full_audit(), PAYLOADS["mention"] + " " + PAYLOADS["url"]))
    tokens = MarkdownIt("gfm-like", {"linkify": False}).parse(text)
    for token in tokens:
        for child in token.children or []:
            if child.type == "text":
                assert not re.search(r"https?://|www\.|\w@\w|@\w|#\d|GH-\d", child.content), child.content


@pytest.mark.parametrize("name", _NAMES)
def test_junit_is_well_formed(audits: dict[str, Audit], name: str) -> None:
    """XML parsers take it, and the payload is text."""
    root = ET.fromstring(render_junit(audits[name], {"crossed", "held", "undecided"}))
    assert root.find("testsuite") is not None
    assert {element.tag for element in root.iter()} <= {
        "testsuites",
        "testsuite",
        "testcase",
        "failure",
        "error",
        "skipped",
        "system-out",
    }


def _shown(markdown_text: str, *, in_table: bool) -> str:
    source = f"| a | b |\n| - | - |\n| {markdown_text} | z |" if in_table else f"x{markdown_text}x"
    tokens = MarkdownIt("gfm-like", {"linkify": False}).parse(source)
    inline = [token for token in tokens if token.type == "inline"]
    children = inline[2].children if in_table else inline[0].children
    text = "".join(c.content for c in children or [] if c.type in ("text", "code_inline", "text_special"))
    return text if in_table else text[1:-1]


@given(st.text(min_size=1, max_size=40))
def test_markdown_shows_any_text_as_it_is(text: str) -> None:
    """As code or as prose, in a cell or outside, what is shown is the cleaned text."""
    expected = " ".join(clean(text).split())
    for in_table in (False, True):
        code = _shown(markdown_code(text, cell=in_table), in_table=in_table)
        prose = _shown(markdown_prose(text), in_table=in_table)
        assert expected == " ".join(code.split()) or not expected
        assert expected == " ".join(prose.split())


@given(st.text(max_size=60), st.text(max_size=60))
def test_quoted_text_comes_back_whole(first: str, second: str) -> None:
    """A quoted text stays one foreign segment whatever it holds, isolates included."""
    sentence = f"expected {quote(first)} and {quote(second)}."
    foreign = [text for text, is_foreign in segments(sentence) if is_foreign]
    assert [text for text in (clean(first), clean(second)) if text] == foreign
    assert clean(plain(sentence).replace(FSI, "").replace(PDI, "")) == plain(sentence).replace(FSI, "").replace(PDI, "")
    assert markdown(sentence).startswith("expected ")
