"""Items as an attempt changes them, and whether a query written another way gives the rows that it gave before."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rowreckon.plural import counted
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.lists.statements import classify
from rowreckon.trial.measured import Attempt

Count = Callable[[QueryItem], int | str]
"""Runs an item that gives a single number, read-only and within its limits: the number, or why none came."""


@dataclass(frozen=True, slots=True)
class RowsCompared:
    """`other_rows` says that the rows differ, `unknown` why they could not be compared, `alike` that they are the same;
    none of it where no query has a new text."""

    other_rows: str | None = None
    unknown: str | None = None
    alike: bool = False

    @property
    def notes(self) -> tuple[str, ...]:
        """What to say beside what was measured."""
        return ("both texts of the query give the same rows",) if self.alike else ()


def with_the_change(items: Sequence[QueryItem], attempt: Attempt) -> list[QueryItem]:
    """The items; those that the attempt is meant for with its settings and, where it has one, their new text with
    the tables that it reads."""
    return [
        replace(
            item,
            settings=(*item.settings, *attempt.settings),
            text=attempt.rewritten.get(number, item.text),
            fillings=attempt.fillings.get(number, ()),
        )
        if number in attempt.victims
        else item
        for number, item in enumerate(items)
    ]


def rewriting_obstacle(attempt: Attempt, items: Sequence[QueryItem], from_files: frozenset[int]) -> str | None:
    """Why the texts of an attempt are not sent to the server; None where it has none, or they may be."""
    for number, text in attempt.rewritten.items():
        if number in from_files:
            return "the query that it writes another way came with a file, so it is not sent to the server"
        if items[number].kind != "query" or classify(text).kind != "query":
            return "it writes another statement than a query, which a trial does not send"
    return None


def compare_rows(
    count: Count, before: Sequence[QueryItem], after: Sequence[QueryItem], attempt: Attempt
) -> RowsCompared:
    """The rows of each query that has a new text, under both texts, as multisets; asked with the change in force."""
    for number in sorted(attempt.rewritten):
        text = comparison(before[number].text, after[number].text)
        found = "they can't be put into one statement" if text is None else count(replace(after[number], text=text))
        if isinstance(found, str):
            return RowsCompared(unknown=f"the rows of both texts could not be compared: {found}")
        if found:
            differing = counted(found, "row differs", "rows differ")
            return RowsCompared(other_rows=f"the new text gives other rows: {differing}")
    return RowsCompared(alike=bool(attempt.rewritten))


def comparison(one: str, other: str) -> str | None:
    """A query that counts the rows that only one of two queries gives, each as often as it comes more often there.

    Put together from their trees; None where that can't be printed.
    """
    from rowreckon.sql.grammar import NotSql, parse, printed

    try:
        tree = parse(
            "SELECT pg_catalog.count(*) FROM ((SELECT 1 EXCEPT ALL SELECT 1) UNION ALL (SELECT 1 EXCEPT ALL SELECT 1))"
            " AS differing"
        )
        union = tree.stmts[0].stmt.select_stmt.from_clause[0].range_subselect.subquery.select_stmt
        first, second = (parse(text).stmts[0].stmt.select_stmt for text in (one, other))
        for pair, (left, right) in ((union.larg, (first, second)), (union.rarg, (second, first))):
            pair.larg.CopyFrom(left)
            pair.rarg.CopyFrom(right)
        return printed(tree)
    except NotSql:
        return None
