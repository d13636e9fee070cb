"""The judge: asks what an item of a list may execute, in the transaction in which it is to run, before it is sent."""

from __future__ import annotations

from dataclasses import dataclass, field

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.neutral import neutral_path
from rowreckon.server.judging.closure import Closure, Known
from rowreckon.server.judging.names import Names, names_of
from rowreckon.server.judging.verdict import Concern, Verdict
from rowreckon.server.lists.querylist import QueryItem

_PATH = b"select pg_catalog.current_schemas(true)::pg_catalog.text[]"


@dataclass(slots=True)
class Judge:
    """Judges items over one connection.  What it learns of objects is kept for the items after."""

    connection: Connection
    _known: Known = field(default_factory=dict)
    _verdicts: dict[tuple[tuple[str, ...], tuple[str, ...], bool], Verdict] = field(default_factory=dict)

    def judge(self, item: QueryItem) -> Verdict:
        """The item's verdict under the settings of the open transaction. Sends nothing of the item. Raises
        psycopg.Error."""
        row = self.connection.execute(_PATH).fetchone()
        path = list(row[0]) if row else []
        texts = (item.text, *(statement for _, statement in item.prepared))
        key = (texts, tuple(path), item.kind == "write")
        if key not in self._verdicts:
            self._verdicts[key] = self._judged(texts, path, writing=item.kind == "write")
        return self._verdicts[key]

    def _judged(self, texts: tuple[str, ...], path: list[str], *, writing: bool) -> Verdict:
        from rowreckon.sql.grammar import NotSql

        names = Names()
        try:
            for text in texts:
                names.add(names_of(text))
        except NotSql as error:
            return Verdict((Concern("", f"it can't be read as SQL: {error.reason}"),))
        with neutral_path(self.connection):
            return Closure(self.connection, path, self._known, writing=writing).of(names)
