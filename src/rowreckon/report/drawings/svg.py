"""What the drawings share: elements built with every attribute escaped, patterns for the join methods."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup, escape

from rowreckon.report.drawings.scale import centred, fitting

_DIGIT = 7.5  # px: at most, of a label on a scale

METHOD_CLASSES = {"nested_loop": "nl", "hash": "hj", "merge": "mj"}

# Shape tells the methods apart, colour only helps: slanted lines, a grid, level lines, and dots where it is open.
PATTERNS = Markup(
    '<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>'
    '<pattern id="p-nl" width="7" height="7" patternUnits="userSpaceOnUse"><rect width="7" height="7" class="bg-nl"/>'
    '<path d="M-2 2L2 -2M0 7L7 0M5 9L9 5" class="fg-nl"/></pattern>'
    '<pattern id="p-hj" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="8" height="8" class="bg-hj"/>'
    '<path d="M0 4H8M4 0V8" class="fg-hj"/></pattern>'
    '<pattern id="p-mj" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" class="bg-mj"/>'
    '<path d="M0 3H6" class="fg-mj"/></pattern>'
    '<pattern id="p-open" width="6" height="6" patternUnits="userSpaceOnUse">'
    '<rect width="6" height="6" class="bg-open"/><circle cx="3" cy="3" r="1" class="fg-open"/></pattern></defs></svg>'
)


def method_class(method: str | None) -> str:
    """The short class of a method's pattern and colour; `open` where none is known."""
    return METHOD_CLASSES.get(method or "", "open")


def element(name: str, *, text: str = "", **attributes: object) -> Markup:
    """`<name a="b">text</name>`; underscores in attribute names become hyphens, `class_` becomes `class`."""
    parts = [f' {key.rstrip("_").replace("_", "-")}="{_figure(v)}"' for key, v in attributes.items() if v is not None]
    opening = f"<{name}{''.join(parts)}"
    return Markup(f"{opening}>{escape(text)}</{name}>" if text else f"{opening}/>")


def _figure(value: object) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(escape(value))


def percent(fraction: float) -> str:
    """A position along the line for an SVG attribute, `37.25%`."""
    return f"{100 * fraction:.2f}".rstrip("0").rstrip(".") + "%"


def decade_labels(
    marks: Sequence[tuple[float, str]], y: int, widths: tuple[float, float], *, aside: int | None = None
) -> list[Markup]:
    """The labels (where, from 0 to 1; text) of a line with at least these pixels on a narrow screen and on a
    wide one: what fits on the wide one only is of the class `roomy`. The first stands `aside` by so many pixels."""
    narrow, wide = (
        set(fitting([centred(at * width, len(text) * _DIGIT, width) for at, text in marks], _DIGIT)) for width in widths
    )
    return [
        element(
            "text",
            x=percent(at),
            dx=aside if place == 0 else None,
            y=y,
            text_anchor="start" if place == 0 else "end" if place == len(marks) - 1 else "middle",
            class_="decade" if place in narrow else "decade roomy",
            text=text,
        )
        for place, (at, text) in enumerate(marks)
        if place in narrow | wide
    ]
