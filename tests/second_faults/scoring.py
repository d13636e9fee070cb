"""Figures over all cases: the confusion matrix, the shares, and how well the stated confidence was kept."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from typing import Final

from .judging import Judged, TrapJudged

_BINS: Final = 10
_RESAMPLES: Final = 2000
_SEED: Final = 8
Statement = tuple[float, bool]
"""A stated confidence, and whether what it was stated of came true."""


def share(values: Sequence[bool]) -> float:
    return sum(values) / len(values)


def statements(faults: Sequence[Judged], traps: Sequence[TrapJudged]) -> list[Statement]:
    """All that was stated: first causes, first remedies that could be run, and remedies that a trap forbids."""
    stated = [(each.cause_confidence, each.right) for each in faults if each.cause is not None]
    stated += [(each.remedy_confidence, each.helped) for each in faults if each.helped is not None]
    return [*stated, *((each.confidence, False) for each in traps if not each.avoided)]


def calibration_error(stated: Sequence[Statement]) -> float:
    """Expected calibration error over ten bins of equal width: C. Guo et al., 'On Calibration of Modern Neural
    Networks', ICML 2017: the bins' distances between mean confidence and share that came true, weighted by size."""
    return sum(abs(sum(c - t for c, t in each)) for each in _bins(stated).values()) / len(stated)


def _bins(stated: Sequence[Statement]) -> dict[int, list[Statement]]:
    bins: dict[int, list[Statement]] = {}
    for confidence, true in stated:
        bins.setdefault(min(_BINS - 1, int(confidence * _BINS)), []).append((confidence, true))
    return dict(sorted(bins.items()))


def interval(stated: Sequence[Statement]) -> tuple[float, float]:
    """Its 95 % interval by the percentile bootstrap (B. Efron, R. Tibshirani, 1993)."""
    draw = random.Random(_SEED)
    errors = sorted(calibration_error(draw.choices(stated, k=len(stated))) for _ in range(_RESAMPLES))
    return errors[int(0.025 * _RESAMPLES)], errors[int(0.975 * _RESAMPLES)]


def report(major: int, faults: Sequence[Judged], traps: Sequence[TrapJudged]) -> str:
    """All of it as Markdown."""
    stated = statements(faults, traps)
    low, high = interval(stated)
    counted = [bool(each.helped) for each in faults if each.counts]
    slowed = [f"{each.fault.name}: {', '.join(each.slowed)}" for each in faults if each.slowed]
    return "\n".join(
        [
            f"## PostgreSQL {major}",
            "",
            f"- right cause first: {sum(e.right for e in faults)} of {len(faults)}",
            f"- first remedy helps: {sum(counted)} of {len(counted)}, where one was given or the error turned the plan"
            f" ({sum(e.remedy is None for e in faults)} faults without any remedy)",
            f"- a forbidden remedy came first: {sum(not e.kept_off for e in faults)}",
            f"- other queries slowed by the first remedy: {len(slowed)}"
            f" (unsaid: {sum(bool(e.unsaid) for e in faults)}) {slowed}",
            f"- traps avoided: {sum(t.avoided for t in traps)} of {len(traps)}",
            f"- calibration error: {calibration_error(stated):.3f} (95 % interval {low:.3f} to {high:.3f},"
            f" {len(stated)} statements)",
            "",
            *_matrix(faults),
            "",
            *_misses(faults, traps),
            "",
            *_kept(stated),
        ]
    )


def _matrix(faults: Sequence[Judged]) -> list[str]:
    cells = Counter((each.fault.code, each.cause or "none") for each in faults)
    rows = list(dict.fromkeys(each.fault.code for each in faults))
    lines = ["| truth | first causes that came |", "| --- | --- |"]
    for code in rows:
        came = [f"{cause} {count}" for (truth, cause), count in sorted(cells.items()) if truth == code]
        lines.append(f"| {code} | {', '.join(came)} |")
    return lines


def _kept(stated: Sequence[Statement]) -> list[str]:
    lines = ["| statements | mean confidence | came true |", "| --- | --- | --- |"]
    for each in _bins(stated).values():
        confidence, true = (sum(values) / len(each) for values in zip(*each, strict=True))
        lines.append(f"| {len(each)} | {confidence:.2f} | {true:.2f} |")
    return lines


def _misses(faults: Sequence[Judged], traps: Sequence[TrapJudged]) -> list[str]:
    lines = ["| missed | expected | came |", "| --- | --- | --- |"]
    for each in faults:
        if each.right and (each.helped or not each.counts) and each.kept_off and not each.unsaid:
            continue
        what = f"{each.cause} ({each.cause_confidence:.2f}); {each.remedy}; helped: {each.helped} {each.note}"
        lines.append(f"| {each.fault.name} | {' or '.join(sorted(each.fault.right))} | {_cell(what)} |")
    for trap in traps:
        if not trap.avoided:
            lines.append(f"| trap: {trap.trap.name} | nothing of the kind | {_cell(f'{trap.cause}; {trap.offered}')} |")
    return lines


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
