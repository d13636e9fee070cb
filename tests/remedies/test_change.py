"""What may stand in a remedy's statement: shapes, read off the grammar's tree."""

from __future__ import annotations

import pytest

from rowreckon.remedies.change import Change, change_or_none, read_change
from rowreckon.sql.grammar import NotSql

SHAPES = {
    "ANALYZE public.trail_reports": "analyze",
    'ANALYZE "flight desk"."Order"(a, "B")': "analyze",
    "ALTER TABLE a.b ALTER COLUMN c SET STATISTICS 500": "column_target",
    "ALTER TABLE a.b ALTER COLUMN c SET STATISTICS -1": "column_target",
    "ALTER TABLE a.b ALTER COLUMN c SET (n_distinct=-0.5)": "column_option",
    "ALTER TABLE a.b ALTER COLUMN c RESET (n_distinct)": "column_option",
    "ALTER TABLE t SET (autovacuum_analyze_scale_factor=0.02)": "table_option",
    "CREATE STATISTICS s.n (dependencies, mcv) ON a, (lower(b)) FROM public.t": "statistics",
    'CREATE STATISTICS s.n ON "From", "A b", "x""y", "from" FROM public.t': "statistics",
    "ALTER STATISTICS s.n SET STATISTICS 1000": "statistics_target",
    "DROP STATISTICS s.n": "drop_statistics",
    'CREATE INDEX CONCURRENTLY "I x" ON public."T y" USING btree ("A b") INCLUDE (c) WHERE d IS NULL': "index",
    "CREATE INDEX i ON ONLY t USING btree (a)": "index",
    "CREATE UNIQUE INDEX i ON t USING gin (a jsonb_path_ops) WITH (fillfactor=70) TABLESPACE x": "index",
    "DROP INDEX CONCURRENTLY a.b": "drop_index",
    "ALTER INDEX a.b ATTACH PARTITION c.d": "attach_index",
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) NOT VALID": "foreign_key",
    "ALTER TABLE t VALIDATE CONSTRAINT x": "validate_constraint",
    "ALTER TABLE t DROP CONSTRAINT x": "drop_constraint",
    "ALTER FUNCTION public.f(int, text[]) ROWS 100": "function_rows",
    "SET plan_cache_mode TO force_custom_plan": "setting",
    "RESET plan_cache_mode": "reset",
}
OTHERS = [
    "",
    "SELECT 1",
    "ANALYZE",
    "ANALYZE VERBOSE t",
    "VACUUM t",
    "VACUUM ANALYZE t",
    "ANALYZE t; DROP TABLE t",
    "CREATE INDEX i ON t ((SELECT 1))",
    "CREATE INDEX i ON t ((f(VARIADIC a)))",
    "CREATE INDEX IF NOT EXISTS i ON t (a)",
    "CREATE TABLE t AS SELECT 1",
    "ALTER TABLE t ALTER COLUMN c TYPE integer USING f(c)",
    "ALTER TABLE t ALTER COLUMN c SET DEFAULT nextval('x')",
    "ALTER TABLE t ALTER COLUMN c SET STATISTICS 1, DROP COLUMN d",
    "ALTER TABLE t DROP COLUMN c",
    "ALTER TABLE t SET (fillfactor=10)",
    "ALTER TABLE t OWNER TO hans",
    "ALTER TABLE t ADD CONSTRAINT x CHECK (f(a))",
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) ON DELETE CASCADE",
    "ALTER TABLE t DROP CONSTRAINT x CASCADE",
    "ALTER INDEX a SET TABLESPACE x",
    "CREATE STATISTICS s ON a, b FROM t, u",
    "CREATE STATISTICS s ON a, (SELECT 1) FROM t",
    "DROP INDEX a CASCADE",
    "DROP INDEX a, b",
    "DROP TABLE t",
    "ALTER FUNCTION f(integer) OWNER TO hans",
    "ALTER FUNCTION f(integer) SECURITY DEFINER",
    "ALTER FUNCTION f(integer) ROWS 5 SECURITY DEFINER",
    "ALTER FUNCTION f(integer) SET role = 'hans'",
    "SET role = hans",
    "SET plan_cache_mode FROM CURRENT",
    "RESET ALL",
    "DO 'begin end'",
    "COPY t TO PROGRAM 'x'",
    "ANALYZE t\0",
]


@pytest.mark.parametrize("text", SHAPES)
def test_shapes(text: str) -> None:
    """Each is known for what it is, and printed as the same statement."""
    change = read_change(text)
    assert change.kind == SHAPES[text]
    assert read_change(change.text) == change


@pytest.mark.parametrize("text", OTHERS, ids=range(len(OTHERS)))
def test_all_else_is_no_change(text: str) -> None:
    """Each is refused with a reason."""
    with pytest.raises(NotSql) as refused:
        read_change(text)
    assert refused.value.reason
    assert change_or_none(text) is None


def test_what_a_change_tells() -> None:
    """Tables as SQL names them, columns, what its expressions call, what a trial has no use for."""
    change = read_change(
        "CREATE UNIQUE INDEX i ON public.\"T y\" (a, lower(b)) INCLUDE (c) WHERE (d <> 'x'::text) AND (e IS NULL)"
    )
    assert isinstance(change, Change)
    assert change.tables == ('public."T y"',)
    assert change.columns == ("a", "c")
    assert change.expressions
    assert change.uses.functions == {(("lower",), 1)}
    assert change.uses.operators == {(("<>",), 2)}
    assert change.uses.types == {("text",)}
    assert change.uses.columns == {"b", "d", "e"}
    assert change.beside == ("unique",)
