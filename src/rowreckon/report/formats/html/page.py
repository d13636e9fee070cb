"""Filling the templates. The worst plans come whole; a long list's rest comes briefly, within a budget of bytes."""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from rowreckon.document.audit import Audit, Join
from rowreckon.frozen import frozen
from rowreckon.plural import counted
from rowreckon.report.drawings.curve import curve
from rowreckon.report.drawings.curve_svg import curve_svg
from rowreckon.report.drawings.ruler import Ruler, deciding, rulers
from rowreckon.report.drawings.ruler_svg import all_named, ruler_svg
from rowreckon.report.drawings.svg import PATTERNS
from rowreckon.report.formats.html.filters import legend, says
from rowreckon.report.formats.html.picture import drawn_picture
from rowreckon.report.story.overview import counts_words, fold_row, plan_lines, verdict_legend
from rowreckon.report.story.remedy_story import remedies_story
from rowreckon.report.story.story import (
    JoinStory,
    elsewhere_lines,
    join_stories,
    measured_rows,
    no_remedy_words,
    plan_findings,
)
from rowreckon.report.story.ticket import ticket
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import bare, clean, clean_lines, is_altered, quote, shorten
from rowreckon.report.words.headline import audit_headline, audit_time_sentence, joins_by_weight
from rowreckon.report.words.numbers import capitalised
from rowreckon.report.words.sentences import CAUTIONS
from rowreckon.report.words.sources import folder_words, with_short_sources
from rowreckon.report.words.trial_words import account_lines

_WHOLE_PLANS = 40
_OPEN_PLANS = 3
_LISTED_PLANS = 3_000
_REMEDIES = 200
_JOINS_WITH_CHART = 30
_JOINS_SHOWN = 60
_JOINS_OPEN = 2
_JOINS_IN_BRIEF = 3
_QUERY_SHOWN = 20_000
_BUDGET = 4_300_000  # bytes for the plans' parts; the whole stays under 5 MB


@frozen
class _Drawn:
    """A ruler drawn, its legend, its note."""

    svg: Markup
    title: str
    legend: list[tuple[str, str]]
    note: str


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Where the templates are, and how sentences are dressed in them."""
    environment = Environment(
        loader=PackageLoader("rowreckon.report.formats.html"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["says"] = says
    environment.filters["bare"] = bare
    environment.filters["shown"] = _shown
    environment.filters["counted"] = counted
    return environment


@lru_cache
def styled(*sheets: str) -> tuple[Markup, str]:
    """The style sheets as one, and the hash by which the content security policy allows it."""
    folder = resources.files("rowreckon.report.formats.html")
    text = "".join(folder.joinpath(sheet).read_text("utf-8") for sheet in sheets)
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return Markup(text), f"sha256-{digest}"


def _drawn(join: Join, *, deciding_only: bool = False) -> list[_Drawn]:
    drawn = rulers(join)
    if deciding_only:
        drawn = deciding(drawn)
    return [_shown(ruler) for ruler in drawn]


def _shown(ruler: Ruler) -> _Drawn:
    return _Drawn(ruler_svg(ruler), ruler.title, [] if all_named(ruler) else legend(ruler), ruler.note)


def _chart(story: JoinStory) -> tuple[Markup, str] | None:
    chart = curve(story.join)
    return None if chart is None else (curve_svg(chart), chart.caption)


def _plan_part(audit: Audit, index: int, *, whole: bool, is_open: bool, alone: bool) -> str:
    plan = audit.plans[index]
    every = join_stories(plan)
    stories = every[: _JOINS_SHOWN if whole else _JOINS_IN_BRIEF]
    judged = tuple(s for s in stories if s.join.verdict != "accurate") or stories[:1]
    drawn = {story.join.node: _drawn(story.join) for story in (stories if whole else stories[:1])}
    if alone and stories and len(drawn[stories[0].join.node]) == 1:
        del drawn[stories[0].join.node]  # it stands at the top of the page
    charts = {s.join.node: _chart(s) for s in stories[:_JOINS_WITH_CHART]} if whole else {}
    query = shorten(clean_lines(plan.query), _QUERY_SHOWN) if plan.query and whole else ""
    return (
        environment()
        .get_template("plan.html.j2")
        .render(
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
            charts=charts,
            findings=plan_findings(plan) if whole else (),
            picture=drawn_picture(plan) if whole and not alone else None,
            elsewhere=elsewhere_lines(plan),
            missing=[
                (capitalised(clean(m.what)).rstrip("."), clean(m.why).rstrip("."), clean_lines(m.how))
                for m in plan.missing
            ],
            measured=measured_rows(plan),
            notes=[clean(note) for note in plan.notes],
            query=query,
            query_altered=bool(plan.query) and is_altered(plan.query or ""),
        )
    )


def plan_parts(audit: Audit, order: list[int], *, most_open: int = _OPEN_PLANS) -> tuple[list[Markup], int]:
    """The plans' parts that fit the budget, and how many plans were left to the table alone."""
    parts: list[Markup] = []
    room = _BUDGET
    for place, index in enumerate(order):
        whole = place < _WHOLE_PLANS
        part = _plan_part(audit, index, whole=whole, is_open=place < most_open, alone=len(order) == 1)
        if len(part.encode()) > room and whole:
            part = _plan_part(audit, index, whole=False, is_open=False, alone=False)
        room -= len(part.encode())
        if room < 0:
            return parts, len(order) - len(parts)
        parts.append(Markup(part))
    return parts, 0


def _worst(audit: Audit, order: list[int]) -> tuple[str, list[_Drawn]]:
    """The deciding ruler of the worst join of the worst plan that has one."""
    for index in order:
        joins = joins_by_weight(audit.plans[index])
        if joins:
            story = join_stories(audit.plans[index])[0]
            return story.title, _drawn(joins[0], deciding_only=True)
    return "", []


def _page_title(audit: Audit) -> str:
    """A few words for a browser's tab."""
    if len(audit.plans) == 1:
        return f"{ticket(audit, 0).title} – rowreckon"
    return f"{counted(len(audit.plans), 'plan')}, {audit.summary.crossed} crossed – rowreckon"


def render_html(audit: Audit) -> str:
    """The audit as one self-contained HTML document: same audit, same bytes."""
    if len(audit.plans) > 1:
        from rowreckon.report.formats.html.list_page import render_list

        return render_list(audit)
    audit, folder = with_short_sources(audit)
    lines = plan_lines(audit)
    order = [line.index for line in lines]
    parts, left_out = plan_parts(audit, order)
    style, style_hash = styled("style.css")
    worst_title, worst = _worst(audit, order)
    remedies = remedies_story(audit.remedies[:_REMEDIES], audit.plans)
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            style=style,
            style_hash=style_hash,
            patterns=PATTERNS,
            told=ticket(audit, 0) if len(lines) == 1 else None,
            told_ruler=[_shown(ruler) for ruler in ticket(audit, 0).rulers] if len(lines) == 1 else [],
            picture=drawn_picture(audit.plans[0]) if len(lines) == 1 else None,
            page_title=_page_title(audit),
            headline=audit_headline(audit),
            time_sentence=audit_time_sentence(audit),
            counts=counts_words(audit) + folder_words(audit, folder) if audit.plans else "",
            compared=baseline_lines(audit),
            worst_title=worst_title,
            worst=worst,
            remedies=remedies.remedies,
            shared=remedies.shared,
            account=account_lines(audit),
            remedies_left_out=len(audit.remedies) - len(remedies.remedies),
            no_remedy=no_remedy_words(audit),
            lines=lines[:_LISTED_PLANS] if len(lines) > 1 else (),
            lines_left_out=max(0, len(lines) - _LISTED_PLANS),
            shown=set(order[: len(parts)]),
            folds=[fold_row(fold) for fold in audit.folds],
            parts=parts,
            left_out=left_out,
            rejected=[(quote(r.source), clean(r.where or ""), clean(r.reason)) for r in audit.rejected],
            legend=verdict_legend(audit),
            cautions=CAUTIONS,
            tool_version=clean(audit.tool_version),
        )
    )
