"""Foreign tables whose wrapper is PostgreSQL's own: what its planner part needs in order to price them by itself.

`postgres_fdw` asks nobody unless it is told to use remote estimates; `file_fdw` takes the length of the file.  No host,
no user and no file name of the source is taken over: they decide nothing that is planned.
Source: the PostgreSQL manual, "postgres_fdw" and "file_fdw"; contrib/file_fdw/file_fdw.c, estimate_size.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Final, Literal

from pydantic import Field

from rowreckon.bounds import Counter, Name, Oid
from rowreckon.catalog.request import quoted
from rowreckon.catalog.reviewed import SHIPPED_EXTENSIONS
from rowreckon.stand_in.parts import Identifier, Part
from rowreckon.stand_in.permitted import EXPRESSION, NotPermitted, as_text, one_statement

_KEPT: Final = ("fdw_startup_cost", "fdw_tuple_cost", "use_remote_estimate", "extensions", "async_capable", "program")
FOLDER: Final = "foreign_files"
"""Where the stand-in's data folder has files in the place of those that file_fdw reads."""

FOREIGN: Final = f"""
select coalesce(json_agg(json_build_object('relation', f.ftrelid::int8, 'server', s.srvname, 'wrapper', e.extname,
  'server_options', (select json_object_agg(o.option_name, o.option_value) from pg_options_to_table(s.srvoptions) o
    where o.option_name in {_KEPT}),
  'options', (select json_object_agg(o.option_name,
      case when o.option_name <> 'program' then o.option_value else '' end)
    from pg_options_to_table(f.ftoptions) o where o.option_name in {_KEPT})) order by f.ftrelid), '[]')
from pg_foreign_table f join pg_foreign_server s on s.oid = f.ftserver
  join pg_depend d on d.classid = 'pg_foreign_data_wrapper'::regclass and d.objid = s.srvfdw and d.deptype = 'e'
    and d.refclassid = 'pg_extension'::regclass
  join pg_extension e on e.oid = d.refobjid and e.extname in ('postgres_fdw', 'file_fdw')
where f.ftrelid = any($2)
"""

MAY_SEE_FILES: Final = "has_function_privilege('pg_catalog.pg_stat_file(text, boolean)', 'EXECUTE')"
FOREIGN_FILES: Final = """
select coalesce(json_agg(json_build_object('relation', f.ftrelid::int8, 'size',
  (select x.size from pg_stat_file(o.option_value, true) x)) order by f.ftrelid), '[]')
from pg_foreign_table f cross join lateral pg_options_to_table(f.ftoptions) o
where f.ftrelid = any($2) and o.option_name = 'filename'
"""

_Options = dict[Name, Annotated[str, Field(max_length=1_000)]]


class SourceForeign(Part):
    relation: Oid
    server: Identifier
    wrapper: Literal["postgres_fdw", "file_fdw"]
    server_options: _Options | None = None
    options: _Options | None = None

    @property
    def of_a_program(self) -> bool:
        """Whether a program gives its rows: then its length counts as that of a file which is not there."""
        return "program" in (self.options or {})

    @property
    def remote(self) -> bool:
        """Whether the planner asks the remote server."""
        told = {**(self.server_options or {}), **(self.options or {})}.get("use_remote_estimate", "false")
        return self.wrapper == "postgres_fdw" and told.lower() not in ("false", "off", "no", "0", "f", "n")


class ForeignFile(Part):
    """The length of a file that file_fdw reads (bytes); None where there is none."""

    relation: Oid
    size: Counter | None


_KINDS: Final = EXPRESSION | frozenset(
    ["CreateForeignTableStmt", "CreateStmt", "RangeVar", "ColumnDef", "CollateClause", "Constraint", "DefElem"]
)


def foreign_table(name: str, parts: Sequence[str], source: SourceForeign) -> str:
    """CREATE FOREIGN TABLE with these columns and checks, on the stand-in's server of the same name."""
    if source.remote:
        raise NotPermitted("has its estimates from a remote server, which a stand-in does not ask")
    own_file = {"filename": f"{FOLDER}/{source.relation}"}
    options = own_file if source.wrapper == "file_fdw" else carried(source.options)
    told = ", ".join(f"{quoted(key)} '{value}'" for key, value in options.items())
    text = f"CREATE FOREIGN TABLE {name} ({', '.join(parts)}) SERVER {quoted(source.server)}"
    tree, made = one_statement(text + (f" OPTIONS ({told})" if told else ""), "create_foreign_table_stmt", _KINDS)
    if len(made.base_stmt.table_elts) != len(parts) or made.servername != source.server:
        raise NotPermitted("is not the table that it should be")
    if {option.def_elem.defname: option.def_elem.arg.string.sval for option in made.options} != options:
        raise NotPermitted("has an option that is not taken over")
    return as_text(tree)


def carried(options: _Options | None) -> dict[str, str]:
    """The options that a stand-in's server or table gets: numbers, switches, and names of extensions that it has."""
    found = {
        key: value
        for key, value in (options or {}).items()
        if key in ("fdw_startup_cost", "fdw_tuple_cost", "async_capable")
        and value.replace(".", "", 1).isalnum()
        and value.isascii()
    }
    named = [name.strip() for name in (options or {}).get("extensions", "").split(",")]
    known = [name for name in named if name in SHIPPED_EXTENSIONS]
    return {**found, "extensions": ", ".join(known)} if known else found
