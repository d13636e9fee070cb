"""# partition_parent_not_analyzed

## What it finds
A partitioned table whose partitions are analyzed and which itself is not: autovacuum never analyzes the parent.

## Why it hurts
Restrictions are estimated partition by partition and come out right. Joins and groupings use the parent's own
statistics; without them 200 distinct values are assumed.

## Evidence it needs
A grouping or join on a column of the partitioned table; from the catalog: partitions with statistics, the parent
without.

## Remedy
ANALYZE the parent, and again whenever the data have changed much: schedule it, since nothing else does.

## When it is wrong
Where the partitions lack statistics too, the whole table was never analyzed: ANALYZE of the parent mends both.

## References
PostgreSQL documentation, "Updating Planner Statistics" and ANALYZE ("partitioned tables").
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.defaults import DISTINCT
from rowreckon.causes.finding import LIKELY, PROVEN, Candidate, fact
from rowreckon.causes.groups import near_default
from rowreckon.causes.keys import group_keys, join_keys, joins_by_default
from rowreckon.causes.scans import name_of
from rowreckon.causes.site import Context, Key, Site
from rowreckon.causes.wording import rows_sentence
from rowreckon.document.audit import Missing
from rowreckon.plan.partitions import Members
from rowreckon.remedies import checks
from rowreckon.remedies.draft import SAMPLED, SHARE_UPDATE_EXCLUSIVE, Draft
from rowreckon.remedies.refresh import NOT_OWNER, NOTHING_RESTORES, analyze_statements
from rowreckon.remedies.subject import Subject, TableName

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation

TITLE = "partitioned table not analyzed as a whole"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where a join or grouping key belongs to a partitioned table without statistics of its own."""
    if site.kind not in ("join", "groups", "lookup"):
        return None
    keys = group_keys(site, context) if site.kind == "groups" else join_keys(site, context)
    for key in keys:
        relation = _named_in_query(key, site, context)
        if relation is not None and relation.kind == "partitioned_table":
            column = relation.column(key.column)
            if column is None or column.statistics_of(inherited=True) is not None:
                continue
            if not relation.statistics_readable or not column.readable or relation.row_security_active:
                continue
            table = name_of(relation)
            return Candidate(
                code="partition_parent_not_analyzed",
                weight=PROVEN * 1.5,
                basis="catalog",
                summary=f"{table} is partitioned and has no statistics of its own for {key.column}: autovacuum "
                f"analyzes the partitions only. {rows_sentence(site)}",
                evidence=(
                    fact("statistics of the whole partitioned table", 0, "catalog"),
                    fact("partitions", len(relation.children), "catalog"),
                ),
                subject=Subject(table=table, relation=relation, columns=(key.column,)),
            )
    return _from_alias(site, context)


def _named_in_query(key: Key, site: Site, context: Context) -> Relation | None:
    """The relation whose statistics the planner took for the key.

    A loop's condition names the partitions that an Append searches, and was estimated for their table. Of a partitioned
    table with one partition left, EXPLAIN prints that partition under the query's own alias. A default share, where the
    partition has statistics, shows that the partitioned table was named.
    """
    relation = key.relation
    if relation is None or not relation.is_partition:
        return relation
    if site.kind == "join" and any(map(Members(context.tree).whole_of, context.scans.get(key.alias, ()))):
        return context.parent_of(relation) or relation
    if not joins_by_default(site, context):
        return relation
    column = relation.column(key.column)
    known = column is not None and column.statistics_of(inherited=False) is not None
    return (context.parent_of(relation) or relation) if known else relation


def _from_alias(site: Site, context: Context) -> Candidate | None:
    """From the plan alone: the key's alias is a partitioned table's, and the default number of groups was taken."""
    if site.kind == "groups":
        keys = [k for k in group_keys(site, context) if not k.table.name]
        if len(keys) != len(site.group_keys) or len(keys) != 1 or not near_default(site):
            return None
    else:
        keys = [k for k in join_keys(site, context) if not k.table.name]
        if not keys or not joins_by_default(site, context):
            return None
    key = keys[0]
    partitions = tuple(
        dict.fromkeys(
            TableName(name, schema)
            for n in context.scans.get(key.alias, ())
            if (name := getattr(context.tree.nodes[n], "relation_name", None))
            for schema in (getattr(context.tree.nodes[n], "schema_name", None),)
        )
    )
    return Candidate(
        code="partition_parent_not_analyzed",
        weight=LIKELY * 1.5,
        basis="plan",
        summary=f"The partitioned table behind {key.alias} seems to have no statistics of its own: 200 distinct "
        f"values of {key.column} are the planner's default. {rows_sentence(site)}",
        evidence=(
            fact("distinct values that the planner took", DISTINCT, "plan"),
            fact("partitions read", len(partitions), "plan"),
        ),
        subject=Subject(columns=(key.column,), partitions=partitions),
    )


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """ANALYZE of the partitioned table as a whole."""
    table = subject.table
    if table is None or not table.name:
        return ()  # the plan names partitions only; `missing` tells how to find their parent
    return (
        Draft(
            kind="refresh_statistics",
            sql=analyze_statements((table,)),
            reason=f"Analyze {table} as a whole. Autovacuum analyzes its partitions only, and joins and groupings use "
            "the whole table's statistics.",
            works=SAMPLED,
            undo_note=NOTHING_RESTORES,
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=(table,),
            cautions=(NOT_OWNER, "repeat it after large loads: nothing else refreshes the parent's statistics"),
        ),
    )


def missing(subject: Subject) -> Missing | None:
    """The partitioned table's name, where the plan names its partitions only."""
    if subject.table is not None or not subject.partitions:
        return None
    return Missing(
        what="the name of the partitioned table",
        why="the plan names its partitions only, and the table as a whole has to be analyzed",
        how=checks.partition_parents(subject.partitions),
    )
