"""`rowreckon trial`: try the remedies of a sweep where nothing lasts, and measure what they do to every query."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rowreckon.cli import options
from rowreckon.cli.dsn import DSN_HELP, DsnFileOption, chosen_dsn
from rowreckon.cli.masking import MaskNamesOption, MaskOption
from rowreckon.cli.running.output import OutputFormat
from rowreckon.cli.running.status import Happened


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "trial",
        help="Sweep a list, then try what the audit proposes on copies of the database, and measure every query.",
    )(trial_command)


def trial_command(
    queries: options.Queries,
    dsn: Annotated[str, typer.Option(help=DSN_HELP)] = "",
    dsn_file: DsnFileOption = None,
    remedy: Annotated[
        list[int] | None, typer.Option("--remedy", metavar="N", help="Try this change of the audit (repeat); else all.")
    ] = None,
    captures: Annotated[
        Path | None, typer.Option(help="Folder of captures from `sweep --save`: what it holds is not run again.")
    ] = None,
    in_place: Annotated[
        bool, typer.Option("--in-place", help="Not on a copy: in a transaction that is rolled back.")
    ] = False,
    hold: Annotated[str, typer.Option(help="With --in-place: longest time locks are held.")] = "5s",
    budget: Annotated[str, typer.Option(help="Time for all trials.", rich_help_panel=options.LIMITS)] = "10min",
    max_index: Annotated[str | None, typer.Option(help="Largest new index.", rich_help_panel=options.LIMITS)] = None,
    space: Annotated[str | None, typer.Option(help="Space for copies.", rich_help_panel=options.LIMITS)] = None,
    ask_above: Annotated[
        str,
        typer.Option(help="On this machine, copies up to this size are made unasked.", rich_help_panel=options.LIMITS),
    ] = "512MB",
    time_limit: options.TimeLimit = "60s",
    lock_limit: options.LockLimit = "1s",
    idle_limit: options.IdleLimit = "30s",
    role: options.Role = None,
    set_: options.Set = None,
    allow_writes: options.AllowWrites = False,
    allow_volatile: options.AllowVolatile = False,
    allow_privileged_role: options.AllowPrivilegedRole = False,
    allow_role_changes: options.AllowRoleChanges = False,
    yes: Annotated[bool, typer.Option(help="Answer yes to every question.", rich_help_panel=options.PERMITS)] = False,
    mask: MaskOption = False,
    mask_names: MaskNamesOption = None,
    output: options.Format = OutputFormat.terminal,
    report: options.Report = None,
    threshold: options.Threshold = 10.0,
    fail_on: options.FailOn = None,
    verbose: options.Verbose = False,
) -> Happened:
    """Try what the audit of a list proposes, and measure."""
    from rowreckon.cli.masking import masking_of
    from rowreckon.cli.running.output import check_report_paths, parse_fail_on
    from rowreckon.cli.trialling import TrialRequest, run_trial
    from rowreckon.cli.units import duration_ms, size_kb
    from rowreckon.server.connecting.permission import Limits, SafetyPermission
    from rowreckon.server.lists.lists import read_lists
    from rowreckon.server.lists.options import setting_statements, with_settings
    from rowreckon.server.trials.rules import TrialRules

    wanted_verdicts = parse_fail_on(fail_on)
    check_report_paths(report or [])
    lists = read_lists(queries)
    items = with_settings(lists.items, setting_statements(role, set_ or []))
    rules = TrialRules(
        permission=SafetyPermission(writes=allow_writes, volatile=allow_volatile, role_changes=allow_role_changes),
        limits=Limits(
            statement_ms=duration_ms(time_limit, "--time-limit"),
            lock_ms=duration_ms(lock_limit, "--lock-limit"),
            idle_ms=duration_ms(idle_limit, "--idle-limit"),
        ),
        budget_ms=duration_ms(budget, "--budget"),
        max_index_kb=None if max_index is None else size_kb(max_index, "--max-index"),
        hold_ms=duration_ms(hold, "--hold"),
        threshold=threshold,
    )
    wanted = TrialRequest(
        remedies=tuple(remedy or ()),
        in_place=in_place,
        captures=captures,
        space_kb=None if space is None else size_kb(space, "--space"),
        ask_above_kb=size_kb(ask_above, "--ask-above"),
        yes=yes,
        privileged=allow_privileged_role,
        output=output,
        reports=tuple(report or ()),
        fail_on=wanted_verdicts,
        verbose=verbose,
        masking=masking_of(mask, mask_names),
        unread=lists.unread,
    )
    return run_trial(chosen_dsn(dsn, dsn_file) or "", items, rules, wanted)
