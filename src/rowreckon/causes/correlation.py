"""What the two causes of correlated columns share: is the product of the single shares at fault?"""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING

from rowreckon.causes.finding import LIKELY, POSSIBLE, PROVEN, STRONG, Candidate, apart, fact
from rowreckon.causes.restrictions import Restriction, age_of, exceeds, lacks_statistics, share_of_clause
from rowreckon.causes.wording import listed, rows_sentence, share
from rowreckon.remedies.subject import Subject

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context, Site

_MOST_COMBINATIONS = 10_000
"""Entries that a list of common combinations can hold (the largest statistics target)."""


def correlated(
    code: str, site: Site, context: Context, found: list[Restriction], columns: tuple[str, ...]
) -> Candidate | None:
    """A candidate for correlated columns, weighed by what the totals and the single clauses leave open."""
    if site.kind not in ("scan", "lookup") or site.table is None:
        return None
    if lacks_statistics(site, columns):
        return None
    plain = [r for r in found if r.column in columns]
    if any(r.clause.parameters for r in plain):
        return None
    relation = site.relation
    evidence = [
        fact("columns restricted together", ", ".join(columns), "plan"),
        fact("share of the table's rows that came", site.kept, "plan"),
    ]
    age = age_of(site, relation)
    evidence.append(fact(age.fact, age.value, age.source))
    weight = LIKELY if site.direction == "under" else POSSIBLE
    if age.state == "fresh":
        weight = STRONG
    elif age.state == "old":
        weight = POSSIBLE
    elif site.total is not None and site.planned is not None:
        weight *= 1.6  # the totals agree: the table did not grow out of its statistics' sight
    if code.endswith("_range"):
        weight *= 0.8
    singles = _shares(site, context, plain)
    explains = None
    if singles and site.kept is not None:
        rows = site.total_rows or 0.0
        explains = apart(site.kept * rows, prod(singles) * rows)  # by multiplying shares that go together
        evidence.append(fact("smallest share that one clause alone was expected to keep", min(singles), "catalog"))
        if site.direction == "under" and exceeds(site, context, min(singles)):
            return None  # more came than one clause alone was expected to keep: not the product is wrong
        if site.direction == "under" or age.state == "fresh":
            # Each clause alone may be right, and together they were expected to keep far less.
            weight = STRONG if age.state == "old" else PROVEN
    alone = prod(singles) if singles and site.direction == "under" else 0.0
    denser = max((site.kept or 0.0) / alone, 1.0) if alone > 0 else 1.0
    combinations = _combinations(relation, columns, denser) if code.endswith("_range") else None
    curable = combinations is None or combinations <= _MOST_COMBINATIONS
    built = _covering(relation, columns)
    if built:
        weight *= 0.5
        evidence.append(fact("statistics objects on these columns", ", ".join(built), "catalog"))
    if any(r.kind in ("expression", "either", "pattern", "other") for r in found):
        weight *= 0.6  # a clause of that kind may be the one that is off
    if not curable:
        evidence.append(fact("a list of common combinations can cover them", False, "catalog"))
    keep = f", {share(site.kept)} of the table" if site.kept is not None else ""
    return Candidate(
        code=code,
        weight=weight,
        basis="catalog" if relation is not None else "plan",
        summary=f"{listed(columns)} of {site.table} go together. The planner multiplies their shares as if they "
        f"did not. {rows_sentence(site)[:-1]}{keep}.",
        evidence=tuple(evidence),
        explains=explains,
        subject=Subject(
            table=site.table,
            relation=relation,
            columns=columns,
            fraction=site.kept,
            total_rows=site.total_rows,
            combinations=combinations if denser > 1 else None,  # else it is no more than a bound
            curable=curable,
        ),
    )


def _covering(relation: Relation | None, columns: tuple[str, ...]) -> list[str]:
    if relation is None:
        return []
    numbers = {c.attnum for name in columns if (c := relation.column(name)) is not None}
    return [
        s.name
        for s in relation.extended_statistics
        if s.built and numbers <= set(s.columns) and {"mcv", "dependencies"} & set(s.kinds)
    ]


def _shares(site: Site, context: Context, found: list[Restriction]) -> list[float]:
    """What the planner expects each restriction alone to keep; none where one is not known.

    Two bounds of a column are one range, of which it adds the shares and takes one off (clauselist_selectivity).
    """
    singles: list[float] = []
    bounds: dict[str, list[float]] = {}
    for restriction in found:
        share_ = share_of_clause(site, context, restriction.clause)
        if share_ is None:
            return []
        if restriction.kind == "range" and restriction.column is not None:
            bounds.setdefault(restriction.column, []).append(share_)
        else:
            singles.append(share_)
    for both in bounds.values():
        singles += [sum(both) - 1] if len(both) == 2 and sum(both) > 1 else both
    return singles


def _combinations(relation: Relation | None, columns: tuple[str, ...], denser: float) -> float | None:
    """About how many combinations of the columns' values there are; None where the catalog does not tell.

    At most their numbers of distinct values multiplied. Where `denser` times the rows fit that the single shares
    leave, values go together, and about as many times fewer combinations occur.
    """
    if relation is None:
        return None
    numbers: list[float] = []
    for name in columns:
        column = relation.column(name)
        statistics = column.statistics_of(inherited=False) if column is not None else None
        if statistics is None:
            return None
        distinct = statistics.n_distinct
        numbers.append(distinct if distinct > 0 else -distinct * (relation.reltuples or 1.0))
    return max(prod(numbers) / denser, *numbers)
