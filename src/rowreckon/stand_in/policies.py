"""A policy of row security as CREATE POLICY for the stand-in, from the checked trees of its expressions."""

from __future__ import annotations

from typing import Final

from rowreckon.catalog.request import quoted

from .facts import SourceRelation
from .permitted import QUERY, NotPermitted, as_text, one_statement
from .rights import SourcePolicy, role_there

_POLICY: Final = QUERY | frozenset({"CreatePolicyStmt", "RoleSpec"})
_COMMANDS: Final = {"r": "SELECT", "a": "INSERT", "w": "UPDATE", "d": "DELETE", "*": "ALL"}


def policy(source: SourcePolicy, owner: SourceRelation) -> str:
    """CREATE POLICY with the source's expressions and roles. Raises NotPermitted."""
    if not source.printed:
        raise NotPermitted("has an expression that only this database's own code prints")
    roles = [quoted(name) for name in map(role_there, source.roles) if name is not None]
    if source.roles and not roles:
        raise NotPermitted("is for roles of PostgreSQL's own alone")
    text = (
        f"CREATE POLICY {quoted(source.name)} ON {quoted(owner.schema_, owner.name)}"
        f" AS {'PERMISSIVE' if source.permissive else 'RESTRICTIVE'} FOR {_COMMANDS[source.command]}"
        f" TO {', '.join(roles) or 'PUBLIC'}"
    )
    text += f" USING ({source.using})" if source.using is not None else ""
    text += f" WITH CHECK ({source.check})" if source.check is not None else ""
    tree, made = one_statement(text, "create_policy_stmt", _POLICY)
    if made.HasField("qual") != (source.using is not None) or made.HasField("with_check") != (source.check is not None):
        raise NotPermitted("holds more than its expressions")
    return as_text(tree)
