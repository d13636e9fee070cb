"""A row ruler as the templates take it: the drawing, its title, its legend and note."""

from __future__ import annotations

from markupsafe import Markup

from rowreckon.frozen import frozen
from rowreckon.report.drawings.ruler import Ruler
from rowreckon.report.drawings.ruler_svg import all_named, ruler_svg
from rowreckon.report.drawings.svg import method_class
from rowreckon.report.words.escape import bare


@frozen
class DrawnRuler:
    """A ruler drawn; `legend` holds (pattern class, words) and is empty where every stretch carries its name."""

    svg: Markup
    title: str
    legend: list[tuple[str, str]]
    note: str


def drawn_ruler(ruler: Ruler) -> DrawnRuler:
    """The ruler's drawing with all that stands around it."""
    return DrawnRuler(ruler_svg(ruler), ruler.title, [] if all_named(ruler) else _legend(ruler), ruler.note)


def _legend(ruler: Ruler) -> list[tuple[str, str]]:
    """Each method of a ruler, in rising order of rows, and last what is open."""
    named = dict.fromkeys((method_class(s.method), bare(s.label)) for s in ruler.stretches if s.method)
    nobody = dict.fromkeys((method_class(None), "open") for s in ruler.stretches if s.method is None)
    return [*named, *nobody]
