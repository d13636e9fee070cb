"""A stand-in for as long as a `with` block lasts: built from facts, asked for plans, removed whatever happens."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import psycopg
from psycopg import sql

from rowreckon.errors import CannotStart, UsageError
from rowreckon.server.connecting.connection import Connection, connected, first_line
from rowreckon.stand_in.beyond.foreign import FOLDER
from rowreckon.stand_in.definitions import definitions
from rowreckon.stand_in.facts import StandInFacts, heights_of, without_extensions
from rowreckon.stand_in.lacking import lacking, page_costs
from rowreckon.stand_in.pages import PAGE

from .collations import make_collations
from .extended import write_extended
from .extensions import make_extensions, make_foreign_servers, own_files
from .files import SEGMENT_PAGES, Length, make_files, set_lengths
from .filling import DATABASE, MAKER, READER, check_build, insert_ends, make_database, new_oids, run_definitions
from .home import Home, home
from .planning import Planner, planner
from .programs import Programs
from .rights import let_all_use, make_roles, write_rights
from .statistics import write_sizes, write_statistics


@dataclass(frozen=True, slots=True)
class StandIn:
    """A server that plans as the source does, as far as `without` does not say otherwise (sentences' parts).

    `place` is where it runs, `schemas` the source's search path.
    """

    planner: Planner
    without: tuple[str, ...]
    place: Home
    schemas: tuple[str, ...]

    @property
    def statistics_dsn(self) -> str:
        """Where its superuser, who may write its statistics, connects."""
        return self.place.dsn("postgres", DATABASE)


@contextlib.contextmanager
def stand_in(facts: StandInFacts, named: Programs | None = None) -> Iterator[StandIn]:
    """Build a stand-in from these facts, yield it, remove it.

    `named` says where server programs of the source's release are (default: the usual places). Raises CannotStart where
    there is no server for it, UsageError where the source is built for other files.
    """
    _check_build(facts)
    with home(facts.server.major, named) as place:
        place.start(last=False)
        without = [*facts.missing, *_fill(place, facts)]
        place.start(last=True)
        with planner(place.dsn(READER, DATABASE), place.major, facts.schemas) as asked:
            yield StandIn(asked, tuple(dict.fromkeys(without)), place, facts.schemas)


def _check_build(facts: StandInFacts) -> None:
    if facts.server.block_size != PAGE or facts.server.segment_pages != SEGMENT_PAGES:
        raise UsageError(
            f"the source has blocks of {facts.server.block_size} bytes in files of {facts.server.segment_pages} blocks,"
            f" and a stand-in has {PAGE} and {SEGMENT_PAGES}",
            hint="leave it out with --no-stand-in",
        )


def _fill(place: Home, facts: StandInFacts) -> list[str]:
    """Fill the running server and its files; it has ended afterwards. Gives what it does without."""
    without: list[str] = []
    try:
        with connected(place.dsn("postgres", "postgres")) as admin:
            check_build(admin)
            without += make_database(admin, facts.server)
            _set_page_costs(admin, facts)
        with connected(place.dsn("postgres", DATABASE)) as admin:
            without += _rebuild(place, admin, facts)
            lengths = _lengths(admin, facts, new_oids(admin, facts))
            admin.execute("checkpoint")
    except psycopg.Error as error:
        raise CannotStart(f"the stand-in could not be filled: {first_line(error)}") from None
    place.end_in_order()
    low = set(set_lengths(place.data, place.account, lengths))
    make_files(place.data, place.account, {f"{FOLDER}/{f.relation}": f.size for f in facts.foreign_files})
    if low:
        without.append(f"{len(low)} B-trees have another height than the source's")
    return without


def _rebuild(place: Home, admin: Connection, source: StandInFacts) -> list[str]:
    admin.execute(sql.SQL("alter schema public owner to {}").format(sql.Identifier(MAKER)))
    with connected(place.dsn(MAKER, DATABASE)) as maker:
        without = [*make_roles(admin, source)]
        without += run_definitions(maker, [each for each in definitions(source)[0] if each.step == "schema"])
        failed = make_extensions(admin, source)
        facts = without_extensions(source, failed)
        made, refused = definitions(facts)
        without += [*lacking(facts), *(f"{each.what} {each.why}" for each in refused), *failed.values()]
        without += make_collations(admin, facts)
        without += make_foreign_servers(admin, facts)
        without += run_definitions(maker, [each for each in made if each.step == "type"])
        without += own_files(admin, facts, made)
        without += run_definitions(maker, [each for each in made if each.step not in _APART])
        held, unheld = insert_ends(admin, maker, facts)
        let_all_use(maker, facts)
        oids = new_oids(admin, facts)
        write_sizes(admin, facts, oids)
        without += [
            *unheld,
            *write_statistics(admin, facts, oids, held),
            *write_extended(admin, maker, facts, oids),
        ]
        write_rights(admin, facts, oids)
        return without


_APART: Final = ("schema", "type", "file")
"""Steps that come before the others."""


def _set_page_costs(admin: Connection, facts: StandInFacts) -> None:
    """The page costs of the source's tablespace, where all its relations lie in such."""
    found = page_costs(facts)
    for name, cost in next(iter(found)) if len(found) == 1 else ():
        setting = sql.SQL("alter tablespace pg_default set ({} = {})").format(sql.Identifier(name), sql.Literal(cost))
        admin.execute(setting)


def _lengths(admin: Connection, facts: StandInFacts, oids: dict[int, int]) -> list[Length]:
    """What each file gets. Which kind of index it is, the stand-in's own catalog says, whatever the facts do."""
    heights = heights_of(facts)
    counters = {oids[each.index]: each for each in facts.gin_counters if each.index in oids}
    tables = {relation.oid: relation.pages for relation in facts.relations}
    wanted: dict[int, tuple[int, int | None, int]] = {
        oids[r.oid]: (r.pages, None, 0) for r in facts.relations if r.oid in oids
    }
    wanted |= {
        oids[i.oid]: (i.pages, heights.get(i.oid), tables.get(i.relation, 0))
        for i in facts.indexes
        if i.oid in oids and i.pages
    }
    rows = admin.execute(_FILES, (list(wanted),)).fetchall()
    found: list[Length] = []
    for oid, path, method in rows:
        pages, height, table_pages = wanted[int(oid)]
        height = height if method == "btree" else None
        found.append(Length(str(path), pages, method, height, table_pages, counters.get(int(oid))))
    return found


_FILES: Final = """
select c.oid::int8, pg_catalog.pg_relation_filepath(c.oid), m.amname
from pg_catalog.pg_class c left join pg_catalog.pg_am m on m.oid = c.relam and c.relkind = 'i'
where c.oid = any(%s::oid[]) and c.relkind in ('r', 'm', 'i')
"""
