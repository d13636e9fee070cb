"""# function_row_default

## What it finds
A set-returning function whose row count the planner does not know: it takes the function's ROWS, 1000 unless declared.

## Why it hurts
Everything joined to the function is planned for 1000 rows, whatever comes: 100 for jsonb_array_elements and its kin, 10
for unnest of an unknown array.

## Evidence it needs
A Function Scan whose estimate is such a default and whose actual differs. Under a filter: what the filter took away, as
the plan counts it, and the number declared, as the catalog tells it.

## Remedy
ALTER FUNCTION … ROWS n with the number that comes; a SQL function that can be inlined is estimated from its body.

## When it is wrong
A function whose number of rows varies widely has no right constant. Then store its rows in a temporary table and
ANALYZE that.

## References
PostgreSQL documentation, CREATE FUNCTION (ROWS), "Function Optimization Information" (support functions).
"""

from __future__ import annotations

from math import log

from rowreckon.capture import Capture
from rowreckon.causes.finding import PROVEN, STRONG, Candidate, apart, fact
from rowreckon.causes.site import Context, Site
from rowreckon.causes.wording import count, rows_sentence
from rowreckon.plan.nodes import FunctionScanNode
from rowreckon.plural import counted
from rowreckon.remedies import checks
from rowreckon.remedies.draft import CERTAIN, Draft
from rowreckon.remedies.quoting import quote_table
from rowreckon.remedies.readable import Unreadable, read_signature, without_statements
from rowreckon.remedies.subject import FunctionName, Subject, TableName

TITLE = "a function's default row count"

_DEFAULTS = (1000.0, 100.0, 10.0)
_MOSTLY = 0.5


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate for a function scan estimated by the function's ROWS.

    Where the scan filters, the plan counts what the filter took away, and the catalog tells what was declared.
    """
    node = site.node
    if site.kind != "function" or not isinstance(node, FunctionScanNode):
        return None
    expected = float(node.plan_rows or 0)
    per_call = site.actual / max(float(node.loops), 1.0) + float(node.rows_removed_by_filter or 0)
    name = node.function_name or node.table_function_name
    facts = None
    if context.catalog is not None and node.function_name is not None:
        same = [f for f in context.catalog.functions if f.name == node.function_name and f.returns_set]
        facts = same[0] if len(same) == 1 else None
    if node.filter is not None:
        if facts is None or not _mostly(site, facts.prorows, per_call):
            return None
        expected = facts.prorows
    declared = facts is not None and facts.prorows == expected
    evidence = [fact("rows expected per call", expected, "plan"), fact("rows that came per call", per_call, "plan")]
    if facts is not None:
        evidence.append(fact("ROWS declared for the function", facts.prorows, "catalog"))
    if facts is not None:
        function = FunctionName(facts.name, facts.schema_name, facts.arguments)
    else:
        function = FunctionName(name or "", node.schema_name)
    own = facts is not None and facts.schema_name not in ("pg_catalog", "information_schema")
    return Candidate(
        code="function_row_default",
        weight=PROVEN if declared or expected in _DEFAULTS else STRONG,
        basis="catalog" if facts is not None else "plan",
        summary=f"The planner does not know how many rows {name or 'the function'} returns and takes "
        f"{count(expected)} for each call. {rows_sentence(site)}",
        evidence=tuple(evidence),
        explains=apart(expected, per_call),
        subject=Subject(
            function=function,
            rows=per_call,
            # A built-in function's ROWS is every database user's business, not this query's.
            curable=own or (facts is None and node.table_function_name is None and not _is_built_in(node)),
        ),
    )


def _mostly(site: Site, declared: float, per_call: float) -> bool:
    """Whether the number declared, and not the filter, accounts for half of the error at least, by its logarithm."""
    same_way = (per_call > declared) == (site.direction == "under")
    return same_way and log(apart(declared, per_call)) >= _MOSTLY * log(site.factor)


_BUILT_IN_PREFIXES = (
    "json",
    "jsonb_",
    "pg_",
    "regexp_",
    "generate_",
    "unnest",
    "string_to_",
    "xmltable",
    "ts_",
    "aclexplode",
)


def _is_built_in(node: FunctionScanNode) -> bool:
    if node.schema_name is not None:
        return node.schema_name in ("pg_catalog", "information_schema")
    return (node.function_name or "").startswith(_BUILT_IN_PREFIXES)


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """ROWS for a set-returning function, as many as came."""
    function, rows = subject.function, subject.rows
    if function is None or not function.name or rows is None:
        return ()
    # ROWS 0 is refused by the server.
    value = max(round(rows), 1)
    catalog = capture.catalog
    old = None
    if catalog is not None:
        same = [f for f in catalog.functions if f.name == function.name and f.schema_name == function.schema]
        old = same[0].prorows if len(same) == 1 else None
    name, unreadable = quote_table(TableName(function.name, function.schema)), None
    if function.arguments is not None:
        try:
            name += f"({read_signature(function.arguments)})"
        except Unreadable as error:
            unreadable = str(error)
    draft = Draft(
        kind="function_rows",
        sql=(f"ALTER FUNCTION {name} ROWS {value}",),
        undo=(f"ALTER FUNCTION {name} ROWS {old if old is not None else 1000:g}",),
        undo_note=None if old is not None else "1000 is what CREATE FUNCTION declares where nothing is said",
        reason=f"Declare that {function.name} returns about {counted(value, 'row')}. The planner has nothing "
        "else to go by.",
        works=CERTAIN,
        check_first=None if old is not None else checks.functions(function),
        lock=None,
        function=function,
        cautions=("every query that calls the function is planned with this number, whatever its arguments",),
    )
    return (draft if unreadable is None else without_statements(draft, unreadable),)
