"""The judge: asks what an item of a list may execute, in the transaction in which it is to run, before it is sent."""

from __future__ import annotations

from dataclasses import dataclass, field

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.neutral import neutral_schemas, schemas_in_force
from rowreckon.server.judging.closure import Closure, Known
from rowreckon.server.judging.names import Names, names_of
from rowreckon.server.judging.verdict import Concern, Verdict
from rowreckon.server.lists.querylist import QueryItem


@dataclass(slots=True)
class Judge:
    """Judges items over one connection.  What it learns of objects is kept for the items after."""

    connection: Connection
    _known: Known = field(default_factory=Known)
    _verdicts: dict[tuple[tuple[str, ...], bool], dict[tuple[str, ...], Verdict]] = field(default_factory=dict)
    """By texts, then by schemas of the search path."""

    def judge(self, item: QueryItem) -> Verdict:
        """The item's verdict under the settings of the open transaction. Sends nothing of the item. Raises
        psycopg.Error."""
        # what fills a table is judged with what reads it: its values come by no name of the reading text
        filling = (filling.query for filling in item.fillings)
        texts = (item.text, *(statement for _, statement in item.prepared), *filling)
        writing = item.kind == "write"
        given = self._verdicts.setdefault((texts, writing), {})
        if given:
            earlier = given.get(schemas_in_force(self.connection))
            if earlier is not None:
                return earlier
        with neutral_schemas(self.connection) as path:
            given[tuple(path)] = verdict = self._judged(texts, path, writing=writing)
        return verdict

    def _judged(self, texts: tuple[str, ...], path: list[str], *, writing: bool) -> Verdict:
        from rowreckon.sql.grammar import NotSql

        names = Names()
        try:
            for text in texts:
                names.add(names_of(text))
        except NotSql as error:
            return Verdict((Concern("", f"it can't be read as SQL: {error.reason}"),))
        return Closure(self.connection, path, self._known, writing=writing).of(names)
