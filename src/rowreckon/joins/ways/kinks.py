"""Outer row counts after which a join method's cost goes on otherwise: a lead there may show nowhere else.

A hash table or a sort of the outer side outgrows memory, and from one row to the next costs several times as much.
From as many rows on as there are different keys these repeat, and a nested loop that remembers (Memoize) gets cheaper.
From the second execution on an inner scan shares pages with those before, so that two may be charged less than one.
Source: ExecChooseHashTableSize in executor/nodeHash.c; cost_tuplesort, cost_material, cost_memoize_rescan and
index_pages_fetched in optimizer/path/costsize.c; releases 13 to 18.
"""

from __future__ import annotations

from math import floor

from rowreckon.cost import CostSettings, most_rows_in_one_batch
from rowreckon.cost.units import relation_byte_size
from rowreckon.joins.facts.inputs import JoinInput
from rowreckon.joins.ways.borders import Kink


def kinks(settings: CostSettings, join: JoinInput) -> tuple[Kink, ...]:
    """Outer rows (of all processes, at least 1): the most that fit into a hash table, into the one that all processes
    share, and into a sort or a tuplestore; as many as there are different keys; and 2, on the catalog's facts."""
    width = join.outer.width
    found = {Kink(most_rows_in_one_batch(settings, width), "hash")}
    stored = float(floor(settings.work_mem_bytes / relation_byte_size(1.0, width)))
    found.add(Kink(max(stored, 1.0), "merge"))
    if join.workers > 0:
        found.add(Kink(most_rows_in_one_batch(settings, width, combined_workers=join.workers), "hash"))
        found.add(Kink(max(float(floor(stored * join.processes)), 1.0), "merge"))
    if join.basis == "catalog":
        found.add(Kink(2.0))
    for clause in join.clauses:
        if clause.outer.ndistinct is not None:
            found.add(Kink(max(float(floor(clause.outer.ndistinct)), 1.0), falls=True))
    return tuple(sorted(found, key=lambda kink: kink.rows))
