"""Estimates that the planner makes without statistics, or by a coarse rule: which rule, what helps, and what does not.

Sources: selfuncs.c (DEFAULT_EQ_SEL and its kin, estimate_num_groups, scalarltjoinsel), geo_selfuncs.c, prepjointree.c
(reduce_outer_joins), clausesel.c (OR), plancat.c, costsize.c (cost_recursive_union: ten times the start),
array_selfuncs.c, rangetypes_selfuncs.c and like_support.c; PostgreSQL documentation, "WITH Queries", "postgres_fdw" and
CREATE STATISTICS.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

from rowreckon.causes.restrictions import restrictions
from rowreckon.causes.tested import asks_a_function
from rowreckon.frozen import frozen

if TYPE_CHECKING:
    from rowreckon.causes.site import Site
    from rowreckon.plan.conditions import Clause

_CONTAINMENT: Final = frozenset({"<<=", ">>=", "@>", "<@", "&&", "?", "?|", "?&", "@?", "@@"})


@frozen
class CoarseRule:
    """How such an estimate comes about, for the middle of a sentence, and what helps in sentences of its own."""

    why: str
    helps: str
    of_filter: bool = False
    """It estimates a filter of one table by its columns: statistics may hold how often that filter is true."""


_RECURSION: Final = CoarseRule(
    "the rows of a recursion are taken for ten times those of its start, whatever it finds",
    "An analyzed temporary table with its rows helps what follows. ANALYZE of its tables does not.",
)
_CTE: Final = CoarseRule(
    "no statistics describe what a WITH query computes by itself",
    "NOT MATERIALIZED lets the planner look into it, and an analyzed temporary table in its place helps. "
    "ANALYZE of its tables does not.",
)
_SUBQUERY: Final = CoarseRule(
    "no statistics describe what a subquery computes",
    "An analyzed temporary table in its place helps. ANALYZE of its tables does not.",
)
_FUNCTION: Final = CoarseRule(
    "no statistics describe the rows of a function, so a filter on them keeps a default share",
    "An analyzed temporary table in its place helps. ROWS sets only the number before the filter.",
)
_FOREIGN: Final = CoarseRule(
    "the rows are on another server, and only a sample fetched by ANALYZE describes them here",
    "ANALYZE of the foreign table helps, and use_remote_estimate has postgres_fdw ask the other server. "
    "Autovacuum never does it.",
)
_SUBPLAN: Final = CoarseRule(
    "a test against a subplan keeps a default share, or that of an average value",
    "A join or EXISTS in its place helps: it is estimated from statistics. More statistics alone do not.",
)
_LATE_VALUE: Final = CoarseRule(
    "it compares with a value that is known only at run time",
    "Finding the value first and writing it into a second statement helps. More statistics alone do not.",
)
_PARTS: Final = CoarseRule(
    "containment is estimated from the common values and elements alone",
    "An expression for the part that is asked for helps, with statistics of its own. "
    "A longer list helps an array where the elements are common.",
    of_filter=True,
)
_PATTERN: Final = CoarseRule(
    "a pattern is tried on the common values and the histogram alone",
    "A longer list of both helps (SET STATISTICS) where the pattern's rows are not rare. "
    "An expression with statistics that holds the answer always does.",
    of_filter=True,
)
_TWO_COLUMNS: Final = CoarseRule(
    "two columns of a row are compared as if neither told of the other",
    "An expression with statistics that holds the answer helps. More statistics of the columns do not.",
    of_filter=True,
)
_ANSWER: Final = CoarseRule(
    "a function that is the whole condition is taken to be true for a third of the rows",
    "Asking (…) IS TRUE helps, with statistics on the function's expression. Statistics alone do not.",
)
_AMONG_SOME: Final = CoarseRule(
    "how many values are among these rows is estimated as if the rows had been drawn at random",
    "An analyzed temporary table with the rows helps, and the groups are then estimated from it. "
    "More statistics do not.",
)
_NULL_OF_NO_PARTNER: Final = CoarseRule(
    "IS NULL on the joined rows counts the column's own NULLs, not the rows without a partner",
    "NOT EXISTS helps, and so does IS NULL on the join's own column: each makes it an anti join.",
)
_EITHER: Final = CoarseRule(
    "alternatives are put together as if they did not depend on each other",
    "Statistics of the columns together help where each alternative compares a column with a value.",
    of_filter=True,
)
_EITHER_OF_TABLES: Final = CoarseRule(
    "alternatives over several tables are put together as if they did not depend on each other",
    "A UNION of the alternatives helps: each then has a plan of its own. No statistics cross tables.",
)

_BETWEEN_TABLES: Final = CoarseRule(
    "between two tables, a comparison other than = keeps a fixed share of the pairs, whatever the columns hold",
    "An analyzed temporary table with the rows helps what follows. No statistics change that share.",
)
_FIXED_SHARE: Final = frozenset({"<", "<=", ">", ">=", *_CONTAINMENT, "LIKE", "ILIKE", "~", "~*", "<<", ">>", "-|-"})
"""Operators whose join estimator looks at no statistics: scalarltjoinsel and its kin (a third), areajoinsel (0.005),
contjoinsel (0.001), likejoinsel and regexeqjoinsel (0.005)."""


def coarse_rule(site: Site) -> CoarseRule | None:
    """The rule behind an estimate that no cause explains, None where it is made from statistics."""
    return next((rule for asked, rule in _ASKED if asked(site)), None)


def clauses_by_rule(site: Site) -> tuple[Clause, ...]:
    """The clauses of a filter that such rules estimate by the table's columns."""
    found = [r.clause for r in restrictions(site) if r.kind in ("either", "pattern")]
    more = (c for c in site.own if c not in found and (_is_containment(c) or _compares_columns(c)))
    return (*found, *more)


def _node_is(*types: str) -> Callable[[Site], bool]:
    return lambda site: site.node.node_type in types


def _has_subplan(site: Site) -> bool:
    return any(not name.startswith("InitPlan") for clause in (*site.own, *site.joined) for name in clause.subplans)


def _has_late_value(site: Site) -> bool:
    return any(clause.parameters or clause.subplans for clause in site.own)


def _kinds(site: Site) -> Iterator[str]:
    return (restriction.kind for restriction in restrictions(site))


def _contains(site: Site) -> bool:
    return any(map(_is_containment, site.own))


def _is_containment(clause: Clause) -> bool:
    return clause.operator.removeprefix("NOT ") in _CONTAINMENT


def _compares_columns(clause: Clause) -> bool:
    """Whether it compares two plain columns of one row: a third by <, one value's share by = (selfuncs.c)."""
    return clause.left_column is not None and clause.right_column is not None and len(clause.tables) <= 1


def _groups_some(site: Site) -> bool:
    return site.kind == "groups" and not site.own and bool(site.group_keys)


def _asks_for_no_partner(site: Site) -> bool:
    """An outer join with IS NULL on it, which the planner could not turn into an anti join."""
    outer = getattr(site.node, "join_type", None) in ("Left", "Right", "Full")
    return outer and any(c.operator == "IS NULL" and not c.text.endswith("IS NOT NULL") for c in site.own)


def _either_of_tables(site: Site) -> bool:
    return any(clause.operator == "OR" and len(clause.tables) > 1 for clause in (*site.own, *site.joined))


def _compares_tables(site: Site) -> bool:
    return site.kind == "join" and any(
        clause.operator in _FIXED_SHARE and len(clause.tables) > 1 for clause in site.joined
    )


_ASKED: Final[tuple[tuple[Callable[[Site], bool], CoarseRule], ...]] = (
    (_node_is("WorkTable Scan", "Recursive Union"), _RECURSION),
    (_has_subplan, _SUBPLAN),
    (_has_late_value, _LATE_VALUE),
    (_node_is("CTE Scan"), _CTE),
    (_node_is("Subquery Scan"), _SUBQUERY),
    (lambda site: site.kind == "function" and bool(site.own), _FUNCTION),
    (_node_is("Foreign Scan"), _FOREIGN),
    (_asks_for_no_partner, _NULL_OF_NO_PARTNER),
    (_either_of_tables, _EITHER_OF_TABLES),
    (_compares_tables, _BETWEEN_TABLES),
    (_contains, _PARTS),
    (lambda site: site.kind == "scan" and any(map(_compares_columns, site.own)), _TWO_COLUMNS),
    (lambda site: any(map(asks_a_function, site.own)), _ANSWER),
    (lambda site: "either" in _kinds(site), _EITHER),
    (lambda site: "pattern" in _kinds(site), _PATTERN),
    (_groups_some, _AMONG_SOME),
)
