"""What a change can be seen by in the catalog: the objects and options that remedies make, alter or drop."""

from __future__ import annotations

from dataclasses import dataclass

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.neutral import neutral_rows

_USABLE = """
i.indisvalid and i.indisready and not (i.indcheckxmin and pg_catalog.age(i.xmin)
  <= pg_catalog.age((pg_catalog.pg_snapshot_xmin(pg_catalog.pg_current_snapshot())::text::numeric % 4294967296)
                    ::text::xid))
"""
_INDEXES = f"""
select i.indexrelid::bigint, pg_catalog.pg_get_indexdef(i.indexrelid), {_USABLE}, i.indisvalid, i.indcheckxmin,
  pg_catalog.pg_relation_size(i.indexrelid) / 1024.0, i.indrelid::regclass::text
from pg_catalog.pg_index i join pg_catalog.pg_class c on c.oid = i.indexrelid
where i.indexrelid >= 16384 and c.relnamespace <> 'pg_toast'::regnamespace order by 1
"""
# everything else is compared as text: what changed is enough
_OTHERS = (
    "select 'statistics', oid::bigint, pg_catalog.pg_get_statisticsobjdef(oid), {target} from"
    " pg_catalog.pg_statistic_ext",
    "select 'constraint', oid::bigint, pg_catalog.pg_get_constraintdef(oid), convalidated::text from"
    " pg_catalog.pg_constraint where conrelid >= 16384",
    "select 'column', attrelid::bigint * 2048 + attnum, coalesce(attstattarget::text, ''), attoptions::text from"
    " pg_catalog.pg_attribute where attrelid >= 16384 and attnum > 0 and not attisdropped"
    " and (coalesce(attstattarget, -1) >= 0 or attoptions is not null)",
    "select 'function', oid::bigint, prorows::text, procost::text from pg_catalog.pg_proc where oid >= 16384",
    "select 'options', oid::bigint, reloptions::text, null from pg_catalog.pg_class where oid >= 16384"
    " and reloptions is not null",
)


@dataclass(frozen=True, slots=True)
class IndexState:
    """One index: `usable` by the planner of this transaction, else why not in `valid` and `waits` (indcheckxmin)."""

    definition: str
    usable: bool
    valid: bool
    waits: bool
    size_kb: float
    table: str


@dataclass(frozen=True, slots=True)
class CatalogState:
    """The objects at one moment."""

    indexes: dict[int, IndexState]
    others: frozenset[tuple[object, ...]]

    def differs(self, other: CatalogState) -> bool:
        """Whether anything that a change is seen by is otherwise."""
        mine = {oid: (i.definition, i.valid) for oid, i in self.indexes.items()}
        theirs = {oid: (i.definition, i.valid) for oid, i in other.indexes.items()}
        return mine != theirs or self.others != other.others

    def new_indexes(self, before: CatalogState) -> list[IndexState]:
        """Indexes that were not there before."""
        return [index for oid, index in self.indexes.items() if oid not in before.indexes]


def read_state(connection: Connection) -> CatalogState:
    """The state as the connection's transaction sees it. Raises psycopg.Error."""
    indexes = {
        int(oid): IndexState(str(text), bool(usable), bool(valid), bool(waits), float(kb), str(table))
        for oid, text, usable, valid, waits, kb, table in neutral_rows(connection, _INDEXES)
    }
    others: set[tuple[object, ...]] = set()
    for query in _OTHERS:
        others.update(neutral_rows(connection, query.format(target="stxstattarget::text")))
    return CatalogState(indexes, frozenset(others))
