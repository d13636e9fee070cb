"""What the page of any audit has, whatever it is about; and the page where no plan was audited."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from rowreckon.document.audit import Audit
from rowreckon.report.formats.html.environment import PLAN_STYLE, page
from rowreckon.report.story.overview import counts_words, fold_row, nothing_audited, rejected_rows, verdict_legend
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import clean
from rowreckon.report.words.sentences import CAUTIONS
from rowreckon.report.words.sources import folder_words


def audit_page(
    template: str,
    audit: Audit,
    folder: str,
    *,
    title: str,
    sheets: tuple[str, ...],
    patterns: tuple[Markup, ...],
    evidence: tuple[Sequence[Markup], int] = ((), 0),
    **parts: object,
) -> str:
    """A page on an audit; `folder` is where its plans lie, `evidence` holds its parts and how many were left out."""
    return page(
        template,
        title=title,
        sheets=sheets,
        patterns=patterns,
        about=counts_words(audit) + folder_words(audit, folder),
        compared=baseline_lines(audit),
        folds=[fold_row(fold) for fold in audit.folds],
        evidence=evidence[0],
        left_out=evidence[1],
        rejected=rejected_rows(audit),
        legend=verdict_legend(audit),
        cautions=CAUTIONS,
        tool_version=clean(audit.tool_version),
        **parts,
    )


def render_nothing(audit: Audit) -> str:
    """The page of an audit without a plan: why there is none."""
    return audit_page(
        "audit.html.j2",
        audit,
        "",
        title="Nothing was audited – rowreckon",
        sheets=PLAN_STYLE,
        patterns=(),
        headline=nothing_audited(audit),
    )
