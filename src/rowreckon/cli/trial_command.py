"""`rowreckon trial`: try the remedies of a sweep where nothing lasts, and measure what they do to every query."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rowreckon.cli.dsn import DSN_HELP, DsnFileOption, chosen_dsn
from rowreckon.cli.masking import MaskNamesOption, MaskOption
from rowreckon.cli.running.output import OutputFormat
from rowreckon.cli.running.status import Happened

_LIMITS, _PERMITS = "Limits", "Permissions"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "trial",
        help="Sweep a list, then try what the audit proposes on copies of the database, and measure every query.",
    )(trial_command)


def trial_command(
    queries: Annotated[list[Path], typer.Argument(metavar="QUERIES…", help="Query lists (.sql), or folders of them.")],
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
    budget: Annotated[str, typer.Option(help="Time for all trials.", rich_help_panel=_LIMITS)] = "10min",
    max_index: Annotated[str | None, typer.Option(help="Largest new index.", rich_help_panel=_LIMITS)] = None,
    space: Annotated[str | None, typer.Option(help="Space for copies.", rich_help_panel=_LIMITS)] = None,
    ask_above: Annotated[
        str, typer.Option(help="On this machine, copies up to this size are made unasked.", rich_help_panel=_LIMITS)
    ] = "512MB",
    time_limit: Annotated[str, typer.Option(help="Time limit of a query.", rich_help_panel=_LIMITS)] = "60s",
    lock_limit: Annotated[str, typer.Option(help="How long a lock is waited for.", rich_help_panel=_LIMITS)] = "1s",
    idle_limit: Annotated[str, typer.Option(help="Idle time within a transaction.", rich_help_panel=_LIMITS)] = "30s",
    role: Annotated[str | None, typer.Option(help="Role to take on for each query (SET LOCAL ROLE).")] = None,
    set_: Annotated[list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="SET LOCAL for each.")] = None,
    allow_writes: Annotated[bool, typer.Option(help="Run writes too, rolled back.", rich_help_panel=_PERMITS)] = False,
    allow_volatile: Annotated[
        bool, typer.Option(help="Run volatile functions, foreign tables.", rich_help_panel=_PERMITS)
    ] = False,
    allow_privileged_role: Annotated[
        bool, typer.Option(help="Run as a superuser or the like.", rich_help_panel=_PERMITS)
    ] = False,
    allow_role_changes: Annotated[bool, typer.Option(help="Run SET ROLE of a list.", rich_help_panel=_PERMITS)] = False,
    yes: Annotated[bool, typer.Option(help="Answer yes to every question.", rich_help_panel=_PERMITS)] = False,
    mask: MaskOption = False,
    mask_names: MaskNamesOption = None,
    output: Annotated[OutputFormat, typer.Option("--format", help="What to print.")] = OutputFormat.terminal,
    report: Annotated[list[Path] | None, typer.Option(help="Also write .html, .md, .json or .xml.")] = None,
    threshold: Annotated[float, typer.Option(min=1.0, max=1e12, help="The q-error called a misestimate.")] = 10.0,
    fail_on: Annotated[str | None, typer.Option(help="Verdicts that give exit status 1.")] = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show what is folded otherwise.")] = False,
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
