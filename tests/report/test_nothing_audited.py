"""An audit without a plan, in every format; and links that lead somewhere, on every page."""

from __future__ import annotations

import re

import pytest

from rowreckon.api import Format, render
from rowreckon.document.audit import Audit
from rowreckon.report.comparing.compare import compare
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.html.compare_page import comparison_html
from rowreckon.report.words.escape import bare
from tests.report import factories as f
from tests.report.hostile import full_audit

FORMS: tuple[Format, ...] = ("text", "markdown", "html")
_REJECTED = (
    f.Rejected(source="huts.json", where="line 3", reason="it holds no EXPLAIN output"),
    f.Rejected(source="trails.json", reason="it is empty"),
)


@pytest.mark.parametrize("form", FORMS)
def test_an_audit_of_rejected_inputs_names_each_and_proposes_nothing(form: Format) -> None:
    """Which input, where in it, why; where nothing was audited there is no word on changes, time or verdicts."""
    text = " ".join(bare(re.sub(r"<[^>]*>", "", render(f.audit(rejected=_REJECTED), form))).split())

    assert "Nothing was audited: 2 inputs could not be read." in text
    for one in _REJECTED:
        assert one.source in text
        assert one.reason in text
    assert "line 3" in text
    assert "change is proposed" not in text
    assert "time goes" not in text
    assert "Verdicts" not in text


@pytest.mark.parametrize("form", FORMS)
def test_no_input_at_all_is_said(form: Format) -> None:
    """Neither a plan nor an input that could not be read."""
    assert "Nothing was audited: no plan was given." in render(f.audit(), form)


def test_what_recurs_is_told_though_no_plan_was_kept() -> None:
    """An archive's folds stand without plans too."""
    folds = full_audit().folds
    for form in FORMS:
        assert "Queries that recur" in render(f.audit().model_copy(update={"folds": folds}), form)


def test_every_link_and_label_of_a_page_leads_to_a_part_of_it() -> None:
    """Links within a page and names of its parts: each has its target, and no target stands twice."""
    audits: dict[str, Audit] = {"none": f.audit(), "one": f.crossed_audit(), "list": full_audit()}
    pages = {name: render_html(audit) for name, audit in audits.items()}
    pages["comparison"] = comparison_html(compare(full_audit(), full_audit()), verbose=True)
    for name, page in pages.items():
        ids = re.findall(r' id="([^"]+)"', page)
        wanted = re.findall(r'(?:href="#|aria-labelledby="|url\(#)([^")]+)', page)

        assert len(ids) == len(set(ids)), name
        assert set(wanted) <= set(ids), name
        assert ("#evidence" in page) is (name in ("one", "list"))
