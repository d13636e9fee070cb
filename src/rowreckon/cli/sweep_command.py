"""`rowreckon sweep`: run every query of a list once on a development database, and audit them all."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rowreckon.cli import options
from rowreckon.cli.dsn import DSN_HELP, DsnFileOption, chosen_dsn
from rowreckon.cli.masking import MaskNamesOption, MaskOption
from rowreckon.cli.running.output import OutputFormat
from rowreckon.cli.running.status import Happened

_MORE = "Evidence"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("sweep", help="Run the queries of a list under EXPLAIN ANALYZE on a development database, audit all.")(
        sweep_command
    )


def sweep_command(
    queries: options.Queries,
    dsn: Annotated[str, typer.Option(help=DSN_HELP)] = "",
    dsn_file: DsnFileOption = None,
    role: options.Role = None,
    set_: options.Set = None,
    time_limit: options.TimeLimit = "60s",
    lock_limit: options.LockLimit = "1s",
    idle_limit: options.IdleLimit = "30s",
    total_time: Annotated[str | None, typer.Option(help="Time for all.", rich_help_panel=options.LIMITS)] = None,
    allow_writes: options.AllowWrites = False,
    allow_volatile: options.AllowVolatile = False,
    allow_privileged_role: options.AllowPrivilegedRole = False,
    allow_role_changes: options.AllowRoleChanges = False,
    allow_standby: Annotated[bool, typer.Option(help="Run on a standby.", rich_help_panel=options.PERMITS)] = False,
    yes: Annotated[
        bool, typer.Option(help="Do not ask before a server elsewhere.", rich_help_panel=options.PERMITS)
    ] = False,
    runs: Annotated[int, typer.Option(min=1, max=1000, help="Runs of each; the median's plan is kept.")] = 1,
    warm_up: Annotated[bool, typer.Option(help="Run each once beforehand.")] = False,
    alternatives: Annotated[
        bool, typer.Option(help="Ask the planner for other methods.", rich_help_panel=_MORE)
    ] = True,
    contest: Annotated[bool, typer.Option(help="Really run the other methods.", rich_help_panel=_MORE)] = False,
    temp_max: Annotated[str, typer.Option(help="Most that one may spill.", rich_help_panel=_MORE)] = "1GB",
    probe: Annotated[bool, typer.Option(help="Count rows that no run tells of.", rich_help_panel=_MORE)] = False,
    with_values: Annotated[bool, typer.Option(help="Keep sampled values.", rich_help_panel=_MORE)] = False,
    stand_in: Annotated[
        bool,
        typer.Option(
            "--stand-in", help="Ask an empty server what the changes would do; --save keeps it.", rich_help_panel=_MORE
        ),
    ] = False,
    save: Annotated[Path | None, typer.Option(help="Folder for capture files.")] = None,
    mask: MaskOption = False,
    mask_names: MaskNamesOption = None,
    resume: Annotated[bool, typer.Option(help="Do not run again what --save holds.")] = False,
    output: options.Format = OutputFormat.terminal,
    report: options.Report = None,
    threshold: options.Threshold = 10.0,
    fail_on: options.FailOn = None,
    baseline: Annotated[
        str | None, typer.Option(metavar="FILE", help="An audit or captures: fail only on what is new since then.")
    ] = None,
    verbose: options.Verbose = False,
) -> Happened:
    """Run the queries of a list on a development database, and audit them all."""
    from rowreckon.cli.audits import baseline_of
    from rowreckon.cli.masking import masking_of
    from rowreckon.cli.running.output import check_report_paths, parse_fail_on
    from rowreckon.cli.sweeping import Ask, Outputs, run_sweep
    from rowreckon.cli.units import duration_ms, size_kb
    from rowreckon.errors import UsageError
    from rowreckon.server.connecting.permission import Limits, SafetyPermission
    from rowreckon.server.executing.contest import ContestRules
    from rowreckon.server.executing.probe import ProbeRules
    from rowreckon.server.lists.lists import read_lists
    from rowreckon.server.lists.options import setting_statements, with_settings
    from rowreckon.server.sweeping.measure import SweepRules

    wanted = parse_fail_on(fail_on)
    check_report_paths(report or [])
    masking = masking_of(mask, mask_names, save)
    known = baseline_of(baseline, wanted, masking, threshold)
    if resume and (save is None or masking is not None):
        raise UsageError("--resume needs --save, and captures that are not masked", hint="name the folder with --save")
    if stand_in and masking is not None:
        raise UsageError("--stand-in reads sampled values, which --mask leaves out", hint="give one of them")
    lists = read_lists(queries)
    items = with_settings(lists.items, setting_statements(role, set_ or []))
    rules = SweepRules(
        permission=SafetyPermission(writes=allow_writes, volatile=allow_volatile, role_changes=allow_role_changes),
        limits=Limits(
            statement_ms=duration_ms(time_limit, "--time-limit"),
            lock_ms=duration_ms(lock_limit, "--lock-limit"),
            idle_ms=duration_ms(idle_limit, "--idle-limit"),
        ),
        total_ms=None if total_time is None else duration_ms(total_time, "--total-time"),
        runs=runs,
        warm_up=warm_up,
        alternatives=alternatives,
        threshold=threshold,
        contest=ContestRules(temp_max_kb=size_kb(temp_max, "--temp-max")) if contest else None,
        probe=ProbeRules() if probe else None,
        with_values=with_values,
    )
    outputs = Outputs(output, tuple(report or ()), wanted, verbose, save, masking, resume, known, stand_in)
    asked = Ask(yes, allow_standby, allow_privileged_role)
    return run_sweep(chosen_dsn(dsn, dsn_file) or "", items, rules, asked, outputs, lists.unread)
