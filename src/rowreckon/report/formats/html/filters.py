"""How a sentence becomes HTML: our words escaped, foreign pieces isolated in `<bdi>`."""

from __future__ import annotations

import re

from markupsafe import Markup, escape

from rowreckon.report.words.escape import clean, segments

_MOMENT = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d UTC")
_BREAK_AFTER = ("_", ".", "/", ",")


def says(sentence: str) -> Markup:
    """A sentence with its foreign pieces set apart; long names may break after a dot or an underscore."""
    parts = [_apart(text) if foreign else escape(clean(text)) for text, foreign in segments(sentence)]
    return Markup("").join(parts)


def _apart(text: str) -> Markup:
    """A foreign piece; a moment stays on one line."""
    if _MOMENT.fullmatch(text):
        return Markup('<bdi class="when">{}</bdi>').format(text)
    return Markup("<bdi>{}</bdi>").format(_breakable(text))


def _breakable(text: str) -> Markup:
    shown = escape(clean(text))
    if len(text) > 24:
        for char in _BREAK_AFTER:
            shown = Markup(str(shown).replace(char, char + "<wbr>"))
    return shown
