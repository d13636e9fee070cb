"""PostgreSQL's own functions, operators and types that an expression from a file may use: the reviewed lists.

Functions and operators that are built in (an OID below 16384) and immutable may be used, but for those in `REFUSED`.
Stable ones only if they stand in `STABLE`: each was looked at in the documentation and in src/backend/utils/adt.  Read
from pg_proc, pg_operator and pg_type of servers of 13 to 18.  Volatile ones (but for `VOLATILE`), aggregates,
window functions and functions that return sets are never used.

What PostgreSQL's own extensions brought into a database is told apart from its users' code.  That something belongs to
an extension does not make it PostgreSQL's: an extension's owner may add functions and types to it.  So each function
behind it must be one of the extension's own library, or of the server itself.  Only a superuser makes such functions,
base types, operator classes and operator families (the PostgreSQL manual, "CREATE FUNCTION", "CREATE TYPE", "CREATE
OPERATOR CLASS", "CREATE OPERATOR FAMILY").
"""

from __future__ import annotations

from itertools import product
from typing import Final

_CLOCK: Final = ("now", "transaction_timestamp", "statement_timestamp")
"""The start of the transaction or statement: a value that is there already."""

_SESSION: Final = ("current_setting", "current_database", "current_schema", "current_user", "session_user")
"""Names and settings of the session.  Row security compares with them, so plans of other tables do too."""

_TIME_ZONE: Final = (
    "date", "time", "timestamp", "timestamptz", "timetz", "timezone", "date_part", "date_trunc", "extract", "age",
    "date_add", "date_subtract", "make_timestamptz", "overlaps", "interval_pl_timestamptz", "timestamptz_pl_interval",
    "timestamptz_mi_interval",
)  # fmt: skip
"""Stable because they read the setting TimeZone, or the clock for 'today'."""

_ACROSS_TIMES: Final = tuple(
    f"{one}_{way}_{other}"
    for (one, other), way in product(
        (("date", "timestamptz"), ("timestamptz", "date"), ("timestamp", "timestamptz"), ("timestamptz", "timestamp")),
        ("eq", "ne", "lt", "le", "gt", "ge", "cmp"),
    )
)
"""Comparisons of times with and without a zone: the functions behind =, <>, < and their kin."""

_TEXT_OF_VALUES: Final = (
    "to_char", "to_date", "to_number", "to_timestamp", "concat", "concat_ws", "anytextcat", "textanycat",
    "array_to_string", "length", "money", "numeric",
)  # fmt: skip
"""Stable because they read settings of format or language, or call output functions, here those of built-in types."""

STABLE: Final = (*_CLOCK, *_SESSION, *_TIME_ZONE, *_ACROSS_TIMES, *_TEXT_OF_VALUES)
"""Names in pg_proc of stable functions that only compute, or read what the session holds anyway."""

VOLATILE: Final = ("timezone",)
"""13 and 14 declare it so for times with a zone: there it asks the clock for today's shift of the zone."""

TEXT_SEARCH: Final = (
    "to_tsvector", "to_tsquery", "plainto_tsquery", "phraseto_tsquery", "websearch_to_tsquery", "json_to_tsvector",
    "jsonb_to_tsvector", "ts_headline", "ts_lexize", "get_current_ts_config", "ts_match_tt", "ts_match_tq",
)  # fmt: skip
"""They run the parsers and dictionaries of a configuration: used only where no template or parser is a user's own."""

REFUSED: Final = (
    # a few bytes of text ask for a gigabyte, or for minutes
    "repeat", "lpad", "rpad", "array_fill", "numeric_fac", "factorial",
    # opens the relation that an argument names and calls the functions of its partition key
    "satisfies_hash_partition",
)  # fmt: skip
"""Immutable, and still not used: planning would run them where their arguments are constants."""

TYPES: Final = frozenset(
    {
        "bool", "bytea", "char", "name", "int8", "int2", "int4", "text", "oid", "tid", "xid", "xid8", "cid", "json",
        "jsonb", "jsonpath", "point", "lseg", "path", "box", "polygon", "line", "circle", "cidr", "inet", "float4",
        "float8", "money", "macaddr", "macaddr8", "bpchar", "varchar", "date", "time", "timestamp", "timestamptz",
        "interval", "timetz", "bit", "varbit", "numeric", "uuid", "tsvector", "tsquery", "regconfig", "pg_lsn",
        "int2vector", "oidvector", "int4range", "numrange", "tsrange", "tstzrange", "daterange", "int8range",
        "int4multirange", "nummultirange", "tsmultirange", "tstzmultirange", "datemultirange", "int8multirange",
    }
)  # fmt: skip
"""Built-in types to which a constant may be cast: their input functions only read the constant.

Left out: those that look up what a text names (regclass, regtype, …), XML, and types of the server's own insides.
"""

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
