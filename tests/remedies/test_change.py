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
    'CREATE INDEX i ON t USING gist (a COLLATE "C" gist_trgm_ops (siglen=32))': "index",
    "DROP INDEX CONCURRENTLY a.b": "drop_index",
    "ALTER INDEX a.b ATTACH PARTITION c.d": "attach_index",
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) NOT VALID": "foreign_key",
    "ALTER TABLE t VALIDATE CONSTRAINT x": "validate_constraint",
    "ALTER TABLE t DROP CONSTRAINT x": "drop_constraint",
    "ALTER FUNCTION public.f(int, text[]) ROWS 100": "function_rows",
    "SET plan_cache_mode TO force_custom_plan": "setting",
    "ALTER TABLE t ADD FOREIGN KEY (a) REFERENCES o (b) MATCH FULL": "foreign_key",
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) NOT ENFORCED": "foreign_key",
    "CREATE INDEX ON t USING btree (a DESC NULLS LAST) WITH (deduplicate_items=off)": "index",
    "CREATE UNIQUE INDEX ON t USING btree (a) NULLS NOT DISTINCT": "index",
    "ALTER TABLE t RESET (autovacuum_analyze_scale_factor)": "table_option",
    "RESET plan_cache_mode": "reset",
}
TOLD: dict[str, dict[str, object]] = {
    "ANALYZE public.trail_reports": {"tables": ("public.trail_reports",)},
    'ANALYZE "flight desk"."Order"(a, "B")': {"tables": ('"flight desk"."Order"',), "columns": ("a", "B")},
    "ALTER TABLE a.b ALTER COLUMN c SET STATISTICS 500": {"tables": ("a.b",), "columns": ("c",)},
    "ALTER TABLE a.b ALTER COLUMN c SET STATISTICS -1": {"tables": ("a.b",), "columns": ("c",)},
    "ALTER TABLE a.b ALTER COLUMN c SET (n_distinct=-0.5)": {"tables": ("a.b",), "columns": ("c",)},
    "ALTER TABLE a.b ALTER COLUMN c RESET (n_distinct)": {"tables": ("a.b",), "columns": ("c",)},
    "ALTER TABLE t SET (autovacuum_analyze_scale_factor=0.02)": {"tables": ("t",)},
    "CREATE STATISTICS s.n (dependencies, mcv) ON a, (lower(b)) FROM public.t": {
        "tables": ("public.t",),
        "columns": ("a",),
        "expressions": True,
    },
    'CREATE STATISTICS s.n ON "From", "A b", "x""y", "from" FROM public.t': {
        "tables": ("public.t",),
        "columns": ("From", "A b", 'x"y', "from"),
    },
    "ALTER STATISTICS s.n SET STATISTICS 1000": {},
    "DROP STATISTICS s.n": {},
    'CREATE INDEX CONCURRENTLY "I x" ON public."T y" USING btree ("A b") INCLUDE (c) WHERE d IS NULL': {
        "tables": ('public."T y"',),
        "columns": ("A b", "c"),
        "concurrently": True,
        "expressions": True,
    },
    "CREATE INDEX i ON ONLY t USING btree (a)": {"tables": ("t",), "columns": ("a",)},
    "CREATE UNIQUE INDEX i ON t USING gin (a jsonb_path_ops) WITH (fillfactor=70) TABLESPACE x": {
        "tables": ("t",),
        "columns": ("a",),
        "beside": ("options", "table space", "unique", "access method gin", "operator class"),
    },
    'CREATE INDEX i ON t USING gist (a COLLATE "C" gist_trgm_ops (siglen=32))': {
        "tables": ("t",),
        "columns": ("a",),
        "beside": ("access method gist", "operator class"),
        "expressions": True,
    },
    "DROP INDEX CONCURRENTLY a.b": {"concurrently": True},
    "ALTER INDEX a.b ATTACH PARTITION c.d": {"tables": ("a.b", "c.d")},
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) NOT VALID": {
        "tables": ("t", "o"),
        "columns": ("a",),
    },
    "ALTER TABLE t VALIDATE CONSTRAINT x": {"tables": ("t",)},
    "ALTER TABLE t DROP CONSTRAINT x": {"tables": ("t",)},
    "ALTER FUNCTION public.f(int, text[]) ROWS 100": {},
    "SET plan_cache_mode TO force_custom_plan": {"setting": ("plan_cache_mode", "force_custom_plan")},
    "ALTER TABLE t ADD FOREIGN KEY (a) REFERENCES o (b) MATCH FULL": {"tables": ("t", "o"), "columns": ("a",)},
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) NOT ENFORCED": {
        "tables": ("t", "o"),
        "columns": ("a",),
    },
    "CREATE INDEX ON t USING btree (a DESC NULLS LAST) WITH (deduplicate_items=off)": {
        "tables": ("t",),
        "columns": ("a",),
        "beside": ("options",),
    },
    "CREATE UNIQUE INDEX ON t USING btree (a) NULLS NOT DISTINCT": {
        "tables": ("t",),
        "columns": ("a",),
        "beside": ("nulls not distinct", "unique"),
    },
    "ALTER TABLE t RESET (autovacuum_analyze_scale_factor)": {"tables": ("t",)},
    "RESET plan_cache_mode": {"setting": ("plan_cache_mode", None)},
}
OTHERS = {
    "": "it holds 0 statements where one belongs",
    "SELECT 1": "it is no change that a trial could make",
    "ANALYZE": "an ANALYZE without a table is one of the whole database",
    "ANALYZE VERBOSE t": "ANALYZE has a part that has no place here: options",
    "VACUUM t": "ANALYZE has a part that has no place here: is vacuumcmd",
    "VACUUM ANALYZE t": "ANALYZE has a part that has no place here: options",
    "ANALYZE t; DROP TABLE t": "it holds 2 statements where one belongs",
    "CREATE INDEX i ON t ((SELECT 1))": 'syntax error at or near "SELECT"',
    "CREATE INDEX i ON t ((f(VARIADIC a)))": "a func call has a part that has no place here: func variadic",
    "CREATE INDEX IF NOT EXISTS i ON t (a)": "CREATE INDEX has a part that has no place here: if not exists",
    "CREATE TABLE t AS SELECT 1": "it is no change that a trial could make",
    "ALTER TABLE t ALTER COLUMN c TYPE integer USING f(c)": "it alters a property of the table that no remedy alters",
    "ALTER TABLE t ALTER COLUMN c SET DEFAULT nextval('x')": "it alters a property of the table that no remedy alters",
    "ALTER TABLE t ALTER COLUMN c SET STATISTICS 1, DROP COLUMN d": (
        "it alters another thing than one property of a table"
    ),
    "ALTER TABLE t DROP COLUMN c": "it alters a property of the table that no remedy alters",
    "ALTER TABLE t SET (fillfactor=10)": "no remedy sets the option fillfactor",
    "ALTER TABLE t OWNER TO hans": "it alters a property of the table that no remedy alters",
    "ALTER TABLE t ADD CONSTRAINT x CHECK (f(a))": "it adds another constraint than a foreign key",
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) ON DELETE CASCADE": (
        "a foreign key that changes rows by itself is no remedy"
    ),
    "ALTER TABLE t DROP CONSTRAINT x CASCADE": "what depends on the constraint would be dropped with it",
    "ALTER INDEX a SET TABLESPACE x": "it alters another thing of an index than its partitions",
    "CREATE STATISTICS s ON a, b FROM t, u": "statistics are of one table",
    "CREATE STATISTICS s ON a, (SELECT 1) FROM t": 'syntax error at or near "SELECT"',
    "DROP INDEX a CASCADE": "it drops more than one index or one statistics object",
    "DROP INDEX a, b": "it drops more than one index or one statistics object",
    "DROP TABLE t": "it drops more than one index or one statistics object",
    "ALTER FUNCTION f(integer) OWNER TO hans": "it is no change that a trial could make",
    "ALTER FUNCTION f(integer) SECURITY DEFINER": "it alters another thing than a function's ROWS",
    "ALTER FUNCTION f(integer) ROWS 5 SECURITY DEFINER": "it alters another thing than a function's ROWS",
    "ALTER FUNCTION f(integer) SET role = 'hans'": "it alters another thing than a function's ROWS",
    "SET role = hans": "no remedy sets role",
    "SET plan_cache_mode FROM CURRENT": "it sets another thing than one value",
    "RESET ALL": "no remedy sets this",
    "DO 'begin end'": "it is no change that a trial could make",
    "COPY t TO PROGRAM 'x'": "it is no change that a trial could make",
    "ANALYZE t\x00": "it holds a NUL character",
    "ALTER TABLE t ALTER COLUMN c SET STATISTICS DEFAULT": "a statistics target is a whole number",
    "ALTER TABLE t ALTER COLUMN c SET (n_distinct=many)": "the option n_distinct takes a number",
    "ALTER TABLE t ALTER COLUMN c SET (fillfactor=3)": "no remedy sets the option fillfactor",
    "ALTER INDEX i RENAME TO j": "it is no change that a trial could make",
    "ALTER STATISTICS s OWNER TO hans": "it is no change that a trial could make",
    "ALTER FUNCTION f(integer) COST 3": "it alters another thing than a function's ROWS",
    "ALTER PROCEDURE f(integer) ROWS 3": "it alters another thing than a function's ROWS",
    "SET plan_cache_mode TO DEFAULT": "it sets another thing than one value",
    "SET plan_cache_mode = 3": "plan_cache_mode takes a word",
    "CREATE STATISTICS s (histogram) ON a, b FROM t": "it names statistics that no remedy asks for",
    "CREATE STATISTICS s ON a, b FROM (SELECT 1) x": "statistics are of one table",
    "ALTER SEQUENCE s OWNED BY NONE": "it is no change that a trial could make",
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) ON UPDATE SET NULL": (
        "a foreign key that changes rows by itself is no remedy"
    ),
    "DROP STATISTICS a CASCADE": "it drops more than one index or one statistics object",
    "ALTER STATISTICS s SET STATISTICS DEFAULT": "a statistics target is a whole number",
    "ANALYZE db.s.t": "ANALYZE has a part that has no place here: catalogname",
    "ALTER TABLE db.s.t VALIDATE CONSTRAINT x": "ALTER TABLE has a part that has no place here: catalogname",
    "ALTER TABLE IF EXISTS t ALTER COLUMN c SET STATISTICS 5": (
        "ALTER TABLE has a part that has no place here: missing ok"
    ),
    "ALTER TABLE t SET (toast.autovacuum_analyze_scale_factor=0.1)": (
        "ALTER TABLE has a part that has no place here: defnamespace"
    ),
    "ALTER TABLE t ALTER c SET (x.n_distinct=1)": "ALTER TABLE has a part that has no place here: defnamespace",
    "ALTER TABLE t ALTER 2 SET STATISTICS 100": "ALTER TABLE has a part that has no place here: num",
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) DEFERRABLE": (
        "ALTER TABLE has a part that has no place here: deferrable"
    ),
    "ALTER TABLE t ADD CONSTRAINT x FOREIGN KEY (a) REFERENCES o (b) ON DELETE SET NULL (a)": (
        "ALTER TABLE has a part that has no place here: fk del set cols"
    ),
    "ALTER TABLE t DROP CONSTRAINT IF EXISTS x": "ALTER TABLE has a part that has no place here: missing ok",
    "CREATE STATISTICS IF NOT EXISTS s ON a, b FROM t": (
        "CREATE STATISTICS has a part that has no place here: if not exists"
    ),
    "CREATE STATISTICS ON a, b FROM t": "a name has another form than schema.name",
    "ALTER STATISTICS IF EXISTS s SET STATISTICS 3": "ALTER STATISTICS has a part that has no place here: missing ok",
    "CREATE INDEX ON t (a) WITH (x.fillfactor=70)": "CREATE INDEX has a part that has no place here: defnamespace",
    "CREATE INDEX ON t (a) WITH (x = OPERATOR(pg_catalog.=))": "the option x has another value than a number or a word",
    "CREATE INDEX ON t (a o (p = OPERATOR(pg_catalog.=)))": "the option p has another value than a number or a word",
    "CREATE INDEX ON t (a o (x.p = 1))": "CREATE INDEX has a part that has no place here: defnamespace",
    "DROP INDEX IF EXISTS i": "DROP has a part that has no place here: missing ok",
    "SET plan_cache_mode = a, b": "it sets another thing than one value",
    "ALTER INDEX i SET (fillfactor=3)": "it alters another thing of an index than its partitions",
}


@pytest.mark.parametrize("text", SHAPES)
def test_shapes(text: str) -> None:
    """Each is known for what it is, and printed as the same statement."""
    change = read_change(text)
    assert change.kind == SHAPES[text]
    assert read_change(change.text) == change


@pytest.mark.parametrize("text", OTHERS, ids=range(len(OTHERS)))
def test_all_else_is_no_change(text: str) -> None:
    """Each is refused, and the reason says what in it is none of a remedy's; what the grammar refuses, in its words."""
    with pytest.raises(NotSql) as refused:
        read_change(text)
    assert refused.value.reason == OTHERS[text]
    assert change_or_none(text) is None


def _told(text: str) -> dict[str, object]:
    """What a change tells besides its text, as far as it is not empty."""
    change = read_change(text)
    told = {name: getattr(change, name) for name in ("tables", "columns", "beside", "setting")}
    marks = {name: True for name in ("concurrently", "expressions") if getattr(change, name)}
    return {name: value for name, value in told.items() if value} | marks


@pytest.mark.parametrize("text", TOLD)
def test_what_each_shape_tells(text: str) -> None:
    """The tables, those altered first, the columns, and what a trial has no use for; nothing else."""
    assert _told(text) == TOLD[text]


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
