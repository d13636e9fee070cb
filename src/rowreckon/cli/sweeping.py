"""Carrying a sweep out: permission, progress, captures, audit, reports, exit status."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from rowreckon.capture import Capture
from rowreckon.catalog.capture_folder import CaptureFolder
from rowreckon.cli.auditing_meanwhile import AuditingMeanwhile
from rowreckon.cli.config import read_config
from rowreckon.cli.masking import Masking
from rowreckon.cli.output import OutputFormat, exit_status, print_audit, write_reports
from rowreckon.cli.progress import progress_bar
from rowreckon.cli.server_options import confirm, connector, warn
from rowreckon.document.audit import Audit
from rowreckon.frozen import frozen
from rowreckon.plural import counted
from rowreckon.server.measure import SweepRules
from rowreckon.server.querylist import QueryItem
from rowreckon.server.sweep import sweep
from rowreckon.server.whereabouts import require_permission

INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells count it; the report is written all the same."""


@frozen
class Ask:
    """What need not be asked."""

    yes: bool
    standby: bool


@frozen
class Outputs:
    """Where the results go."""

    output: OutputFormat
    reports: tuple[Path, ...]
    fail_on: frozenset[str]
    verbose: bool
    save: Path | None
    masking: Masking | None
    resume: bool
    baseline: Audit | None = None


def run_sweep(dsn: str, items: Sequence[QueryItem], rules: SweepRules, ask: Ask, outputs: Outputs) -> int:
    """Sweep, audit, write; the exit status. Raises what connecting, permission or writing raise."""
    connect = connector(dsn)
    folder = CaptureFolder(outputs.save) if outputs.save is not None else None
    if folder is not None:
        folder.try_out()
    config = read_config()
    with connect() as connection:
        require_permission(connection, allow=config.allow, yes=ask.yes, standby=ask.standby, confirm=confirm())
    _caution(items, rules)
    known = _known(folder, items) if outputs.resume else {}
    masking = outputs.masking
    masked: Callable[[Capture], Capture] = _as_it_is if masking is None else masking.capture
    with progress_bar() as report, AuditingMeanwhile(rules.threshold) as auditing:

        def finished(capture: Capture) -> None:
            capture = masked(capture)
            _save(folder, capture)
            auditing.put(capture)

        swept = sweep(
            connect,
            items,
            rules,
            progress=report,
            known=known,
            on_run=lambda capture: _save(folder, masked(capture)),
            on_capture=finished,
        )
        report("auditing the plans", len(items), len(items))
        result = auditing.result()
    say: Callable[[str], str] = str
    captures, notes = swept.captures, swept.notes
    if masking is not None:
        renamed = masking.apply(result)
        result, say = renamed.audit, renamed.text
        captures, notes = [masking.capture(capture) for capture in captures], [masking.sentence(n) for n in notes]
    print_audit(result, outputs.output, verbose=outputs.verbose)
    write_reports(result, list(outputs.reports), outputs.fail_on, outputs.baseline)
    _tell(notes, captures, known, say, interrupted=swept.interrupted)
    return INTERRUPTED if swept.interrupted else exit_status(result, outputs.fail_on, outputs.baseline)


def _known(folder: CaptureFolder | None, items: Sequence[QueryItem]) -> dict[int, Capture]:
    if folder is None:
        return {}
    found = folder.known({item.name: item.written or item.text for item in items})
    return {number: found[item.name] for number, item in enumerate(items) if item.name in found}


def _save(folder: CaptureFolder | None, capture: Capture) -> None:
    if folder is not None and capture.outcome != "skipped":
        folder.save(capture)


def _caution(items: Sequence[QueryItem], rules: SweepRules) -> None:
    writes = sum(item.kind == "write" for item in items)
    if writes and rules.permission.writes:
        warn(
            f"{counted(writes, 'statement that writes', 'statements that write')} will be executed and rolled back;"
            " sequences still advance, and effects on other servers, files and sessions stay"
        )
    if rules.permission.volatile:
        warn("volatile functions will be called: what they do outside the transaction is not rolled back")


def _as_it_is(capture: Capture) -> Capture:
    return capture


def _tell(
    notes: Sequence[str],
    captures: Sequence[Capture],
    known: dict[int, Capture],
    say: Callable[[str], str],
    *,
    interrupted: bool,
) -> None:
    for note in notes:
        warn(say(note))
    if known:
        ran_before = counted(len(known), "query was", "queries were")
        warn(f"{ran_before} not run again: what was captured is in the folder already")
    counts: dict[str, int] = {}
    for capture in captures:
        counts[capture.outcome] = counts.get(capture.outcome, 0) + 1
        if capture.outcome != "ran":
            code = f", SQLSTATE {capture.sqlstate}" if capture.sqlstate else ""
            said = f": {capture.reason}" if capture.reason else ""
            how = f"{capture.outcome.replace('_', ' ')}{code}{say(said)}"
            warn(f"{say(capture.name)}, line {capture.line}: {how}")
    if set(counts) - {"ran"} or interrupted:
        parts = [f"{n} {outcome.replace('_', ' ')}" for outcome, n in sorted(counts.items())]
        of_all = counted(len(captures), "query", "queries")
        warn(f"{'interrupted; ' if interrupted else ''}{of_all}: {', '.join(parts)}")
