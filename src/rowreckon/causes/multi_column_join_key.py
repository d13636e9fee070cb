"""# multi_column_join_key

## What it finds
Two tables joined on several columns that together form one key.

## Why it hurts
The planner multiplies the selectivities of the single columns. Parts of one key depend on each other, so that far more
rows match than the product says. TPC-H: line items with part-suppliers, 2,400 expected, 600,572 came.

## Evidence it needs
At least two equality clauses between the same two relations. Where fewer rows were expected than came, from the
catalog: whether a foreign key covers exactly these columns. Where more were expected, the columns exclude each other.

## Remedy
A foreign key over these columns, where the data obey one: the planner then knows that each row finds its partner. No
statistics object helps a join. Where the columns exclude each other, two steps with an analyzed temporary table help.

## When it is wrong
With a foreign key in place the planner uses it already: then the keys of one side are skewed.

## References
get_foreign_key_join_selectivity in costsize.c; PostgreSQL documentation, CREATE TABLE (FOREIGN KEY).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.finding import LIKELY, STRONG, Candidate, fact
from rowreckon.causes.keys import KeyPair, key_pairs
from rowreckon.causes.wording import listed, rows_sentence
from rowreckon.plan.nodes import JoinNode
from rowreckon.remedies.draft import SAMPLED, Draft, is_kind
from rowreckon.remedies.quoting import fitting_name, quote_table
from rowreckon.remedies.subject import Subject
from rowreckon.sql.keywords import quote_name

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context, Key, Site

TITLE = "a join key of several columns"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where one pair of relations is joined by two or more equalities."""
    if site.kind not in ("join", "lookup"):
        return None
    by_pair: dict[frozenset[str], list[KeyPair]] = {}
    for pair in key_pairs(site, context):
        if len(pair.aliases) == 2:
            by_pair.setdefault(pair.aliases, []).append(pair)
    several = [pairs for pairs in by_pair.values() if len({str(p.clause.columns) for p in pairs}) >= 2]
    if len(several) != 1:
        return None
    pairs = several[0]
    if site.direction != "under":
        return _matches_too_rarely(site, pairs)
    sides = _sides(pairs)
    evidence = [fact("join clause", p.clause.text, "plan") for p in pairs]
    if sides is None:
        return Candidate(
            code="multi_column_join_key",
            weight=LIKELY,
            basis="plan",
            summary=f"The join is on {len(pairs)} columns whose selectivities are multiplied. {rows_sentence(site)}",
            evidence=tuple(evidence),
            subject=Subject(curable=False),
        )
    one, other = sides
    referencing, referenced, proven = _direction(one, other, site, context)
    if referencing[0].relation is not None and referenced[0].relation is not None:
        if _has_foreign_key(referencing, referenced) or _has_foreign_key(referenced, referencing):
            return None
        evidence.append(fact("foreign keys over these columns", 0, "catalog"))
        evidence.append(fact("a unique key over the referenced columns", proven, "catalog"))
    columns = tuple(k.column for k in referencing)
    return Candidate(
        code="multi_column_join_key",
        weight=STRONG * 1.5 if proven else STRONG,
        basis=context.basis if referencing[0].relation is not None else "plan",
        summary=f"{referencing[0].table} and {referenced[0].table} are joined on {listed(columns)} together. The "
        f"planner multiplies the selectivities of the single columns. {rows_sentence(site)}",
        evidence=tuple(evidence),
        subject=Subject(
            table=referencing[0].table,
            relation=referencing[0].relation,
            columns=columns,
            other_table=referenced[0].table,
            other_columns=tuple(k.column for k in referenced),
            curable=proven and bool(referencing[0].table.name and referenced[0].table.name),
        ),
    )


def _matches_too_rarely(site: Site, pairs: list[KeyPair]) -> Candidate | None:
    """Rows that match on one column match less often on the other than any rows do: no declared key tells that."""
    if getattr(site.node, "join_type", None) != "Inner" or site.own:
        return None
    return Candidate(
        code="multi_column_join_key",
        weight=LIKELY,
        basis="plan",
        summary=f"The join is on {len(pairs)} columns whose selectivities are multiplied. {rows_sentence(site)} "
        "No statistics of PostgreSQL tell how often both match. Two steps with an analyzed temporary table help.",
        evidence=tuple(fact("join clause", p.clause.text, "plan") for p in pairs),
        subject=Subject(curable=False),
    )


def _sides(pairs: list[KeyPair]) -> tuple[list[Key], list[Key]] | None:
    """The key columns of both relations in matching order; None where one is no plain column."""
    first = pairs[0].left
    if first is None:
        return None
    one: list[Key] = []
    other: list[Key] = []
    for pair in pairs:
        if pair.left is None or pair.right is None:
            return None
        mine, theirs = (pair.left, pair.right) if pair.left.alias == first.alias else (pair.right, pair.left)
        one.append(mine)
        other.append(theirs)
    return one, other


def _direction(one: list[Key], other: list[Key], site: Site, context: Context) -> tuple[list[Key], list[Key], bool]:
    """Which side references the other: the referenced one has the columns as a unique key.

    From the plan alone: a join whose inner side is printed as unique is unique on the join's columns.
    """
    if _is_unique(other):
        return one, other, True
    if _is_unique(one):
        return other, one, True
    if one[0].relation is None and other[0].relation is None:
        unique = _unique_inner(site, context)
        if unique is not None and other[0].alias in unique:
            return one, other, True
        if unique is not None and one[0].alias in unique:
            return other, one, True
    return one, other, False


def _unique_inner(site: Site, context: Context) -> set[str] | None:
    number = site.number if site.kind == "join" else context.tree.parent[site.number]
    node = context.tree.nodes[number]
    inner = context.tree.inner(number)
    if not isinstance(node, JoinNode) or not node.inner_unique or inner is None:
        return None
    names = (getattr(context.tree.nodes[n], "alias", None) for n in context.tree.subtree(inner))
    return {name for name in names if name}


def _is_unique(keys: list[Key]) -> bool:
    relation = keys[0].relation
    if relation is None:
        return False
    numbers = _numbers(relation, keys)
    return numbers is not None and any(set(k.columns) == numbers and not k.deferrable for k in relation.unique_keys)


def _numbers(relation: Relation, keys: list[Key]) -> set[int] | None:
    found = [relation.column(k.column) for k in keys]
    return {c.attnum for c in found if c is not None} if all(found) else None


def _has_foreign_key(referencing: list[Key], referenced: list[Key]) -> bool:
    relation, target = referencing[0].relation, referenced[0].relation
    if relation is None or target is None:
        return False
    numbers = _numbers(relation, referencing)
    return any(set(k.columns) == numbers and k.referenced == target.oid for k in relation.foreign_keys)


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """A foreign key over the columns of a join key; validated apart, so that writes wait only for a moment."""
    if subject.table is None or subject.other_table is None or not subject.columns:
        return ()
    if is_kind(subject.relation, "view", "materialized_view", "foreign_table"):
        return ()
    table, other = quote_table(subject.table), quote_table(subject.other_table)
    name = quote_name(fitting_name(subject.table.name, *subject.columns, "fkey"))
    here = ", ".join(quote_name(c) for c in subject.columns)
    there = ", ".join(quote_name(c) for c in subject.other_columns)
    declare = f"ALTER TABLE {table} ADD CONSTRAINT {name} FOREIGN KEY ({here}) REFERENCES {other} ({there})"
    partitioned = is_kind(subject.relation, "partitioned_table")
    sql = (declare,) if partitioned else (f"{declare} NOT VALID", f"ALTER TABLE {table} VALIDATE CONSTRAINT {name}")
    both_set = " AND ".join(f"a.{quote_name(c)} IS NOT NULL" for c in subject.columns)
    match = " AND ".join(
        f"b.{quote_name(there)} = a.{quote_name(here)}"
        for here, there in zip(subject.columns, subject.other_columns, strict=True)
    )
    orphans = (
        f"SELECT count(*) AS rows_without_partner FROM {table} a WHERE {both_set} "
        f"AND NOT EXISTS (SELECT FROM {other} b WHERE {match})"
    )
    return (
        Draft(
            kind="foreign_key",
            sql=sql,
            sql_trial=(declare,),
            undo=(f"ALTER TABLE {table} DROP CONSTRAINT {name}",),
            reason=f"A foreign key over {', '.join(subject.columns)} tells the planner that each row of "
            f"{subject.table} finds its partner in {subject.other_table}.",
            works=SAMPLED,  # rows without a partner, which a sample need not show, refuse it
            check_first=orphans,
            lock="SHARE ROW EXCLUSIVE",
            tables=(subject.table, subject.other_table),
            columns=tuple(dict.fromkeys((*subject.columns, *subject.other_columns))),
            cautions=(
                "add it only where the data obey it and always will: every write to both tables is then checked",
                "validating reads the whole table; without an index on the referencing columns deletes of the other "
                "table become slow",
            ),
        ),
    )
