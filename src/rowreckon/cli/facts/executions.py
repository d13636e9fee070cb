"""Of a query list what a stand-in can plan: plain queries, and executions with their values put in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rowreckon.frozen import frozen

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.server.lists.querylist import QueryItem
    from rowreckon.stand_in.values.executions import Values


@frozen
class Listed:
    """Queries by their names; of those that are executions, `statements` has the prepared query by the same names, and
    `values` all the values with which the list executes that, in its order."""

    texts: dict[str, str]
    statements: dict[str, str]
    values: dict[str, tuple[Values, ...]]

    def known(self, capture: Capture, name: str) -> Capture:
        """The capture with the query of this name."""
        statement = self.statements.get(name)
        if statement is None:
            return capture.model_copy(update={"query": self.texts[name]})
        more = {"prepared": statement, "executions": self.values[statement]}
        return capture.model_copy(update={"query": self.texts[name], **more})

    def one_each(self, names: Sequence[str]) -> list[str]:
        """Of these names one for each query: the first of those that execute the same statement."""
        first: dict[str, str] = {}
        for name in names:
            first.setdefault(self.statements.get(name, f"\0{name}"), name)
        return list(first.values())


def listed(items: Sequence[QueryItem]) -> Listed:
    """What the items give; an execution whose values are no plain literals stays as it is written."""
    found = Listed({}, {}, {})
    for item in items:
        found.texts[item.name] = item.text
        if item.kind != "execute":
            continue
        from rowreckon.stand_in.values.executions import prepared_query, values_of, with_values

        query = prepared_query(item.prepared[0][1]) if item.prepared else None
        values = values_of(item.text)
        text = with_values(query, values) if query is not None and values is not None else None
        if query is None or values is None or text is None:
            continue
        found.texts[item.name] = text
        found.statements[item.name] = query
        found.values[query] = (*found.values.get(query, ()), values)
    return found
