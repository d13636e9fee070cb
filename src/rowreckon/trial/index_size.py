"""How large a new index will be, from what the catalog knows before it is built."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.capture import Capture
from rowreckon.catalog.facts import Catalog, Relation
from rowreckon.document.audit import Remedy
from rowreckon.remedies.change import change_or_none
from rowreckon.trial.btree_size import PAGE, KeyColumn, Keys, btree_size

_UNKNOWN_WIDTH = 16


def index_kb(rows: float, widths: Sequence[float]) -> float | None:
    """Size in kB of a B-tree over so many rows with keys of these average widths (bytes), before deduplication.

    None for more rows than one can hold.
    """
    columns = tuple(KeyColumn(align=1, width=width, fixed=False) for width in widths)
    try:
        size = btree_size(rows, Keys(columns, leading=len(columns), distinct=rows, posting=False))
    except ValueError:
        return None
    return size.pages * PAGE / 1024


def expected_index_kb(remedy: Remedy, captures: Sequence[Capture]) -> float | None:
    """What the remedy's indexes will take, kB; None where it makes none or the catalog does not tell.

    A partial index is counted as a whole one: the figure errs on the large side.
    """
    changes = map(change_or_none, remedy.sql_trial or remedy.sql)
    made = [change for change in changes if change is not None and change.kind == "index"]
    if not made or not remedy.tables:
        return None
    relation = _relation(remedy.tables[0], captures)
    if relation is None or relation.reltuples is None:
        return None
    named = dict.fromkeys((*remedy.columns, *(c for change in made for c in change.columns)))
    widths = [_width(relation, column) for column in named]
    return index_kb(relation.reltuples, widths)


def _relation(name: str, captures: Sequence[Capture]) -> Relation | None:
    for capture in captures:
        if isinstance(capture.catalog, Catalog):
            for relation in capture.catalog.relations:
                if name in (relation.qualified_name, relation.name):
                    return relation
    return None


def _width(relation: Relation, name: str) -> float:
    column = relation.column(name)
    statistics = [s.avg_width for s in column.statistics if s.avg_width is not None] if column is not None else []
    return float(statistics[0]) if statistics else _UNKNOWN_WIDTH
