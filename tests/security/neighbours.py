"""What reaches out of the database: other servers, programs, files, large objects, and the words that go with them."""

from __future__ import annotations

NEIGHBOURS = """
create server loop foreign data wrapper postgres_fdw options (host '<HOST>', port '<PORT>', dbname '<DATABASE>');
grant usage on foreign server loop to keeper;
create user mapping for public server loop options (user 'postgres', password_required 'false');
create foreign table snare.far_view(n int) server loop options (schema_name 'snare', table_name 'window_view');
create foreign table snare.far_planned(id int, n int) server loop
  options (schema_name 'public', table_name 'booby_index', use_remote_estimate 'true');
create foreign table snare.far_huts(id int, name text, region int) server loop
  options (schema_name 'public', table_name 'huts');
create server shell foreign data wrapper file_fdw;
create foreign table snare.from_program(line text) server shell
  options (program 'echo program >> <YARD>/sprung; echo line');
create foreign table snare.from_file(line text) server shell options (filename '/etc/hostname');
grant select on snare.far_view, snare.far_planned, snare.far_huts, snare.from_program, snare.from_file to keeper;
select lo_from_bytea(424242, 'untouched');
grant all on large object 424242 to keeper;
comment on table public.huts is 'untouched';
"""


def foreign_tables(major: int) -> str:
    """Asynchronous scans of other servers (14)."""
    if major < 14:
        return "select 1"
    return "alter server loop options (add async_capable 'true')"
