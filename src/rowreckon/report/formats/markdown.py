"""The report as GitHub-flavoured Markdown, within the length that a ticket takes; what is cut is said."""

from __future__ import annotations

from rowreckon.document.audit import Audit
from rowreckon.report.formats.markdown_budget import Block, assemble, length
from rowreckon.report.formats.markdown_changes import list_changes, plan_changes
from rowreckon.report.formats.markdown_list import list_blocks
from rowreckon.report.formats.markdown_pieces import head, items, table
from rowreckon.report.formats.markdown_plan import evidence_blocks, ticket_blocks
from rowreckon.report.story.overview import counts_words, fold_row, nothing_audited, rejected_rows, verdict_legend
from rowreckon.report.words.escape import clean, markdown, plain, quote
from rowreckon.report.words.headline import plans_by_weight
from rowreckon.report.words.sentences import CAUTIONS
from rowreckon.report.words.sources import with_short_sources

LIMIT = 65_536


def render_markdown(audit: Audit, *, limit: int = LIMIT) -> str:
    """The audit as Markdown of at most `limit` characters (counted as UTF-16 units, the stricter way)."""
    audit, folder = with_short_sources(audit)
    if not audit.plans:
        blocks = [head(audit, nothing_audited(audit))]
    elif len(audit.plans) == 1:
        blocks = [*ticket_blocks(audit, folder), *plan_changes(audit)]
    else:
        blocks = [*list_blocks(audit, folder), *list_changes(audit)]
    if audit.folds:
        blocks.append(_folds(audit))
    blocks += _evidence(audit, limit, sum(length(block.text) for block in blocks))
    blocks += _rejected(audit)
    return assemble(blocks, _last(audit), limit)


def _evidence(audit: Audit, limit: int, written: int) -> list[Block]:
    """The plans' evidence, worst first, below `written` characters of other text; what no longer fits is only named."""
    blocks: list[Block] = []
    for index in plans_by_weight(audit):
        if written > 2 * limit:
            name = plain(quote(audit.plans[index].source, 80))
            blocks.append(Block("", f"the evidence of {name}", left_out=True))
            continue
        parts = evidence_blocks(audit, index, alone=len(audit.plans) == 1)
        written += sum(length(block.text) for block in parts)
        blocks += parts
    return blocks


def _folds(audit: Audit) -> Block:
    named = ("query", "times", "first and last", "crossed", "time lost", "q-errors")
    rows = table(named, [fold_row(fold) for fold in audit.folds], right=(1, 3, 4))
    return Block(f"## Queries that recur\n\n{rows}", "rows of the table of recurring queries", by_line=True)


def _rejected(audit: Audit) -> list[Block]:
    if not audit.rejected:
        return []
    rows = table(("input", "where", "why it could not be read"), rejected_rows(audit))
    return [Block(f"## Inputs that could not be read\n\n{rows}", "rows of the table of rejected inputs", by_line=True)]


def _last(audit: Audit) -> str:
    legend = verdict_legend(audit)
    parts = [f"Verdicts: {markdown(legend)}."] if legend else []
    if len(audit.plans) == 1:
        parts.insert(0, markdown(counts_words(audit)))
    parts += ["## Cautions", items(CAUTIONS), f"rowreckon {markdown(clean(audit.tool_version))}"]
    return "\n\n".join(parts) + "\n"
