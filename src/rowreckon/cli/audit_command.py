"""`rowreckon audit`: plans from files, folders or standard input, with a server's facts where they can be had."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from rowreckon.cli import options
from rowreckon.cli.dsn import DsnFileOption, chosen_dsn
from rowreckon.cli.masking import MaskNamesOption, MaskOption
from rowreckon.cli.running.output import OutputFormat
from rowreckon.cli.running.status import Happened

_FACTS = "Facts"
_ARCHIVES = "Archives"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("audit", help="Audit captured plans.")(audit_command)


def audit_command(
    paths: Annotated[
        list[str],
        typer.Argument(metavar="PATH… | -", help="Plan or capture files, folders of them, or - for standard input."),
    ],
    allow_privileged_role: Annotated[
        bool, typer.Option(help="Connect as a superuser or the like.", rich_help_panel=_FACTS)
    ] = False,
    dsn: Annotated[
        str | None, typer.Option(help="Add this server's facts; executes nothing.", rich_help_panel=_FACTS)
    ] = None,
    dsn_file: DsnFileOption = None,
    query: Annotated[
        Path | None, typer.Option(help="The plan's query, to ask the planner itself.", rich_help_panel=_FACTS)
    ] = None,
    facts: Annotated[
        list[Path] | None,
        typer.Option(help="What the script of `rowreckon ask` printed, or schema files.", rich_help_panel=_FACTS),
    ] = None,
    stand_in: Annotated[
        bool,
        typer.Option(
            "--stand-in/--no-stand-in", help="Ask an empty server built from the facts.", rich_help_panel=_FACTS
        ),
    ] = True,
    servers: Annotated[
        str | None,
        typer.Option(
            metavar="FOLDER|image:NAME",
            help="Server programs for the stand-in: a folder, or a container image.",
            rich_help_panel=_FACTS,
        ),
    ] = None,
    role: Annotated[str | None, typer.Option(help="Role to read facts as.", rich_help_panel=_FACTS)] = None,
    set_: Annotated[
        list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="SET LOCAL.", rich_help_panel=_FACTS)
    ] = None,
    with_values: Annotated[bool, typer.Option(help="Keep sampled values.", rich_help_panel=_FACTS)] = False,
    one_database: Annotated[
        bool | None,
        typer.Option(
            "--one-database/--many-databases",
            help="Whether all plans are of one: they then tell of each other's tables.",
            show_default=False,
            rich_help_panel=_FACTS,
        ),
    ] = None,
    save: Annotated[Path | None, typer.Option(help="Folder for capture files: plans with their facts.")] = None,
    mask: MaskOption = False,
    mask_names: MaskNamesOption = None,
    output: options.Format = OutputFormat.terminal,
    report: Annotated[
        list[Path] | None, typer.Option(help="Also write a .html, .md, .json or .xml file (may be repeated).")
    ] = None,
    threshold: options.Threshold = 10.0,
    fail_on: Annotated[
        str | None, typer.Option(help="Verdicts that give exit status 1: crossed, held, undecided.")
    ] = None,
    baseline: Annotated[
        str | None, typer.Option(metavar="FILE", help="An audit or plans: fail only on what is new since then.")
    ] = None,
    jobs: Annotated[
        int | None, typer.Option(min=1, max=256, help="Processes that share a big log.", rich_help_panel=_ARCHIVES)
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Share it on a Dask cluster.", rich_help_panel=_ARCHIVES)
    ] = None,
    keep: Annotated[
        Path | None, typer.Option(help="Keep all folds: .parquet or .duckdb.", rich_help_panel=_ARCHIVES)
    ] = None,
    before: Annotated[
        Path | None, typer.Option(help="Compare with what --keep kept.", rich_help_panel=_ARCHIVES)
    ] = None,
    judge: Annotated[
        bool, typer.Option(help="Judge every misestimated join, or only the worst plans.", rich_help_panel=_ARCHIVES)
    ] = True,
    verbose: options.Verbose = False,
    max_depth: Annotated[int, typer.Option(min=1, max=100_000, help="Deepest nesting of nodes.")] = 1000,
    max_bytes: Annotated[int, typer.Option(min=1, max=1 << 40, help="Largest input, in bytes.")] = 64 * 1024 * 1024,
) -> Happened:
    """Audit captured plans."""
    from rowreckon.archive.detect import is_archive
    from rowreckon.cli.facts.sources import (
        check_facts_options,
        facts_of_files,
        facts_of_server,
        names_no_tables,
        save_captures,
        with_stand_in,
        without_facts,
    )
    from rowreckon.cli.inputs import read_inputs
    from rowreckon.cli.masking import masking_of
    from rowreckon.cli.running.audit_all import audit_all
    from rowreckon.cli.running.ending import end_audit
    from rowreckon.cli.running.output import check_report_paths, holds_curves, holds_details, parse_fail_on
    from rowreckon.cli.running.status import not_analyzed
    from rowreckon.errors import ServerError, UsageError
    from rowreckon.reading.limits import Limits
    from rowreckon.signals import held, stopped_by

    wanted = parse_fail_on(fail_on)
    reports = report or []
    check_report_paths(reports)
    dsn = chosen_dsn(dsn, dsn_file)
    check_facts_options(dsn, facts, query, needs_server=role is not None or bool(set_))
    if save is not None:
        from rowreckon.files import try_folder

        try_folder(save, "--save")
    limits = Limits(max_depth=max_depth, max_bytes=max_bytes)
    masking = masking_of(mask, mask_names, save)
    known = None
    if baseline is not None:
        from rowreckon.cli.audits import baseline_of

        known = baseline_of(baseline, wanted, masking, threshold, limits)
    folded = jobs is not None or scheduler is not None or keep is not None or before is not None or not judge
    alone = dsn is None and not facts and save is None and known is None
    if folded and not alone:
        raise UsageError(
            "archives are folded as they are, without facts, capture files or a baseline",
            hint="leave out either these options or those of archives",
        )
    stdin, happened = None, Happened()
    if alone and (folded or (paths == ["-"] and not sys.stdin.isatty()) or any(map(is_archive, paths))):
        from rowreckon.cli.archives import ArchiveOptions, archive_fails, audit_folded

        archive = ArchiveOptions(jobs, scheduler, keep, before, judge, masking is not None)
        result, stdin = audit_folded(paths, archive, limits, threshold, happened)
        if result is not None:
            failing = archive_fails(result, wanted)
            result = result if masking is None else masking.apply(result).audit
            return end_audit(result, output, reports, wanted, verbose=verbose, failing=failing).add(happened)
    inputs = read_inputs(paths, limits, stdin=stdin)
    if dsn is not None and stopped_by() is None:
        settings = set_ or []
        try:
            inputs = facts_of_server(
                inputs, dsn, query, role, settings, threshold, with_values=with_values, privileged=allow_privileged_role
            )
        except ServerError as error:
            said = error.sentence() if masking is None else masking.sentence(error.sentence())
            happened.undone.append(f"the plans are audited without a server's facts: {said}")
        except KeyboardInterrupt:
            happened.undone.append("interrupted while the server's facts were read: the plans are audited without them")
    if facts:
        inputs, unread = facts_of_files(inputs, facts, max_bytes)
        happened.add(unread)
    curves = holds_curves(output, reports)
    details = holds_details(output, reports, verbose=verbose, masked=masking is not None)
    with with_stand_in(
        inputs, facts or [], query, threshold, servers, max_bytes, wanted=stand_in, masked=masking is not None
    ) as stood:
        inputs = stood.inputs if masking is None else masking.inputs(stood.inputs)
        happened.add(without_facts(inputs, dsn, facts, query))
        if save is not None:
            save_captures(inputs, save)
        if one_database and (unhelped := names_no_tables(inputs)):
            from rowreckon.cli.server_options import warn

            warn(unhelped)
        result = audit_all(
            inputs, threshold=threshold, curves=curves, details=details, one_database=one_database, files=True
        )
        result = stood.foretold(result)
    happened.undone += not_analyzed(result)
    if masking is not None:
        with held():
            result = masking.apply(result).audit
    return end_audit(result, output, reports, wanted, verbose=verbose, baseline=known).add(happened)
