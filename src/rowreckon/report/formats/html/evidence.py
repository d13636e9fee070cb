"""What the verdicts on each plan rest on. The worst plans come whole, the others briefly, within a budget of bytes."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from rowreckon.document.audit import Audit
from rowreckon.report.drawings.curve import curve
from rowreckon.report.drawings.curve_svg import curve_svg
from rowreckon.report.drawings.ruler import rulers
from rowreckon.report.formats.html.drawn_ruler import drawn_ruler
from rowreckon.report.formats.html.environment import filled
from rowreckon.report.formats.html.picture import drawn_picture
from rowreckon.report.story.moved_story import moved_line
from rowreckon.report.story.prepared_story import prepared_lines
from rowreckon.report.story.right_counts_story import right_counts_line
from rowreckon.report.story.story import (
    JoinStory,
    elsewhere_lines,
    join_stories,
    measured_rows,
    missing_evidence,
    plan_findings,
)
from rowreckon.report.story.ticket import ticket
from rowreckon.report.story.value_story import HEAD, value_lines, value_rows
from rowreckon.report.words.escape import clean, clean_lines, is_altered, quote, shorten

JOINS_WITH_CHART = 30
_WHOLE_PLANS = 40
_JOINS_SHOWN = 60
_JOINS_OPEN = 2
_JOINS_IN_BRIEF = 3
_QUERY_SHOWN = 20_000
_BUDGET = 4_300_000  # bytes for the plans' parts; the whole stays under 5 MB


def evidence_parts(audit: Audit, order: Sequence[int]) -> tuple[list[Markup], int]:
    """The evidence of the plans, in this order, as far as it fits the budget, and how many plans were left out."""
    parts: list[Markup] = []
    room = _BUDGET
    for place, index in enumerate(order):
        whole = place < _WHOLE_PLANS
        part = _evidence(audit, index, whole=whole, is_open=place == 0, alone=len(order) == 1)
        if len(part.encode()) > room and whole:
            part = _evidence(audit, index, whole=False, is_open=False, alone=False)
        room -= len(part.encode())
        if room < 0:
            return parts, len(order) - len(parts)
        parts.append(Markup(part))
    return parts, 0


def _evidence(audit: Audit, index: int, *, whole: bool, is_open: bool, alone: bool) -> str:
    """One plan's; `alone` where the page is about this plan and has told of it at its top."""
    plan = audit.plans[index]
    every = join_stories(plan)
    stories = every[: _JOINS_SHOWN if whole else _JOINS_IN_BRIEF]
    judged = tuple(s for s in stories if s.join.verdict != "accurate") or stories[:1]
    drawn = {s.join.node: [drawn_ruler(r) for r in rulers(s.join)] for s in (stories if whole else stories[:1])}
    if alone and stories and len(drawn[stories[0].join.node]) == 1:
        del drawn[stories[0].join.node]  # it stands at the top of the page
    return filled(
        "evidence.html.j2",
        index=index,
        source=quote(plan.source),
        told=ticket(audit, index),
        alone=alone,
        is_open=is_open,
        whole=whole,
        judged=judged[:_JOINS_OPEN],
        folded=judged[_JOINS_OPEN:],
        accurate=tuple(s for s in stories if s not in judged),
        hidden_joins=len(every) - len(stories),
        drawn=drawn,
        charts={s.join.node: _chart(s) for s in stories[:JOINS_WITH_CHART]} if whole else {},
        findings=plan_findings(plan) if whole else (),
        picture=drawn_picture(plan) if whole and not alone else None,
        moved=moved_line(plan),
        right_counts=right_counts_line(plan),
        prepared=prepared_lines(plan),
        value_lines=value_lines(plan),
        value_head=HEAD,
        value_rows=value_rows(plan) if whole else (),
        elsewhere=elsewhere_lines(plan),
        missing=missing_evidence(plan.missing),
        measured=measured_rows(plan),
        notes=[clean(note) for note in plan.notes],
        query=shorten(clean_lines(plan.query), _QUERY_SHOWN) if plan.query and whole else "",
        query_altered=bool(plan.query) and is_altered(plan.query or ""),
    )


def _chart(story: JoinStory) -> tuple[Markup, str] | None:
    chart = curve(story.join)
    return None if chart is None else (curve_svg(chart), chart.caption)
