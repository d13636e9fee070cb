"""The text, YAML and XML forms against the JSON form of the same statements, on every release, for every node type.

Without execution YAML and XML must give the very document that JSON gives, and text must agree in all that it prints;
with execution, in all but what a second run of the statement changes. What text does not print is listed below, key by
key.
"""

from __future__ import annotations

import psycopg
import pytest

from rowreckon.reading import RawPlan, read_plans

from ..servers.fixtures import MatrixServer
from .compare import Difference, differences
from .generator import Extras, combinations, create_tables, explain, statements
from .psql import MODES, psql

FORMS = ("text", "yaml", "xml")


@pytest.fixture(scope="module")
def huts(matrix_database: MatrixServer) -> tuple[MatrixServer, Extras]:
    with psycopg.connect(matrix_database.dsn) as connection:
        return matrix_database, create_tables(connection)


def one(text: str) -> RawPlan:
    found = read_plans(text)
    assert len(found) == 1, found
    assert isinstance(found[0], RawPlan), found
    return found[0]


def not_carried(difference: Difference, major: int) -> bool:
    """Whether this is something that the text form does not print, or prints otherwise."""
    if difference.kind == "lacks":
        # Printed in JSON whatever the value, in text only where it says something.
        empty = difference.first in (0, 0.0, False, []) and not isinstance(difference.first, str)
        return (
            empty
            # Only VERBOSE text has it, and only where true.
            or difference.key == "Inner Unique"
            # A group of zeros.
            or (difference.key == "Planning" and set(difference.first.values()) <= {0})
            # Text names the table of a trigger only where several are written, and a constraint instead of its trigger.
            or difference.key in ("Relation", "Trigger Name")
            # Zero in the text's run.
            or difference.key.endswith((" Read Time", " Write Time", "WAL Buffers Full"))
        )
    if difference.kind == "adds":
        # Several functions side by side: without VERBOSE the alias can't be told from a function's name.
        if difference.key == "Function Name":
            return True
        # Release 16 prints "shared" in its text, though its JSON does not tell shared from local.
        return major == 16 and difference.key.startswith(("Shared I/O", "Local I/O"))
    if difference.key == "Parent Relationship":
        # Up to 13 the only child of ModifyTable was a member of a list; the text of the releases is alike.
        return major <= 13 and (difference.first, difference.second) == ("Member", "Outer")
    # Up to 15 an ordered index scan by distance has no direction in JSON.
    return difference.key == "Scan Direction" and major <= 15 and difference.first == "NoMovement"


@pytest.mark.newest
def test_the_forms_agree(huts: tuple[MatrixServer, Extras]) -> None:
    """Every statement with every set of options: same tree, same keys, same values, same types."""
    server, extras = huts
    faults: list[tuple[str, str, str, Difference]] = []
    count = 0
    with psycopg.connect(server.dsn, autocommit=True) as connection:
        for statement, options in combinations(server.major, extras):
            count += 1
            json_form = one(explain(connection, statement, options, "raw json"))
            written = statement.writes and options.analyze
            for form in FORMS:
                other = one(explain(connection, statement, options, form))
                assert other.form == form
                found = differences(json_form.document, other.document, executed=options.analyze)
                faults += [
                    (form, statement.name, options.name, each)
                    for each in found
                    if not (form == "text" and not_carried(each, server.major)) and not (written and _is_estimate(each))
                ]
                assert "not understood" not in " ".join(other.notes), (form, statement.name, options.name, other.notes)
    assert count > 1000
    assert not faults, faults[:5]


def _is_estimate(difference: Difference) -> bool:
    """The rows that a run wrote and rolled back make the table, and the next run's estimates, a little larger."""
    return difference.kind == "value" and difference.key in ("Plan Rows", "Total Cost", "Startup Cost", "Plan Width")


CHOSEN = ("three_tables", "sub_plan", "cte", "long_condition", "gather", "quoted_names", "rollup", "merge_join_full")


@pytest.fixture(scope="module")
def queries(database: str) -> list[str]:
    """Settings and EXPLAINs for one session of psql, on a database that has the tables."""
    with psycopg.connect(database) as connection:
        create_tables(connection)
    lines = ["set search_path = huts"]
    for statement in statements(18):
        if statement.name in CHOSEN:
            lines += [f"set {name} = '{value}'" for name, value in statement.settings.items()]
            lines += [f"explain (verbose, settings) {statement.sql}", "reset all", "set search_path = huts"]
    return lines


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("form", FORMS)
def test_every_form_comes_out_of_every_mode_of_psql(form: str, mode: str, database: str, queries: list[str]) -> None:
    """Each of psql's ways to lay out the lines gives the same documents, in order."""
    queries = [query.replace("(verbose", f"(format {form}, verbose") for query in queries]
    expected = read_plans(psql(database, queries, "-q", "-A", "-t"))
    assert [each.form for each in expected if isinstance(each, RawPlan)] == [form] * len(CHOSEN)
    laid_out = read_plans(psql(database, queries, "-q", *MODES[mode]))
    documents = [isinstance(each, RawPlan) and each.document for each in laid_out]
    assert documents == [isinstance(each, RawPlan) and each.document for each in expected]
