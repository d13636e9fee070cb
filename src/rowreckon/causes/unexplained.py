"""# unexplained

## What it finds
A misestimate for which the evidence at hand points at no cause, or at several equally.

## Why it hurts
A guess sends a colleague to create statistics that mend nothing. Some errors have no remedy in PostgreSQL: filters on
two tables that go together, the output of subqueries, counts inside recursive queries.

## Evidence it needs
An error that enters at a node, and no candidate that outweighs the doubt.

## Remedy
None. The audit's list of missing evidence says what would decide more.

## When it is wrong
With the catalog's facts many of these get a name.

## References
Leis et al., "How Good Are Query Optimizers, Really?", PVLDB 9(3), 2015, on correlations across joins.
"""

from __future__ import annotations

from rowreckon.causes.finding import Candidate, fact
from rowreckon.causes.site import Context, Site
from rowreckon.causes.wording import rows_sentence
from rowreckon.remedies.subject import Subject

TITLE = "unexplained"

DOUBT = 1.0
"""Weight of the causes that nobody thought of, against the weights in `finding`."""


def candidate(site: Site, context: Context) -> Candidate:
    """What is said of a site when no cause outweighs the doubt."""
    node = site.node.node_type
    if site.kind == "join":
        why = "both inputs are known, and the join's own condition does not explain the error"
        if site.own:
            why = "a condition on the joined rows also sees those without a partner, which no statistics count"
        elif site.table is None and any(c.tables for c in site.joined):
            why = "the join's selectivity is off, which filters on both tables together can cause"
    elif site.kind == "other":
        why = f"the rows of a {node} are not estimated from a table's statistics"
    elif any(c.parameters or c.subplans for c in site.own):
        why = "it compares with a value that is known only at run time"
    elif site.unread:
        why = "its condition could not be read"
    else:
        why = "the plan alone names no cause" if context.catalog is None else "the catalog's facts name no cause"
    return Candidate(
        code="unexplained",
        weight=DOUBT,
        basis=context.basis,
        summary=f"At {node}{f' on {site.table}' if site.table else ''}: {why}. {rows_sentence(site)}",
        evidence=(fact("factor that enters here", round(site.factor, 1), "plan"),),
        subject=Subject(table=site.table, relation=site.relation, curable=False),
    )
