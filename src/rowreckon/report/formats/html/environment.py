"""Filling the templates: where they lie, how sentences and rulers are dressed in them, styles pinned by their hash."""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from rowreckon.plural import counted
from rowreckon.report.formats.html.drawn_ruler import drawn_ruler
from rowreckon.report.formats.html.filters import says
from rowreckon.report.words.escape import bare

_PACKAGE = "rowreckon.report.formats.html"
PLAN_STYLE = ("style.css",)
LIST_STYLE = ("style.css", "list.css")


def filled(template: str, **parts: object) -> str:
    """A template with these parts in it: same parts, same bytes."""
    return _environment().get_template(template).render(**parts)


def page(template: str, *, title: str, sheets: tuple[str, ...], patterns: tuple[Markup, ...], **parts: object) -> str:
    """A whole document: `title` is for a browser's tab, `patterns` are what its drawings are filled with."""
    style, style_hash = _styled(*sheets)
    return filled(template, title=bare(title), style=style, style_hash=style_hash, patterns=patterns, **parts)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader(_PACKAGE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"says": says, "bare": bare, "drawn": drawn_ruler, "counted": counted}
    return environment


@lru_cache
def _styled(*sheets: str) -> tuple[Markup, str]:
    """The style sheets as one, and the hash by which the content security policy allows it."""
    folder = resources.files(_PACKAGE)
    text = "".join(folder.joinpath(sheet).read_text("utf-8") for sheet in sheets)
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return Markup(text), f"sha256-{digest}"
