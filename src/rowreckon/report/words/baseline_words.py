"""What was compared with by `--baseline`, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.document.audit import Audit, BaselineJoin
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.numbers import count_of, listed, number
from rowreckon.report.words.sentences import join_type_name, tables_of

_SHOWN = 20


def baseline_lines(audit: Audit) -> tuple[str, ...]:
    """What the baseline is, what is new and what is gone; nothing where there is none."""
    known = audit.baseline
    if known is None:
        return ()
    written = f" of {clean(known.written)}" if known.written else ""
    verdicts = listed([clean(verdict) for verdict in known.fail_on])
    return (
        f"Compared with {quote(known.file)}{written}, by rowreckon {clean(known.tool_version)}: "
        f"{count_of(known.plans, 'plan')}, {count_of(known.joins, 'join')};"
        f" {number(known.found)} of {count_of(len(audit.plans), 'plan')} here found in it.",
        *_named("New", known.new, f"no join is {verdicts} that was not so before."),
        *_named("Gone", known.gone, f"no join was {verdicts} that is not so any more."),
    )


def _named(word: str, joins: Sequence[BaselineJoin], none: str) -> list[str]:
    if not joins:
        return [f"{word}: {none}"]
    said = [f"{word}: {clean(join.verdict)}, {_join(join)}, in {quote(join.source)}." for join in joins[:_SHOWN]]
    left = len(joins) - _SHOWN
    return [*said, f"{word}: {number(left)} more; the JSON names them."] if left > 0 else said


def _join(join: BaselineJoin) -> str:
    kind = join_type_name(join.join_type)
    return f"{f'{kind} ' if kind else ''}join of {tables_of(join.tables)}"
