"""Carrying a trial out: leftovers, price, permission, sweep, audit, trials, reports, and what happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rowreckon.capture import Capture
from rowreckon.captures.capture_folder import CaptureFolder
from rowreckon.cli.config import read_config
from rowreckon.cli.masking import Masking
from rowreckon.cli.resuming import known_captures
from rowreckon.cli.running.audit_all import audit_all
from rowreckon.cli.running.ending import end_audit
from rowreckon.cli.running.output import OutputFormat
from rowreckon.cli.running.progress import progress_bar
from rowreckon.cli.running.status import Happened
from rowreckon.cli.server_options import confirm, connector, tell_named, warn
from rowreckon.document.audit import Audit, Rejected
from rowreckon.document.slowed import slowed
from rowreckon.errors import RowreckonError, StatementRefused
from rowreckon.plural import counted
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.privileges import require_plain_role
from rowreckon.server.connecting.whereabouts import require_permission
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.measure import SweepRules
from rowreckon.server.sweeping.sweep import Connect, Swept, sweep, unswept
from rowreckon.server.trials.copies import ConnectTo
from rowreckon.server.trials.leftovers import drop_leftover, find_leftovers
from rowreckon.server.trials.read_price import read_price
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.session import TrialSession, Tried
from rowreckon.server.trials.to_database import connector_to
from rowreckon.signals import held, terminated_like_ctrl_c
from rowreckon.trial.measured import Attempt
from rowreckon.trial.planning import attempts_of, in_place_obstacle
from rowreckon.trial.price import Price, copies_that_fit, needs_word, price_lines, size
from rowreckon.trial.rollback import left_behind

_NOTHING_LEFT = "nothing was changed"


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRequest:
    """What the command line asked for; `unread` are lists that could not be read, which the audit names."""

    remedies: tuple[int, ...]
    in_place: bool
    captures: Path | None
    space_kb: float | None
    ask_above_kb: float
    yes: bool
    privileged: bool
    output: OutputFormat
    reports: tuple[Path, ...]
    fail_on: frozenset[str]
    verbose: bool
    masking: Masking | None = None
    unread: tuple[Rejected, ...] = ()


def run_trial(dsn: str, items: Sequence[QueryItem], rules: TrialRules, wanted: TrialRequest) -> Happened:
    """Sweep, audit, try, write; what happened. Raises what connecting, permission or writing raise."""
    refused, results = Happened(), list[tuple[Sequence[Capture], Audit]]()
    try:
        with terminated_like_ctrl_c(), connector_to(dsn)(None) as admin:
            _tried(dsn, admin, items, rules, wanted, results, refused)
    except KeyboardInterrupt:
        pass  # what came before it is in the results
    if not results:
        nothing = unswept(items).captures
        results.append((nothing, audit_all([*wanted.unread, *nothing])))
    captures, result = results[-1]
    with held():
        if wanted.masking is not None:
            # What is asked beforehand names tables all the same: somebody has to know what they allow.
            result = wanted.masking.trial(result, [*wanted.unread, *captures], rules.threshold)
        _tell(result)
        return end_audit(result, wanted.output, wanted.reports, wanted.fail_on, verbose=wanted.verbose).add(refused)


def _tried(
    dsn: str,
    admin: Connection,
    items: Sequence[QueryItem],
    rules: TrialRules,
    wanted: TrialRequest,
    results: list[tuple[Sequence[Capture], Audit]],
    refused: Happened,
) -> None:
    """Add the list's captures and audit to the results, then the same with its trials; refusals go to `refused`."""
    require_permission(admin, allow=read_config().allow, yes=wanted.yes, standby=False, confirm=confirm())
    require_plain_role(admin, allowed=wanted.privileged, confirm=confirm())
    tell_named(admin, items, rules.permission, rules.limits)
    _offer_leftovers(admin, wanted.yes)
    price, copies = _price(admin, wanted)
    captures, result, interrupted, from_files = _audited(admin, connector(dsn), items, rules, wanted)
    results.append((captures, result))
    try:
        attempts = () if interrupted else attempts_of(result, wanted.remedies)
        if attempts:
            if wanted.in_place:
                _ask_in_place(admin, attempts, rules, wanted, price)
            to = connector_to(dsn)
            made = _try(to, admin, items, captures, result, attempts, rules, price, copies, from_files)
            results.append((captures, made.audit))
        elif not interrupted:
            warn("the audit proposes no change: there is nothing to try")
    except RowreckonError as error:
        # What the list's queries brought to light is reported all the same.
        said = error.sentence()
        refused.undone.append(said if wanted.masking is None else wanted.masking.sentence(said))


def _offer_leftovers(connection: Connection, yes: bool) -> None:
    """Copies that an earlier trial left: dropped if somebody says so, or --yes does; else named."""
    ask = confirm()
    for leftover in find_leftovers(connection):
        if not leftover.marked:
            warn(
                f"{leftover.name} has the name of a trial's copy and no mark of one: it is not touched. If you know it"
                f" for one, whose maker was killed, drop it with: DROP DATABASE {leftover.name}"
            )
            continue
        what = f"{leftover.name} was left behind by an earlier trial ({leftover.comment}"
        what += f", {size(leftover.size_kb)})" if leftover.size_kb is not None else ")"
        if not leftover.owned:
            warn(f"{what}; it is not dropped: its owner is neither this role nor this database's")
        elif leftover.sessions:
            warn(f"{what}; it is not dropped: {counted(leftover.sessions, 'session is', 'sessions are')} on it")
        elif yes or (ask is not None and ask(f"{what}. Drop it?")):
            trouble = drop_leftover(connection, leftover)
            warn(f"{leftover.name} was dropped" if trouble is None else f"{what} could not be dropped: {trouble}")
        else:
            warn(f"{what}; drop it with: DROP DATABASE {leftover.name}")


def _price(connection: Connection, wanted: TrialRequest) -> tuple[Price, int]:
    """Say what copies cost and have it allowed. Raises StatementRefused where they can't be made, or may not."""
    price = read_price(connection)
    if wanted.in_place:
        return price, 0
    if price.obstacles:
        raise StatementRefused(
            f"no copy of {price.database} can be made: {'; '.join(price.obstacles)}",
            hint="use a role that may, or try in place with --in-place",
        )
    if price.sessions:
        raise StatementRefused(
            f"no copy of {price.database} can be made while other sessions are on it: {'; '.join(price.sessions)}",
            hint="end them, or try in place with --in-place",
        )
    copies = copies_that_fit(price, space_kb=wanted.space_kb)
    if copies == 0:
        raise StatementRefused(
            f"a copy of {price.database} takes about {size(price.size_kb)}, which does not fit into the space",
            hint="give more with --space, or try in place with --in-place",
        )
    for line in price_lines(price, copies):
        warn(line)
    if wanted.yes or not needs_word(price, copies, wanted.ask_above_kb):
        return price, copies
    ask = confirm()
    if ask is None:
        raise StatementRefused(
            f"copies of {price.database} need somebody's word, and nobody can be asked", hint="give --yes"
        )
    if not ask("Make these copies?"):
        raise StatementRefused(_NOTHING_LEFT, hint="try in place with --in-place, or on a smaller database")
    return price, copies


def _ask_in_place(
    connection: Connection, attempts: Sequence[Attempt], rules: TrialRules, wanted: TrialRequest, price: Price
) -> None:
    """Say what a rollback can't undo and have it allowed. Raises StatementRefused."""
    fit = [a for a in attempts if in_place_obstacle(a) is None]
    statements = [s for a in fit for s in a.all_statements]
    stays = left_behind(statements, connection.info.server_version)
    warn(
        f"{counted(len(fit), 'change')} will be made in {connection.info.dbname} itself and rolled back. Each"
        f" holds its locks for at most {rules.hold_ms / 1000:g} s, and others wait for them as long"
    )
    for attempt in fit:
        shown = [s if wanted.masking is None else wanted.masking.statement(s) for s in attempt.all_statements]
        for remedy in attempt.remedies if shown else ():
            warn(f"change {remedy.rank} ({remedy.lock or 'no table'} lock): {'; '.join(shown)}")
    for line in stays:
        warn(f"not undone by the rollback: {line}")
    if price.event_triggers:
        warn(
            f"{counted(price.event_triggers, 'event trigger')} of the database will fire at each change; what they do"
            " elsewhere is not undone"
        )
    if wanted.yes:
        return
    ask = confirm()
    if ask is None:
        raise StatementRefused("a trial in place needs somebody's word, and nobody can be asked", hint="give --yes")
    if not ask("Go on?"):
        raise StatementRefused(_NOTHING_LEFT, hint="try on a copy")


def _audited(
    admin: Connection, connect: Connect, items: Sequence[QueryItem], rules: TrialRules, wanted: TrialRequest
) -> tuple[list[Capture], Audit, bool, frozenset[int]]:
    """The list's captures and their audit, before any change; and which of them were read from files."""
    folder = CaptureFolder(wanted.captures) if wanted.captures is not None else None
    known = {} if folder is None else known_captures(folder, items, rules.limits, admin, unmarked=True)
    sweep_rules = SweepRules(
        permission=rules.permission, limits=rules.limits, alternatives=True, threshold=rules.threshold
    )
    with progress_bar() as report:
        swept: Swept = sweep(connect, items, sweep_rules, progress=report, known=known)
        result = audit_all([*wanted.unread, *swept.captures], threshold=rules.threshold)
    for note in swept.notes:
        warn(note if wanted.masking is None else wanted.masking.sentence(note))
    return swept.captures, result, swept.interrupted, frozenset(known)


def _try(
    connect_to: ConnectTo,
    admin: Connection,
    items: Sequence[QueryItem],
    captures: Sequence[Capture],
    result: Audit,
    attempts: Sequence[Attempt],
    rules: TrialRules,
    price: Price,
    copies: int,
    from_files: frozenset[int],
) -> Tried:
    with progress_bar() as report:
        session = TrialSession(connect_to, items, captures, result, attempts, rules, report, from_files)
        if copies == 0:
            return session.in_place(admin)
        return session.on_copies(admin, price.database, price.size_kb, pair=copies >= 2)


def _tell(result: Audit) -> None:
    """What went wrong, and what came of the best changes together."""
    account = result.trials
    if account is None:
        return
    for note in account.notes:
        warn(note)
    for together in (account.combination, account.further):
        if together is None:
            continue
        trial = together.trial
        times = ""
        if trial.before_ms is not None and trial.after_ms is not None:
            times = f", {trial.before_ms:,.1f} ms before, {trial.after_ms:,.1f} ms after"
        hurt = ", ".join(slowed(trial, together.side_effects))
        slows = f"; slows {hurt}" if hurt else ""
        warn(f"changes {', '.join(map(str, together.ranks))} together: {trial.verdict.replace('_', ' ')}{times}{slows}")
