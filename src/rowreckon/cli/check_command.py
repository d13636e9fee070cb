"""`rowreckon check`: what this role may do, see and would run on a server, before anything runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rowreckon.cli.dsn import DSN_HELP, DsnFileOption, chosen_dsn
from rowreckon.cli.running.status import Happened, not_read

if TYPE_CHECKING:
    from rowreckon.server.sweeping.survey import Survey


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check", help="Say what a sweep may do, see and would run on a server; runs no query.")(check_command)


def check_command(
    queries: Annotated[
        list[Path] | None, typer.Argument(metavar="[QUERIES…]", help="Query lists (.sql), or folders of them.")
    ] = None,
    dsn: Annotated[str, typer.Option(help=DSN_HELP)] = "",
    dsn_file: DsnFileOption = None,
    role: Annotated[str | None, typer.Option(help="Role to take on (SET LOCAL ROLE).")] = None,
    set_: Annotated[list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="SET LOCAL.")] = None,
    allow_writes: Annotated[bool, typer.Option(help="As if sweep were given it.")] = False,
    allow_volatile: Annotated[bool, typer.Option(help="As if sweep were given it.")] = False,
    allow_role_changes: Annotated[bool, typer.Option(help="As if sweep were given it.")] = False,
) -> Happened:
    """Print rights, settings, sizes, row security, and what each query is and would be met with."""
    from rowreckon.cli.config import config_path, read_config
    from rowreckon.cli.server_options import connector
    from rowreckon.plural import counted
    from rowreckon.server.connecting.permission import SafetyPermission
    from rowreckon.server.lists.lists import QueryLists, read_lists
    from rowreckon.server.lists.options import setting_statements, with_settings
    from rowreckon.server.sweeping.survey import survey

    permission = SafetyPermission(writes=allow_writes, volatile=allow_volatile, role_changes=allow_role_changes)
    settings = setting_statements(role, set_ or [])
    lists = read_lists(queries) if queries else QueryLists()
    items = with_settings(lists.items, settings)
    allow = read_config().allow
    with connector(chosen_dsn(dsn, dsn_file) or "")() as connection:
        found = survey(connection, items, permission, settings)
    _print(found)
    typer.echo("")
    typer.echo(f"Configuration: {config_path()}; servers that a sweep does not ask about: {', '.join(allow) or 'none'}")
    happened = not_read(lists.unread)
    if found.unanswered:
        of_all = counted(len(found.queries), "query", "queries")
        happened.undone.append(f"the server gave no answer on {found.unanswered} of {of_all}: the check is not whole")
    return happened


def _print(found: Survey) -> None:
    width = max(len(what) for what, _ in found.facts)
    for what, said in found.facts:
        _line(f"{what:<{width}}  {said}")
    _print_privileges(found)
    if found.largest:
        typer.echo("\nLargest tables (table, its indexes)")
        wide = max(len(name) for name, _, _ in found.largest)
        for name, table, indexes in found.largest:
            _line(f"  {name:<{wide}}  {table:>10}  {indexes:>10}")
    typer.echo("\nSettings of this session")
    for name, value in found.settings:
        _line(f"  {name} = {value}")
    if found.queries:
        typer.echo("\nQueries (judged, and planned where nothing can run; none is executed)")
        for query in found.queries:
            why = f": {query.reason}" if query.reason else ""
            _line(f"  {query.item.name} (line {query.item.line}, {query.kind}): {query.outlook}{why}")
        typer.echo("")
        for line in _TRUST:
            typer.echo(line)


_TRUST = (
    "Planning counts as running: it evaluates functions. What remains trust, whatever is judged here:",
    "code in C, functions that act although declared immutable or stable, login triggers, loaded modules.",
)


def _print_privileges(found: Survey) -> None:
    """Say what is more than a sweep needs, and how a role that is enough is made."""
    if not found.privileges:
        return
    typer.echo("")
    _line(f"This role is {' and '.join(found.privileges)}: a sweep asks first, or needs --allow-privileged-role.")
    typer.echo("A role that is enough (follow your own procedure for changes; ask whoever answers for the server):")
    for statement in found.enough:
        _line(f"  {statement}")


def _line(text: str) -> None:
    from rowreckon.report.words.escape import clean

    typer.echo(clean(text))
