"""The indexes that a change has made on a stand-in, and the size that each would have over the table's real rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rowreckon.errors import StatementFailed
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.stand_in.files import Length, set_length
from rowreckon.server.stand_in.home import Home
from rowreckon.stand_in.pages import PAGE, shares_entries
from rowreckon.trial.btree_size import LEAF_FILL, KeyColumn, Keys, btree_size

from .tables import Table

_UNKNOWN_WIDTH: Final = 32
"""What the planner takes for a column without statistics whose type has no length of its own (get_typavgwidth)."""
_MOST_COMMON: Final = 1_000
"""Common values that are laid out each by itself, the commonest first: a list may have ten thousand, and each takes two
milliseconds; what is left of them counts among the others."""

# New: made by this transaction. Of each column its type's length and alignment, and the table column's statistics.
_INDEXES: Final = """
select i.indexrelid::int8, i.indrelid::int8, pg_catalog.pg_relation_filepath(i.indexrelid), m.amname, i.indnkeyatts,
  (select o.option_value::int4 from pg_catalog.pg_options_to_table(c.reloptions) o where o.option_name = 'fillfactor'),
  array(select pg_catalog.jsonb_build_object('align', a.attalign::text, 'length', a.attlen, 'width', s.stawidth,
      'nulls', s.stanullfrac::text::float8, 'distinct', s.stadistinct::text::float8, 'common', (
        select n.numbers from (values (s.stakind1, s.stanumbers1), (s.stakind2, s.stanumbers2),
          (s.stakind3, s.stanumbers3)) n(kind, numbers) where n.kind = 1))
    from pg_catalog.pg_attribute a left join pg_catalog.pg_statistic s on s.starelid = i.indrelid
      and s.staattnum = i.indkey[a.attnum - 1] and not s.stainherit
    where a.attrelid = i.indexrelid order by a.attnum)
from pg_catalog.pg_index i join pg_catalog.pg_class c on c.oid = i.indexrelid and c.relkind = 'i'
  join pg_catalog.pg_am m on m.oid = c.relam
where i.indrelid = any(%s::oid[]) and c.xmin = pg_catalog.pg_current_xact_id()::xid
"""
_ALIGNMENT: Final = {"c": 1, "s": 2, "i": 4, "d": 8}


@dataclass(frozen=True, slots=True)
class NewIndex:
    """An index by its OID, and its size."""

    oid: int
    pages: int

    @property
    def kb(self) -> float:
        return self.pages * PAGE / 1024


def new_indexes(
    connection: Connection, place: Home, tables: Sequence[Table], rows: Mapping[int, float]
) -> list[NewIndex]:
    """Give each new index of these tables its size; `rows` are those that belong into it, by the table's OID.

    Raises StatementFailed for an index of another method than B-tree, or larger than any can be.
    """
    made: list[NewIndex] = []
    for oid, table, path, method, leading, fill, columns in connection.execute(
        _INDEXES, ([t.oid for t in tables],)
    ).fetchall():
        if method != "btree":
            raise StatementFailed(f"the size that an index of method {method} would have is not known without data")
        count = rows[int(table)]
        file = place.data / str(path)
        try:
            size = btree_size(count, _keys(count, columns, leading, file), fill or LEAF_FILL)
        except ValueError as error:
            raise StatementFailed(f"the index would have {error}: the facts can't be right") from None
        set_length(place.data, place.account, Length(str(path), size.pages, "btree", size.height))
        connection.execute(
            "update pg_catalog.pg_class set relpages = %s, reltuples = %s where oid = %s::oid",
            (size.pages, count, oid),
        )
        made.append(NewIndex(int(oid), size.pages))
    return made


def _keys(rows: float, columns: Sequence[Mapping[str, object]], leading: int, file: Path) -> Keys:
    found: list[KeyColumn] = []
    distinct = 1.0
    common: tuple[float, ...] = ()
    for number, column in enumerate(columns):
        length, width, nulls = (_figure(column, name) for name in ("length", "width", "nulls"))
        fixed = length is not None and length > 0
        size = length if fixed else width if width is not None else _UNKNOWN_WIDTH
        found.append(KeyColumn(_ALIGNMENT[str(column["align"])], float(size or 0), nulls or 0.0, fixed=fixed))
        if number < leading:
            distinct *= _distinct(column, rows)
    if len(columns) == 1:
        listed = columns[0]["common"]
        common = tuple(float(share) for share in listed[:_MOST_COMMON]) if isinstance(listed, list) else ()
        common += (found[0].null_share,)
    return Keys(tuple(found), leading, min(distinct, rows), common, shares_entries(_first_page(file)))


def _first_page(file: Path) -> bytes:
    with file.open("rb") as open_file:
        return open_file.read(PAGE)


def _distinct(column: Mapping[str, object], rows: float) -> float:
    """How many distinct values a column has, each its own where nothing is known."""
    told = _figure(column, "distinct")
    if not told:
        return rows
    return told if told > 0 else -told * rows


def _figure(column: Mapping[str, object], name: str) -> float | None:
    value = column[name]
    return float(value) if isinstance(value, int | float) else None
