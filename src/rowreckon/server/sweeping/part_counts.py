"""Counting the rows of parts of a query that ran, for a plan that comes once the planner knows its row counts."""

from __future__ import annotations

from dataclasses import replace

from rowreckon.server.executing.execute import Executor
from rowreckon.server.executing.probe import ProbeRules, bounded_counts
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.stand_in.right_counts.part_queries import count_query


class PartCounts:
    """Counts parts of one item's query: each is judged as a query of the list is, limited, and rolled back.

    As many are counted as go into the rules' total time if each takes its limit.
    """

    def __init__(self, executor: Executor, item: QueryItem, rules: ProbeRules) -> None:
        self._executor = executor
        self._item = item
        self._rules = rules
        self._left = int(rules.total_ms // rules.limit_ms)

    def __call__(self, part: str) -> float | None:
        """The rows that this part's query gives; None where it was refused, or not counted to its end.

        Raises NotPermitted where it can't be printed.
        """
        if self._left <= 0:
            return None
        self._left -= 1
        statement = count_query(part, self._rules.most_rows)
        asked = replace(
            self._item, text=statement, kind="query", prepared=(), parameters=False, written=None, reason=None
        )
        found = bounded_counts(self._executor, [(0, asked, statement)], self._rules)
        return found[0].rows if found and found[0].complete else None
