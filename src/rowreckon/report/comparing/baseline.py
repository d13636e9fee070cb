"""An audit beside an earlier one: which joins have a verdict that is to fail a build, and had it not; and which have it
no more."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Baseline, BaselineJoin, Join, Plan
from rowreckon.report.comparing.matching import Matcher, join_key


def compared_with(audit: Audit, baseline: Audit, *, file: str, written: str | None, fail_on: frozenset[str]) -> Audit:
    """The audit with what came of comparing it with the baseline, which the file holds that was written then."""
    matcher = Matcher(baseline)
    new: list[BaselineJoin] = []
    gone: list[BaselineJoin] = []
    found = 0
    for plan in audit.plans:
        before = matcher.find(plan)
        found += before is not None
        had = _failing(before, fail_on) if before is not None else []
        for join in _failing(plan, fail_on):
            # each join that was known excuses one join only
            known = next((old for old in had if _same(old, join)), None)
            if known is None:
                new.append(_entry(plan, join))
            else:
                had.remove(known)
        gone += [_entry(plan, join) for join in had]
    account = Baseline(
        file=file,
        written=written,
        tool_version=baseline.tool_version,
        plans=len(baseline.plans),
        joins=sum(len(plan.joins) for plan in baseline.plans),
        found=found,
        fail_on=tuple(sorted(fail_on)),
        new=tuple(new),
        gone=tuple(gone),
    )
    return audit.model_copy(update={"baseline": account})


def _failing(plan: Plan, fail_on: frozenset[str]) -> list[Join]:
    return [join for join in plan.joins if join.verdict in fail_on]


def _same(old: Join, new: Join) -> bool:
    return old.verdict == new.verdict and join_key(old) == join_key(new)


def _entry(plan: Plan, join: Join) -> BaselineJoin:
    tables = (*join.outer.tables, *join.inner.tables)
    return BaselineJoin(source=plan.source, tables=tables, join_type=join.join_type, verdict=join.verdict)
