"""The roles of a source on its stand-in, what they own there, and what they may see.

Owners and grants are written into the catalogs in one statement, once everything is made: planning reads them only.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterable, Iterator
from typing import Any, Final

import psycopg
from psycopg import sql

from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.stand_in.definitions import schemas_of
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.rights import MOST_ROLES, SourceRights, SourceRole, role_there

from .filling import MAKER, READER

_SEEN: Final = ("SELECT", "INSERT", "UPDATE", "DELETE")
"""Privileges that planning asks for."""
_INHERITS_BY_MEMBERSHIP_FROM: Final = 16


def made_roles(facts: StandInFacts) -> list[SourceRole]:
    """The roles that the stand-in has of its own making."""
    return [role for role in facts.roles if not role.name.startswith("pg_")][:MOST_ROLES]


def make_roles(admin: Connection, facts: StandInFacts) -> Iterator[str]:
    """Roles that can't log in; the maker is a member of each, and so is the role that plans. Gives what failed."""
    if len(facts.roles) > MOST_ROLES:
        yield f"only {MOST_ROLES} of {len(facts.roles)} roles are made"
    for role in made_roles(facts):
        bypass = sql.SQL("BYPASSRLS" if role.superuser or role.bypasses else "NOBYPASSRLS")
        inherit = sql.SQL("INHERIT" if not role.member_of or any(i for _, i in role.member_of) else "NOINHERIT")
        statement = sql.SQL("CREATE ROLE {} NOLOGIN NOSUPERUSER {} {} ROLE {}, {}").format(
            _there(role.name), bypass, inherit, sql.Identifier(MAKER), sql.Identifier(READER)
        )
        yield from _tried(admin, statement, f"the role {role.name}")
    for role in made_roles(facts):
        for group, inherits in role.member_of:
            if role_there(group) is not None:
                statement = sql.SQL("GRANT {} TO {}").format(_there(group), _there(role.name))
                if facts.server.major >= _INHERITS_BY_MEMBERSHIP_FROM:
                    statement += sql.SQL(" WITH INHERIT TRUE" if inherits else " WITH INHERIT FALSE")
                yield from _tried(admin, statement, f"the membership of {role.name} in {group}")


def _there(name: str) -> sql.Identifier:
    return sql.Identifier(role_there(name) or name)


def _tried(admin: Connection, statement: sql.Composed, what: str) -> Iterator[str]:
    try:
        admin.execute(statement)
    except psycopg.Error as error:
        yield f"{what} could not be made: {first_line(error)}"


def write_rights(admin: Connection, facts: StandInFacts, oids: dict[int, int]) -> None:
    """Owners, grants, row security and leakproof functions; whoever plans by default sees everything."""
    rights = {each.relation: each for each in facts.rights}
    supers = [role_there(role.name) for role in made_roles(facts) if role.superuser]
    everything = [(name, privilege) for name in (READER, MAKER, *supers) for privilege in _SEEN]
    relations: list[dict[str, Any]] = []
    columns: list[dict[str, Any]] = []
    for each in facts.relations:
        own, there = rights.get(each.oid), oids.get(each.oid)
        if there is None:
            continue
        # a table's owner is asked for by row security alone, a view's by all that it reads
        owned = own is not None and (each.row_security or each.kind == "v")
        relations.append(
            {
                "oid": there,
                "owner": role_there(own.owner) if own is not None and owned else None,
                "secured": each.row_security and own is not None,
                "forced": own is not None and own.forced,
                "grants": [*everything, *_grants(own.grants if own is not None else ())],
            }
        )
        columns += _of_columns(there, own) if own is not None else []
    admin.execute(_WRITE_RELATIONS, (json.dumps(relations),))
    if columns:
        admin.execute(_WRITE_COLUMNS, (json.dumps(columns),))
    proof = [(f.schema_, f.name, f.arguments) for f in facts.functions if f.leakproof]
    if proof:
        admin.execute(_WRITE_LEAKPROOF, [list(part) for part in zip(*proof, strict=True)])


def _grants(given: Iterable[tuple[str | None, str]]) -> list[tuple[str | None, str]]:
    """To whom which privilege goes; None is everybody."""
    named = ((grantee, role_there(grantee) if grantee is not None else None, what) for grantee, what in given)
    return [(there, what) for grantee, there, what in named if what in _SEEN and (there or grantee is None)]


def _of_columns(relation: int, own: SourceRights) -> list[dict[str, Any]]:
    by_number: dict[int, list[tuple[str | None, str]]] = {}
    for number, grantee, what in own.column_grants:
        by_number.setdefault(number, []).append((grantee, what))
    return [{"oid": relation, "number": n, "grants": _grants(given)} for n, given in by_number.items()]


_ITEMS: Final = """
(select pg_catalog.array_agg(pg_catalog.makeaclitem(coalesce(g.oid, 0::oid), {owner}, i.item->>1, false))
 from pg_catalog.jsonb_array_elements(w.grants) i(item) left join pg_catalog.pg_roles g on g.rolname = i.item->>0
 where i.item->>0 is null or g.oid is not null)
"""
_WRITE_RELATIONS: Final = f"""
update pg_catalog.pg_class c set relowner = coalesce(o.oid, c.relowner), relrowsecurity = w.secured,
  relforcerowsecurity = w.forced, relacl = {_ITEMS.format(owner="coalesce(o.oid, c.relowner)")}
from pg_catalog.jsonb_to_recordset(%s::jsonb)
    w(oid int8, owner text, secured bool, forced bool, grants jsonb)
  left join pg_catalog.pg_roles o on o.rolname = w.owner
where c.oid = w.oid::oid
"""
_WRITE_COLUMNS: Final = f"""
update pg_catalog.pg_attribute a set attacl = {_ITEMS.format(owner="c.relowner")}
from pg_catalog.jsonb_to_recordset(%s::jsonb) w(oid int8, number int2, grants jsonb)
  join pg_catalog.pg_class c on c.oid = w.oid::oid
where a.attrelid = c.oid and a.attnum = w.number
"""
_WRITE_LEAKPROOF: Final = """
update pg_catalog.pg_proc p set proleakproof = true
from rows from (pg_catalog.unnest(%s::text[]), pg_catalog.unnest(%s::text[]), pg_catalog.unnest(%s::text[]))
    w(schema, name, arguments)
  join pg_catalog.pg_namespace n on n.nspname = w.schema
where p.pronamespace = n.oid and p.proname = w.name
  and pg_catalog.pg_get_function_identity_arguments(p.oid) = w.arguments
"""


def let_all_use(maker: Connection, facts: StandInFacts) -> None:
    """Everybody may name what is in the schemas."""
    for schema in schemas_of(facts):
        with contextlib.suppress(psycopg.Error):
            maker.execute(sql.SQL("grant usage on schema {} to public").format(sql.Identifier(schema)))
