"""# unexplained

## What it finds
A misestimate for which the evidence at hand points at no cause, or at several equally.

## Why it hurts
A guess sends a colleague to create statistics that mend nothing. Some errors have no remedy in PostgreSQL: the output
of subqueries, counts inside recursive queries.

## Evidence it needs
An error that enters at a node, and no candidate that outweighs the doubt. Its confidence is how sure it is that none
fits.

Where the planner uses no statistics, or a coarse rule, the rule is named. There are such rules for recursions, WITH
queries, subqueries, filters on a function's rows, foreign tables and subplans. There are others for values known only
at run time, for containment (@>, <@, &&), for patterns, and for alternatives (OR).

## Remedy
None that is sure to help. What helps against such a rule, and what does not, is said with it. Where a filter of a table
read whole keeps such a share, the query can ask whether it is true, with statistics of that.

The audit's list of missing evidence says what would decide more. Of a join it names the count to make: the matches of
both whole tables, against those of the rows that the filters keep.

## When it is wrong
With the catalog's facts many of these get a name.

## References
Leis et al., "How Good Are Query Optimizers, Really?", PVLDB 9(3), 2015, on correlations across joins.
"""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.causes.coarse_rules import clauses_by_rule, coarse_rule
from rowreckon.causes.finding import DOUBT, Candidate, fact
from rowreckon.causes.keys import key_pairs, only_pair
from rowreckon.causes.site import Context, Site
from rowreckon.causes.wording import rows_sentence
from rowreckon.document.audit import Missing
from rowreckon.remedies import checks
from rowreckon.remedies.asked_whole import asked_whole
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.rewriting import asked_whether_true
from rowreckon.remedies.subject import Subject

TITLE = "unexplained"


def candidate(site: Site, context: Context) -> Candidate:
    """What is said of a site when no cause outweighs the doubt."""
    node = site.node.node_type
    rule = coarse_rule(site)
    if rule is not None:
        why = rule.why
    elif site.kind == "join":
        why = "both inputs are known, and the join's own condition does not explain the error"
        if site.own:
            why = "a condition on the joined rows also sees those without a partner, which no statistics count"
        elif site.table is None and any(c.tables for c in site.joined):
            why = "the join's selectivity is off, which filters on both tables together can cause"
    elif site.kind == "other":
        why = f"the rows of a {node} are not estimated from a table's statistics"
    elif site.unread:
        why = "its condition could not be read"
    else:
        why = "the plan alone names no cause" if context.catalog is None else "the catalog's facts name no cause"
    return Candidate(
        code="unexplained",
        weight=DOUBT,
        basis=context.basis,
        summary=f"At {node}{f' on {site.table}' if site.table else ''}: {why}. {rows_sentence(site)}"
        + (f" {rule.helps}" if rule is not None else ""),
        evidence=(fact("factor that enters here", round(site.factor, 1), "plan"),),
        subject=_subject(site, context),
    )


def _subject(site: Site, context: Context) -> Subject:
    """What the error stands at: of a join on one pair of columns both tables, whose matches can be counted."""
    filtered = _filter_by_rule(site, context)
    if filtered is not None:
        return filtered
    pair = only_pair(key_pairs(site, context)) if site.kind == "join" else None
    keys = [k for k in (pair.left, pair.right) if k is not None and k.table.name] if pair is not None else []
    if len(keys) < 2:
        return Subject(table=site.table, relation=site.relation, curable=False)
    one, other = keys
    return Subject(
        table=one.table,
        columns=(one.column,),
        other_table=other.table,
        other_columns=(other.column,),
        curable=False,
    )


def _filter_by_rule(site: Site, context: Context) -> Subject | None:
    """The table whose filter a coarse rule estimates, where the query can ask whether that is true; None for others.

    No index finds rows that way, so the table has to be one that was read whole.
    """
    rule, query = coarse_rule(site), context.evidence.capture.query
    if rule is None or not rule.of_filter or query is None or site.relation is None:
        return None
    if site.kind != "scan" or site.node.node_type != "Seq Scan" or site.alias is None:
        return None
    columns = tuple(dict.fromkeys(c.column for clause in clauses_by_rule(site) for c in clause.columns))
    subject = Subject(table=site.table, relation=site.relation, columns=columns, alias=site.alias)
    return subject if asked_whether_true(query, subject) is not None else None


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """The filter asked whether it is true, where a coarse rule estimates it."""
    return asked_whole(subject, capture)


def missing(subject: Subject) -> Missing | None:
    """The count that tells rows that go together across tables from another cause."""
    if subject.table is None or subject.other_table is None:
        return None
    return Missing(
        what=f"how many rows of {subject.table} and {subject.other_table} match, unfiltered",
        why="filters on both tables can change that share, and no statistics show it",
        how=checks.matches(subject.table, subject.columns[0], subject.other_table, subject.other_columns[0]),
    )
