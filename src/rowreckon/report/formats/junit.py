"""JUnit XML: a test case for each query, so that a query list can guard a build."""

from __future__ import annotations

from math import fsum
from xml.etree import ElementTree as ET

from rowreckon.document.audit import Audit, Join, Plan
from rowreckon.report.comparing.matching import Matcher
from rowreckon.report.words.baseline_words import baseline_lines
from rowreckon.report.words.escape import bare, clean, quote
from rowreckon.report.words.headline import joins_by_weight, outcome_words, plan_headline
from rowreckon.report.words.join_words import join_title, verdict_sentence
from rowreckon.report.words.numbers import capitalised
from rowreckon.report.words.time_words import time_sentence


def failures(audit: Audit, fail_on: set[str], baseline: Audit | None = None) -> list[tuple[int, Join]]:
    """Joins whose verdict is named by `fail_on`, as (index of the plan, join); with a baseline only those that it
    does not hold with the same verdict: what is new."""
    matcher = Matcher(baseline) if baseline is not None else None
    found: list[tuple[int, Join]] = []
    for index, plan in enumerate(audit.plans):
        known = matcher.verdicts(plan) if matcher else {}
        for join, key in ((join, Matcher.join_key(join)) for join in joins_by_weight(plan)):
            if join.verdict not in fail_on:
                continue
            if join.verdict in known.get(key, []):
                known[key].remove(join.verdict)  # each known join excuses one join only
                continue
            found.append((index, join))
    return found


def render_junit(audit: Audit, fail_on: set[str], baseline: Audit | None = None) -> str:
    """The audit as JUnit XML: failures by `failures`, errors for what failed to run or to be read."""
    failed: dict[int, list[Join]] = {}
    for index, join in failures(audit, fail_on, baseline):
        failed.setdefault(index, []).append(join)
    cases = [_case(plan, failed.get(index, [])) for index, plan in enumerate(audit.plans)]
    cases += [_rejected(item.source, item.where, item.reason) for item in audit.rejected]
    suite = ET.Element("testsuite", name="rowreckon", tests=str(len(cases)))
    for kind, name in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        suite.set(name, str(sum(case.find(kind) is not None for case in cases)))
    suite.set("time", _seconds(fsum(plan.execution_ms or 0.0 for plan in audit.plans)))
    suite.extend(cases)
    compared = baseline_lines(audit)
    if compared:
        ET.SubElement(suite, "system-out").text = "\n".join(map(bare, compared))
    root = ET.Element("testsuites")
    root.append(suite)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _seconds(ms: float) -> str:
    return f"{ms / 1000:.3f}"


def _case(plan: Plan, failed: list[Join]) -> ET.Element:
    case = ET.Element("testcase", classname="rowreckon", name=clean(plan.source))
    if plan.execution_ms is not None:
        case.set("time", _seconds(plan.execution_ms))
    if plan.outcome in ("failed", "timed_out"):
        error = ET.SubElement(case, "error", type=plan.outcome, message=bare(outcome_words(plan)))
        error.text = bare(outcome_words(plan))
    elif plan.outcome in ("refused", "skipped"):
        ET.SubElement(case, "skipped", message=bare(outcome_words(plan)))
    elif failed:
        failure = ET.SubElement(
            case, "failure", type=failed[0].verdict, message=bare(capitalised(verdict_sentence(failed[0])))
        )
        failure.text = "\n".join(
            bare(f"{join.verdict}: {join_title(join)}. {capitalised(verdict_sentence(join))}.") for join in failed
        )
    ET.SubElement(case, "system-out").text = bare(f"{plan_headline(plan)} {capitalised(time_sentence(plan))}.")
    return case


def _rejected(source: str, where: str | None, reason: str) -> ET.Element:
    case = ET.Element("testcase", classname="rowreckon", name=clean(source))
    message = bare(f"could not be read{f' at {clean(where)}' if where else ''}: {quote(reason, 2000)}")
    ET.SubElement(case, "error", type="unreadable", message=message).text = message
    return case
