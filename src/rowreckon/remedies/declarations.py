"""What the planner can be told by declaration: a foreign key, a function's rows, custom plans."""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.causes import CauseFinding, TableName
from rowreckon.plural import counted
from rowreckon.remedies import checks
from rowreckon.remedies.draft import Draft, catalog_of, is_kind
from rowreckon.remedies.quoting import fitting_name, quote_name, quote_table
from rowreckon.remedies.readable import Unreadable, read_signature, without_statements


def build_foreign_key(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """A foreign key over the columns of a join key; validated apart, so that writes wait only for a moment."""
    subject = finding.subject
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
            kind="other",
            sql=sql,
            sql_trial=(declare,),
            undo=(f"ALTER TABLE {table} DROP CONSTRAINT {name}",),
            reason=f"A foreign key over {', '.join(subject.columns)} tells the planner that each row of "
            f"{subject.table} finds its partner in {subject.other_table}.",
            works=0.8,
            check_first=orphans,
            lock="SHARE ROW EXCLUSIVE",
            tables=(subject.table, subject.other_table),
            columns=tuple(dict.fromkeys((*subject.columns, *subject.other_columns))),
            cautions=(
                "only where the data obey it and must go on obeying it: it is a rule for every write to both tables",
                "validating reads the whole table; without an index on the referencing columns deletes of the other "
                "table become slow",
            ),
        ),
    )


def build_function_rows(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """ROWS for a set-returning function, as many as came."""
    function, rows = finding.subject.function, finding.subject.rows
    if function is None or not function.name or rows is None:
        return ()
    # ROWS 0 is refused by the server.
    value = max(round(rows), 1)
    catalog = catalog_of(capture)
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
        kind="other",
        sql=(f"ALTER FUNCTION {name} ROWS {value}",),
        undo=(f"ALTER FUNCTION {name} ROWS {old if old is not None else 1000:g}",),
        undo_note=None if old is not None else "1000 is what CREATE FUNCTION declares where nothing is said",
        reason=f"Declare that {function.name} returns about {counted(value, 'row')}; the planner has nothing "
        "else to go by.",
        works=0.95,
        check_first=None if old is not None else checks.functions(function),
        lock=None,
        cautions=("every query that calls the function is planned with this number, whatever its arguments",),
    )
    return (draft if unreadable is None else without_statements(draft, unreadable),)


def build_custom_plan(finding: CauseFinding, capture: Capture) -> tuple[Draft, ...]:
    """Custom plans for the session that prepares the statement."""
    tables = (finding.subject.table,) if finding.subject.table is not None else ()
    return (
        Draft(
            kind="other",
            sql=("SET plan_cache_mode = force_custom_plan",),
            undo=("RESET plan_cache_mode",),
            reason="Plan the statement with the real values: a generic plan knows only average ones.",
            works=0.85,
            lock=None,
            tables=tables,
            columns=finding.subject.columns,
            cautions=(
                "each execution is then planned anew; set it for one role or one transaction rather than everywhere",
                "it changes every prepared statement of the session, not this one alone",
            ),
        ),
    )
