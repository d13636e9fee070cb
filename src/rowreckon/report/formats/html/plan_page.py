"""The page of one plan: the ticket, the plan as a picture, the changes to try, then the evidence."""

from __future__ import annotations

from rowreckon.document.audit import Audit
from rowreckon.report.drawings.svg import PATTERNS
from rowreckon.report.formats.html.audit_page import audit_page
from rowreckon.report.formats.html.environment import PLAN_STYLE
from rowreckon.report.formats.html.evidence import evidence_parts
from rowreckon.report.formats.html.picture import drawn_picture
from rowreckon.report.story.change_lines import changes_title
from rowreckon.report.story.remedy_story import remedies_story
from rowreckon.report.story.ticket import ticket
from rowreckon.report.words.changes.trial_words import account_lines

_CHANGES = 200
_CHANGES_OPEN = 5


def render_plan(audit: Audit, folder: str) -> str:
    """The audit of one plan as a document; `folder` is where the plan lies."""
    told = ticket(audit, 0)
    story = remedies_story(audit.remedies[:_CHANGES], audit.plans)
    return audit_page(
        "plan.html.j2",
        audit,
        folder,
        title=f"{told.title} – rowreckon",
        sheets=PLAN_STYLE,
        patterns=(PATTERNS,),
        evidence=evidence_parts(audit, [0]),
        told=told,
        picture=drawn_picture(audit.plans[0]),
        changes_title=changes_title(audit),
        changes=story.remedies[:_CHANGES_OPEN],
        folded=story.remedies[_CHANGES_OPEN:],
        changes_left_out=len(audit.remedies) - len(story.remedies),
        shared=story.shared,
        account=account_lines(audit),
    )
