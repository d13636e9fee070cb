"""What PostgreSQL's own extensions brought into a database, told apart from its users' code: may be called and printed.

That something belongs to an extension does not make it PostgreSQL's: an extension's owner may add functions and types
to it.  So each function behind it must be one of the extension's own library, or of the server itself.  Only a
superuser makes such functions, base types, operator classes and operator families (the PostgreSQL manual, "CREATE
FUNCTION", "CREATE TYPE", "CREATE OPERATOR CLASS", "CREATE OPERATOR FAMILY").
"""

from __future__ import annotations

from typing import Final

_USERS: Final = "'16384'::oid"

SHIPPED_EXTENSIONS: Final = (
    "btree_gin",
    "btree_gist",
    "citext",
    "cube",
    "fuzzystrmatch",
    "hstore",
    "intarray",
    "isn",
    "ltree",
    "pg_trgm",
    "seg",
    "tsm_system_rows",
    "tsm_system_time",
    "unaccent",
)
"""Extensions that PostgreSQL ships (its manual, "Additional Supplied Modules"), which reach nothing outside of a
database and run no query that they are given."""


def _proven(function: str) -> str:
    """Whether a function is none, the server's own, or one of the extension's library."""
    return f"""({function}::oid < {_USERS} or exists (select from pg_proc q join pg_language l on l.oid = q.prolang
      where q.oid = {function}::oid
        and (l.lanname = 'internal' or (l.lanname = 'c' and q.probin = '$libdir/' || e.extname))))"""


def _all_proven(prefix: str, *functions: str) -> str:
    return " and ".join(_proven(f"{prefix}.{function}") for function in functions)


_NAMES: Final = ", ".join(f"'{name}'" for name in SHIPPED_EXTENSIONS)
_OF_TYPES: Final = ("typinput", "typoutput", "typsend", "typreceive", "typmodin", "typmodout", "typanalyze")

SHIPPED: Final = f"""
select d.classid as class, d.objid as oid
from pg_depend d join pg_extension e on e.oid = d.refobjid and e.extname in ({_NAMES})
where d.refclassid = 'pg_extension'::regclass and d.deptype = 'e' and case
  when d.classid = 'pg_proc'::regclass then {_proven("d.objid")}
  when d.classid = 'pg_operator'::regclass then exists (select from pg_operator o where o.oid = d.objid
    and {_all_proven("o", "oprcode", "oprrest", "oprjoin")})
  when d.classid in ('pg_opclass'::regclass, 'pg_opfamily'::regclass) then true
  when d.classid = 'pg_type'::regclass then exists (select from pg_type t where t.oid = d.objid and t.typtype = 'b'
    and {_all_proven("t", *_OF_TYPES)})
  else false end
"""
"""Catalogs and OIDs of what they brought; of functions and types those alone that their libraries implement."""
