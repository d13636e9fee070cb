"""Carrying a sweep out: permission, progress, captures, audit, reports, and what happened."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.captures.capture_folder import CaptureFolder
from rowreckon.cli.config import read_config
from rowreckon.cli.masking import Masking
from rowreckon.cli.resuming import known_captures
from rowreckon.cli.running.audit_all import audit_all
from rowreckon.cli.running.auditing_meanwhile import AuditingMeanwhile
from rowreckon.cli.running.ending import ReadBaseline, end_audit
from rowreckon.cli.running.output import OutputFormat, holds_curves, holds_details
from rowreckon.cli.running.progress import progress_bar
from rowreckon.cli.running.status import Happened, lacking_facts
from rowreckon.cli.server_options import confirm, connector, tell_named, warn
from rowreckon.document.audit import Audit, Rejected
from rowreckon.errors import RowreckonError
from rowreckon.frozen import frozen
from rowreckon.plural import counted
from rowreckon.server.connecting.privileges import require_plain_role
from rowreckon.server.connecting.whereabouts import require_permission
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.measure import SweepRules
from rowreckon.server.sweeping.sweep import Connect, Swept, sweep, unswept
from rowreckon.signals import held

if TYPE_CHECKING:
    from rowreckon.cli.facts.stand_in import Counting
    from rowreckon.server.connecting.connection import Connection


@frozen
class Ask:
    """What need not be asked."""

    yes: bool
    standby: bool
    privileged: bool = False


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
    baseline: ReadBaseline | None = None
    stand_in: bool = False

    def auditing(self, threshold: float) -> AuditingMeanwhile:
        """The audit beside the sweep, of all that these outputs hold; a stand-in is asked about whole joins."""
        whole = self.stand_in or holds_details(
            self.output, self.reports, verbose=self.verbose, masked=self.masking is not None
        )
        return AuditingMeanwhile(threshold, curves=whole or holds_curves(self.output, self.reports), details=whole)


def run_sweep(
    dsn: str,
    items: Sequence[QueryItem],
    rules: SweepRules,
    ask: Ask,
    outputs: Outputs,
    unread: Sequence[Rejected] = (),
) -> Happened:
    """Sweep, audit, write; what happened. Raises what connecting, permission or writing raise.

    `unread` are lists that could not be read: the audit names them.
    """
    connect = connector(dsn)
    folder = CaptureFolder(outputs.save) if outputs.save is not None else None
    if folder is not None:
        folder.try_out()
    saving = _Saving(folder)
    known: dict[int, Capture] = {}
    masking = outputs.masking
    if masking is not None:
        unread = [item for item in masking.inputs(unread) if isinstance(item, Rejected)]
    try:
        with connect() as connection:
            allow = read_config().allow
            require_permission(connection, allow=allow, yes=ask.yes, standby=ask.standby, confirm=confirm())
            require_plain_role(connection, allowed=ask.privileged, confirm=confirm())
            tell_named(connection, items, rules.permission, rules.limits)
            if outputs.resume and folder is not None:
                known = known_captures(folder, items, rules.limits, connection)
        _caution(items, rules)
        masked: Callable[[Capture], Capture] = _as_it_is if masking is None else masking.capture
        with outputs.auditing(rules.threshold) as auditing:
            swept, result = _swept(connect, items, unread, rules, saving, known, masked, auditing)
        if outputs.stand_in and not swept.interrupted:
            known_values = _with_values(swept.captures, items)
            result = _foretold(connect, known_values, items, rules, masked, result, outputs.save, saving.happened)
    except KeyboardInterrupt:
        swept = unswept(items)
        result = audit_all([*unread, *swept.captures])
    say: Callable[[str], str] = str
    with held():
        captures, notes = swept.captures, swept.notes
        if masking is not None:
            renamed = masking.apply(result)
            result, say = renamed.audit, renamed.text
            captures, notes = [masking.capture(capture) for capture in captures], [masking.sentence(n) for n in notes]
        _tell(notes, captures, known, say, interrupted=swept.interrupted)
        return (
            end_audit(
                result,
                outputs.output,
                outputs.reports,
                outputs.fail_on,
                verbose=outputs.verbose,
                baseline=outputs.baseline,
            )
            .add(lacking_facts(captures))
            .add(saving.happened)
        )


def _swept(
    connect: Connect,
    items: Sequence[QueryItem],
    unread: Sequence[Rejected],
    rules: SweepRules,
    saving: _Saving,
    known: dict[int, Capture],
    masked: Callable[[Capture], Capture],
    auditing: AuditingMeanwhile,
) -> tuple[Swept, Audit]:
    """The sweep and its audit, side by side; interrupted, as far as they came."""
    with progress_bar() as report:

        def ran(capture: Capture) -> None:
            saving.save(masked(capture))

        def finished(capture: Capture) -> None:
            capture = masked(capture)
            saving.save(capture)
            auditing.put(capture)

        for item in unread:
            auditing.put(item)
        swept = sweep(connect, items, rules, progress=report, known=known, on_run=ran, on_capture=finished)
        with held():
            report("auditing the plans", len(items), len(items))
        return swept, auditing.result()


def _with_values(captures: Sequence[Capture], items: Sequence[QueryItem]) -> list[Capture]:
    """The captures, those of executions with the values that the list gives: without them another plan comes."""
    from rowreckon.cli.facts.executions import listed

    there = listed(items)
    return [there.known(capture, capture.name) if capture.name in there.statements else capture for capture in captures]


def _foretold(
    connect: Connect,
    captures: Sequence[Capture],
    items: Sequence[QueryItem],
    rules: SweepRules,
    masked: Callable[[Capture], Capture],
    result: Audit,
    save: Path | None,
    happened: Happened,
) -> Audit:
    """The audit with what a stand-in said of its changes, its facts saved; what could not be done is in `happened`.

    With probes wanted, of right counts too: the server then counts the joins of a plan that none has run.
    """
    from rowreckon.cli.facts.stand_in import facts_for, foretold_by, save_facts

    try:
        with connect() as connection:
            facts = facts_for(connection, captures)
            if save is not None:
                save_facts(facts, save)
            return foretold_by(facts, result, captures, _counting(connection, items, rules, masked))
    except RowreckonError as error:
        happened.undone.append(f"nothing is foretold on a stand-in: {error.sentence()}")
    except KeyboardInterrupt:
        happened.undone.append("interrupted while a stand-in was asked: nothing is foretold")
    return result


def _counting(
    connection: Connection, items: Sequence[QueryItem], rules: SweepRules, masked: Callable[[Capture], Capture]
) -> Counting | None:
    """Counts on the server for captures of these items that ran; None where no probes are wanted."""
    from rowreckon.cli.facts.stand_in import Counting
    from rowreckon.server.executing.execute import Executor
    from rowreckon.server.sweeping.part_counts import PartCounts

    probe = rules.probe
    if probe is None:
        return None
    executor = Executor(connection, rules.permission, rules.limits)
    by_name = {item.name: item for item in items}

    def count(capture: Capture) -> PartCounts | None:
        item = by_name.get(capture.name)
        return PartCounts(executor, item, probe) if item is not None and capture.outcome == "ran" else None

    return Counting(rules.threshold, count, masked)


class _Saving:
    """Saves captures; one that can't be saved keeps no query from being run, and is named in `happened`."""

    def __init__(self, folder: CaptureFolder | None) -> None:
        self.happened = Happened()
        self._folder = folder
        self._failed: set[str] = set()

    def save(self, capture: Capture) -> None:
        """Save one, or note that it could not be."""
        if self._folder is None or capture.outcome == "skipped":
            return
        try:
            self._folder.save(capture)
        except RowreckonError as error:
            if capture.name not in self._failed:
                self._failed.add(capture.name)
                self.happened.undone.append(error.sentence())


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
    if set(counts) - {"ran"} or interrupted:
        parts = [f"{n} {outcome.replace('_', ' ')}" for outcome, n in sorted(counts.items())]
        of_all = counted(len(captures), "query", "queries")
        warn(f"{'interrupted; ' if interrupted else ''}{of_all}: {', '.join(parts)}")
