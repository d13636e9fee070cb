"""# join_partner_share

## What it finds
A semi join or an anti join (EXISTS, IN, NOT EXISTS, LEFT JOIN … IS NULL) for which another share of rows finds a
partner than was taken. So too a join with a whole table on its unique key, where many rows have no partner there.

## Why it hurts
The planner compares only how many different keys there are. Where the other side has as many or more, every row is
taken to find a partner. Where it has half as many, half of the rows are. Which keys they are is not compared, common
values on both sides apart. An anti join is then expected to give one row, whatever is missing.

## Evidence it needs
Counts of the plan: the rows whose partner was looked for, and those that came. From the catalog: the numbers of
distinct keys.

## Remedy
Where keys repeat on both sides and are few, longer lists of common values on both. A unique column has none: nothing
that ANALYZE collects helps there. What follows the join is helped by two steps: its result in a temporary table that
is analyzed (not on a standby). Last comes a column that says whether there is a partner, kept up by a trigger.

## When it is wrong
Where a number of distinct keys is itself wrong in the statistics (`ndistinct_wrong`), or the statistics are old.

## References
eqjoinsel and eqjoinsel_semi in selfuncs.c. Swami and Schiefer, "On the Estimation of Join Result Sizes", EDBT 1994, on
the containment of key sets. PostgreSQL documentation, CREATE STATISTICS (columns of one table).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.causes import join_key_skew
from rowreckon.causes.finding import LIKELY, STRONG, Candidate, apart, fact
from rowreckon.causes.keys import distinct_values, is_unique, is_unique_by_sample, key_pairs, only_pair, reads_whole
from rowreckon.causes.wording import rows_sentence, share
from rowreckon.plan.nodes import JoinNode
from rowreckon.remedies.subject import Subject
from rowreckon.remedies.two_steps import two_steps

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.causes.site import Context, Key, Site
    from rowreckon.document.audit import Evidence
    from rowreckon.remedies.draft import Draft

TITLE = "how many rows find a partner"

_MOST_VALUES = 10_000
"""Values that a list of common values can hold (the largest statistics target)."""

_ALL = 0.995
_TWO_STEPS = "Two steps with an analyzed temporary table help what follows."
_NO_LISTS = "Longer lists do not: a unique column has no common values."
_LISTS = "Longer lists of common values on both sides help, as they are compared."


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where a semi or anti join by one equality was misestimated, its inputs being counted."""
    node = site.node
    if site.kind != "join" or not isinstance(node, JoinNode) or site.own or len(site.joined) != 1:
        return None
    pair = only_pair(key_pairs(site, context))
    if pair is None or pair.left is None or pair.right is None:
        return None
    kind = (node.join_type or "").removeprefix("Right ")
    looking = _looking(site, context, (pair.left, pair.right))
    if looking is None:
        return None
    counts = context.evidence.reckoned.counts
    rows, each = counts[looking], context.evidence.reckoned.each_whole(looking) or 1
    if rows.state != "exact" or not rows.actual or not rows.estimate:
        return None
    came = min(site.actual / (rows.actual / each), 1.0)
    expected = min(site.estimate / (rows.estimate / each), 1.0)
    taken, found = (1 - expected, 1 - came) if kind == "Anti" else (expected, came)
    factor = apart(expected * rows.actual / each, site.actual)
    keys = (pair.left, pair.right) if _reads(context, looking, pair.left) else (pair.right, pair.left)
    return Candidate(
        code="join_partner_share",
        weight=STRONG if taken > _ALL or _by_numbers(keys, taken) else LIKELY,
        basis=context.basis,
        summary=f"The planner took {share(taken)} of the rows to have a partner, {share(found)} have one. It compares "
        f"the numbers of distinct keys, not the keys. {rows_sentence(site)} {_helps(keys)} {_TWO_STEPS}",
        evidence=(
            fact("rows whose partner was looked for", round(rows.actual / each), "plan"),
            fact("share taken to have a partner", round(taken, 4), "plan"),
            fact("share that has a partner", round(found, 4), "plan"),
            *_distinct_facts(keys),
        ),
        subject=Subject(
            table=keys[0].table,
            relation=keys[0].relation,
            columns=(keys[0].column,),
            other_table=keys[1].table,
            other_columns=(keys[1].column,),
            keys=_to_keep(node, keys),
            fraction=1 / max((n for key in keys if (n := distinct_values(key))), default=1000.0),
            curable=_lists_help(keys),
        ),
        explains=factor,
    )


def _looking(site: Site, context: Context, keys: tuple[Key, Key]) -> int | None:
    """The input whose rows look for a partner; of an inner join the one beside a whole table's unique key."""
    outer, inner = context.tree.outer(site.number), context.tree.inner(site.number)
    kind = getattr(site.node, "join_type", None)
    if kind in ("Semi", "Anti"):
        return outer
    if kind in ("Right Semi", "Right Anti"):
        return inner
    if kind != "Inner" or site.direction != "over" or outer is None or inner is None:
        return None
    whole = [n for n in (outer, inner) if any(is_unique(k) and reads_whole(context, n, k) for k in keys)]
    if len(whole) != 1:
        counts = context.evidence.reckoned.counts
        return min(whole, key=lambda n: counts[n].estimate or 0.0, default=None)  # all of the fewer are taken to match
    return outer if whole[0] == inner else inner


def _to_keep(node: JoinNode, keys: tuple[Key, Key]) -> tuple[tuple[str, str], ...]:
    """The tables whose rows a first step would keep: of a semi or anti join the side that asks, with its question."""
    kept = keys if node.join_type == "Inner" else keys[:1]
    return tuple((key.alias, key.column) for key in kept)


def _distinct_facts(keys: tuple[Key, Key]) -> tuple[Evidence, ...]:
    numbers = ((key, distinct_values(key)) for key in keys)
    return tuple(
        fact(f"distinct values of {key.table}.{key.column} in the statistics", round(number), "catalog")
        for key, number in numbers
        if number is not None
    )


def _reads(context: Context, number: int, key: Key) -> bool:
    """Whether the key's table is read below a node."""
    below = context.tree.subtree(number)
    return any(scan in below for scan in context.scans.get(key.alias, ()))


def _by_numbers(keys: tuple[Key, Key], taken: float) -> bool:
    """Whether the share that was taken is that of the numbers of distinct keys, the other side's over the one's."""
    mine, other = map(distinct_values, keys)
    return mine is not None and mine > 0 and other is not None and abs(taken - other / mine) <= 0.1 * taken


def _lists_help(keys: tuple[Key, Key]) -> bool:
    """Whether lists of common values can hold the keys of both sides: they repeat there, and are few enough.

    Rows that the lists leave open are again taken to have a partner, but no more than an inner join would give pairs.
    """
    numbers = [distinct_values(key) for key in keys]
    return not any(map(_no_list, keys)) and all(n is not None and 1 < n <= _MOST_VALUES for n in numbers)


def _no_list(key: Key) -> bool:
    return is_unique(key) or is_unique_by_sample(key)


def _helps(keys: tuple[Key, Key]) -> str:
    if _lists_help(keys):
        return _LISTS
    return _NO_LISTS if any(map(_no_list, keys)) else "No statistics of PostgreSQL cross tables."


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """Longer lists of common values on both sides, where they can hold the keys; else two steps for what follows."""
    if not subject.curable:
        return two_steps(subject, capture)
    return join_key_skew.remedy(replace(subject, keys=()), capture)
