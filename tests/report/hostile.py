"""Audits in which every free string carries a payload."""

from __future__ import annotations

import typing
from typing import Any, Literal

from rowreckon.document.audit import Audit, Fold, Part, Rejected
from tests.report.factories import audit, crossed_plan, mixed_audit

PAYLOADS = {
    "script": "<script>window.pwned=1</script>",
    "image": '"><img src=x onerror="window.pwned=1">',
    "svg": "</title></style></svg><svg onload=window.pwned=1>",
    "url": "[click](javascript:window.pwned=1) ![i](https://tracker.example/x.png) "
    "https://tracker.example www.tracker.example",
    "css": "</style>} * { display: none } @import url(https://tracker.example/a.css);",
    "template": "{{ 7 * 7 }} {% raw %} {# x #} ${7*7}",
    "table": "a | b || c \\| d \\",
    "blocks": "x\n# heading\n\n- item\n> quote\n```\ncode\n| a |\n| - |",
    "fence": "````` `` ` ~~~",
    "markup": "[bold red]loud[/bold red] [link=https://tracker.example]x[/link] :smile:",
    "ansi": "\x1b[31mred\x1b[0m\x1b]8;;https://tracker.example\x07link\x1b]8;;\x07\x1b[2J\x9b5m\x07\x08\x00",
    "bidi": "abc\u202egnp.exe\u2066x\u2069\u2069\u2068\u200f\u061c",
    "invisible": "a\u200b\u00ad\ufeff\u2028b\u2029c\U000e0041",
    "mention": "@everyone #1 GH-2 someone@tracker.example",
    "entity": "&lt;b&gt; &#60;script&#62; &amp;",
    "comment": "--> ]]> <!-- <![CDATA[ <?xml",
    "marks": "z" + "\u0335\u0336\u0337\u0338" * 3,
    "long": "wide" * 2000,
    "chinese": "山小屋の予約" * 6,
    "hebrew": "בקתות ההרים של הצפון",
}


def full_audit() -> Audit:
    """An audit in which every part of the document occurs."""
    base = mixed_audit()
    folds = (
        Fold(
            fingerprint="select count from bookings",
            times=12,
            first="2031-01-02",
            last="2031-02-03",
            q_errors={"median": 40.0, "worst": 900.0},
            crossed=3,
            lost_ms=4000.0,
        ),
    )
    rejected = (Rejected(source="broken.json", reason="the text ends too early", where="line 3"),)
    cut = crossed_plan(source="cut", outcome="timed_out", sqlstate="57014", line=3, reason="statement timeout")
    return audit(*base.plans, cut, remedies=base.remedies, folds=folds, rejected=rejected)


def _is_free(annotation: Any) -> bool:
    """Whether a field takes any string at all, not only some named ones."""
    if annotation is str:
        return True
    if typing.get_origin(annotation) is Literal:
        return False
    return any(_is_free(part) for part in typing.get_args(annotation))


def _holds_parts(value: Any) -> bool:
    return isinstance(value, Part | dict) or (isinstance(value, tuple) and bool(value) and isinstance(value[0], Part))


def poisoned(part: Any, payload: str) -> Any:
    """The part with every free string replaced by the payload, keys of free dictionaries too."""
    if isinstance(part, tuple):
        return tuple(poisoned(item, payload) for item in part)
    if isinstance(part, str):
        return payload
    if isinstance(part, dict):
        return {key: poisoned(value, payload) for key, value in part.items()}
    if not isinstance(part, Part):
        return part
    values: dict[str, Any] = {}
    for name, field in type(part).model_fields.items():
        value = getattr(part, name)
        if name in ("settings", "q_errors") and value:
            values[name] = {payload: poisoned(next(iter(value.values())), payload)}
        elif _holds_parts(value) or _is_free(field.annotation):
            values[name] = poisoned(value, payload)
        else:
            values[name] = value
    return type(part)(**values)
