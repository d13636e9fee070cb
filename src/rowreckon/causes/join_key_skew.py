"""# join_key_skew

## What it finds
A join on one column whose values repeat on both sides and are unevenly frequent. The rows that reach the join carry
the frequent ones, or the rare ones.

## Why it hurts
The planner spreads the matches evenly over the distinct values, or compares both columns' common values over the whole
tables. A filter on the other table that picks the frequent key is invisible to it.

## Evidence it needs
The error enters at a join by one equality, or at an index lookup by the join key, both inputs being estimated well.
From the catalog: the frequency of the most common key against the average.

## Remedy
Longer lists of common values on both key columns help where neither side is filtered and both are tables' columns.
Where a filter picks the keys no statistic of PostgreSQL crosses tables. What helps is the key written as a constant: a
sweep writes it where the filter leaves one. So do two steps with an analyzed temporary table, or an index that serves
the true row count.

## When it is wrong
A wrong number of distinct values (`ndistinct_wrong`) and old statistics look the same from the plan alone. With a
unique side it is another cause (`cross_table_correlation`): a unique column has no common values.

## References
eqjoinsel_inner in selfuncs.c; Ioannidis and Christodoulakis, "On the Propagation of Errors in the Size of Join
Results", SIGMOD 1991.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.finding import LIKELY, POSSIBLE, PROVEN, STRONG, WEAK, Candidate, fact
from rowreckon.causes.keys import distinct_values, is_unique, is_unique_by_sample, key_pairs, only_pair
from rowreckon.causes.site import Context, Key, Site
from rowreckon.causes.wording import rows_sentence
from rowreckon.plan.nodes import ScanNode
from rowreckon.remedies.beyond_statistics import beyond_statistics
from rowreckon.remedies.draft import OPEN, Draft
from rowreckon.remedies.statistics import longer_list
from rowreckon.remedies.subject import Subject, TableName

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation

TITLE = "uneven join keys"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where one equality joins two relations and the error enters right there."""
    if site.kind not in ("join", "lookup"):
        return None
    pair = only_pair(key_pairs(site, context))
    if pair is None or any(c.parameters for c in (*site.own, *site.joined)):
        return None
    keys = [k for k in (pair.left, pair.right) if k is not None and k.table.name]
    if not keys or any(is_unique(k) or is_unique_by_sample(k) for k in keys):
        return None  # a unique side has no common values to compare with the other's
    if _joins_steps(site, context):
        return None  # no statistics describe the rows of a recursion's step, whatever its keys
    evidence = [fact("join clause", pair.clause.text, "plan")]
    weight = LIKELY if site.kind == "join" else LIKELY * 0.8
    skewed: list[float] = []
    for key in keys:
        factor = _skew(key)
        if factor is None:
            continue
        skewed.append(factor)
        what = f"rows of the most common value of {key.table}.{key.column}, in times those of an average value"
        evidence.append(fact(what, round(factor, 1) or "no value is common", "catalog"))
    if skewed:
        weight = STRONG if max(skewed) >= 3 else WEAK
    if site.kind == "lookup" and site.own:
        weight *= 0.6
    filters = [_is_filtered(context, key) for key in keys]
    filtered = any(filters)
    if len(filters) == 2 and all(filters):
        weight = min(weight, POSSIBLE)  # filters on both tables that go together look the same
    if getattr(site.node, "join_type", None) in ("Semi", "Anti", "Right Semi", "Right Anti"):
        weight = min(weight, POSSIBLE)  # how many rows find no partner is not a matter of frequent keys
    if site.kind == "join" and site.own:
        weight = min(weight, WEAK)  # a condition on the joined rows sees those without a partner, too
    evidence.append(fact("a filter chooses the keys on one side", filtered, "plan"))
    if any(here and _is_one_value(context, key) for key, here in zip(keys, filters, strict=True)):
        weight = PROVEN  # each row kept finds just the partners of that value: how common it is, is the whole error
        evidence.append(fact("values of the key that the filter leaves", 1, "server"))
    hot = next((k for k in keys if (_skew(k) or 0) >= 3), keys[0])
    return Candidate(
        code="join_key_skew",
        weight=weight,
        basis="catalog" if skewed else "plan",
        summary=f"The keys of {hot.table}.{hot.column} that reach the join occur more or less often than average. "
        + rows_sentence(site),
        evidence=tuple(evidence),
        subject=Subject(
            table=hot.table,
            relation=hot.relation,
            columns=(hot.column,),
            other_table=next((k.table for k in keys if k is not hot), None),
            other_columns=tuple(k.column for k in keys if k is not hot),
            keys=tuple((k.alias, k.column) for k, here in zip(keys, filters, strict=True) if here),
            curable=not filtered and len(keys) == 2,
        ),
    )


def _joins_steps(site: Site, context: Context) -> bool:
    """Whether the other side of a clause is what a recursion found in its last step."""
    named = {alias for clause in site.joined for alias in clause.tables}
    nodes = (n for n in context.tree.nodes if n.node_type == "WorkTable Scan")
    return any(getattr(n, "alias", None) in named for n in nodes)


def _is_one_value(context: Context, key: Key) -> bool:
    """Whether the server said that the filter on this side leaves one value of the key."""
    found = context.evidence.capture.key_values
    return any((each.alias, each.column) == (key.alias, key.column) for each in found)


def _skew(key: Key) -> float | None:
    """Frequency of the most common value against that of an average one; None without statistics."""
    column = key.relation.column(key.column) if key.relation is not None else None
    if key.relation is None or column is None:
        return None
    statistics = column.statistics_of(inherited=key.relation.kind == "partitioned_table")
    values = distinct_values(key)
    return statistics.first_mcv_freq * values if statistics is not None and values else None


def _is_filtered(context: Context, key: Key) -> bool:
    for number in context.scans.get(key.alias, ()):
        node = context.tree.nodes[number]
        if isinstance(node, ScanNode):
            if node.filter is not None:
                return True
            index_cond = getattr(node, "index_cond", None) or getattr(node, "recheck_cond", None)
            if index_cond is not None and key.column not in index_cond:
                return True
    return False


def _relation(table: TableName, capture: Capture) -> Relation | None:
    return capture.catalog.relation(table.name, table.schema) if capture.catalog is not None else None


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """Longer lists of common values on both sides of a join key; where a filter picks the keys, what knows them."""
    if subject.keys:
        return beyond_statistics(subject, capture)
    fraction = subject.fraction or 0.001
    one = tuple(replace(draft, works=OPEN) for draft in longer_list(replace(subject, fraction=fraction), capture))
    if subject.other_table is None or not subject.other_table.name or not one:
        return one
    other_side = replace(
        subject,
        table=subject.other_table,
        columns=subject.other_columns,
        relation=_relation(subject.other_table, capture),
        fraction=fraction,
        partitions=(),
    )
    other = longer_list(other_side, capture)
    if not other:
        return one
    both = replace(
        one[0],
        sql=(*one[0].sql, *other[0].sql),
        undo=(*(one[0].undo or ()), *(other[0].undo or ())),
        tables=tuple(dict.fromkeys((*one[0].tables, *other[0].tables))),
        columns=tuple(dict.fromkeys((*one[0].columns, *other[0].columns))),
        reason=f"Keep longer lists of common values of the join key on {one[0].tables[0]} and {other[0].tables[0]}, "
        "which the planner compares with each other.",
    )
    return (both,)
