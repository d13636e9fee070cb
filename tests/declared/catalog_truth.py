"""What a server's catalogs say of a schema, in the shape in which declared facts are compared with it.

Source: the PostgreSQL manual, "System Catalogs". Expressions are printed by the grammar on both sides, since the server
adds brackets and casts of its own.
"""

from __future__ import annotations

from typing import Any

import psycopg

from rowreckon.declared.facts import Declared, DeclaredIndex, DeclaredRelation
from rowreckon.sql.expression import printed_expression, read_expression

_RELATIONS = """
select c.oid, n.nspname, c.relname, c.relkind::text, c.relpersistence::text, c.relispartition, c.relrowsecurity,
       c.reloptions, c.relpages, c.reltuples, c.relallvisible,
       (select coalesce(array_agg(pn.nspname || '.' || p.relname order by p.relname), '{}') from pg_inherits i
        join pg_class p on p.oid = i.inhparent join pg_namespace pn on pn.oid = p.relnamespace
        where i.inhrelid = c.oid)
from pg_class c join pg_namespace n on n.oid = c.relnamespace
where c.relkind in ('r', 'p', 'v', 'm', 'f') and n.nspname = any(%s)
"""
_COLUMNS = """
select a.attname, format_type(a.atttypid, a.atttypmod), a.attnotnull, nullif(a.attstattarget, -1), a.attoptions
from pg_attribute a where a.attrelid = %s and a.attnum > 0 and not a.attisdropped
"""
_INDEXES = """
select x.indexrelid, i.relname, m.amname, x.indisunique, x.indisprimary, x.indisexclusion, x.indimmediate, x.indisvalid,
       x.indnkeyatts, x.indnatts, x.indkey::int[], x.indoption::int[], x.indclass::oid[], x.indcollation::oid[],
       pg_get_expr(x.indpred, x.indrelid), k.conname, n.nspname, to_jsonb(x) -> 'indnullsnotdistinct', i.reloptions,
       i.relpages, i.reltuples
from pg_index x join pg_class i on i.oid = x.indexrelid join pg_am m on m.oid = i.relam
join pg_namespace n on n.oid = i.relnamespace
left join pg_constraint k on k.conindid = x.indexrelid and k.contype in ('p', 'u', 'x') and k.conrelid = x.indrelid
where x.indrelid = %s
"""
_KINDS = {
    "r": "table",
    "p": "partitioned_table",
    "v": "view",
    "m": "materialized_view",
    "f": "foreign_table",
}
_PERSISTENCE = {"p": "permanent", "u": "unlogged"}


def normal(expression: str | None) -> str | None:
    """An expression as the grammar prints it."""
    return None if expression is None else printed_expression(read_expression(expression).node)


def of_server(dsn: str, schemas: list[str]) -> dict[str, Any]:
    """By qualified name, everything that a file can declare of each relation."""
    with psycopg.connect(dsn, autocommit=True) as connection:
        relations = connection.execute(_RELATIONS, (schemas,)).fetchall()
        return {f"{row[1]}.{row[2]}": _relation(connection, row) for row in relations}


def functions_of_server(dsn: str, schemas: list[str]) -> list[tuple[Any, ...]]:
    """Functions with what their declarations say."""
    with psycopg.connect(dsn, autocommit=True) as connection:
        return connection.execute(
            "select n.nspname, p.proname, array_to_string(array(select format_type(t, null) from unnest(p.proargtypes) "
            "with ordinality as u (t, o) order by o), ', '), l.lanname, p.proretset, p.procost, p.prorows, "
            "case p.provolatile when 'i' then 'immutable' when 's' then 'stable' else 'volatile' end, "
            "case p.proparallel when 's' then 'safe' when 'r' then 'restricted' else 'unsafe' end "
            "from pg_proc p join pg_namespace n on n.oid = p.pronamespace join pg_language l on l.oid = p.prolang "
            "where p.prokind = 'f' and n.nspname = any(%s) order by 1, 2, 3",
            (schemas,),
        ).fetchall()


def functions_of_files(declared: Declared) -> list[tuple[Any, ...]]:
    """The same of files; what a declaration leaves out has the server's default (CREATE FUNCTION in the manual)."""
    return [
        (
            f.schema_,
            f.name,
            f.arguments,
            f.language,
            f.returns_set,
            f.cost if f.cost is not None else 1.0 if f.language in ("c", "internal") else 100.0,
            f.rows if f.rows is not None else 1000.0 if f.returns_set else 0.0,
            f.volatility,
            f.parallel,
        )
        for f in declared.functions
    ]


def of_files(declared: Declared) -> dict[str, Any]:
    """The same shape of what files declare."""
    return {r.qualified_name: _declared_relation(r) for r in declared.relations}


def _relation(connection: psycopg.Connection[Any], row: tuple[Any, ...]) -> dict[str, Any]:
    oid, kind = row[0], row[3]
    options = dict(option.split("=", 1) for option in row[7] or ())
    columns = connection.execute(_COLUMNS, (oid,)).fetchall() if kind in "rpf" else []
    return {
        "kind": _KINDS[kind],
        "persistence": _PERSISTENCE[row[4]],
        "is_partition": row[5],
        "row_security": row[6],
        "fillfactor": int(options["fillfactor"]) if "fillfactor" in options else None,
        "parallel_workers": int(options["parallel_workers"]) if "parallel_workers" in options else None,
        "autovacuum": options["autovacuum_enabled"] in ("true", "on") if "autovacuum_enabled" in options else None,
        "parents": row[11],
        "columns": {name: (kind_, not_null, target, _distinct(o)) for name, kind_, not_null, target, o in columns},
        "indexes": dict(_indexes(connection, oid)),
        "statistics": _statistics(connection, oid),
        "foreign_keys": _foreign_keys(connection, oid),
    }


def _distinct(options: list[str] | None) -> tuple[float | None, float | None]:
    given = dict(o.split("=", 1) for o in options or ())
    return tuple(float(given[n]) if n in given else None for n in ("n_distinct", "n_distinct_inherited"))  # type: ignore[return-value]


def _indexes(connection: psycopg.Connection[Any], oid: int) -> list[tuple[str, dict[str, Any]]]:
    found = []
    for row in connection.execute(_INDEXES, (oid,)).fetchall():
        index, name, method, unique, primary, exclusion, immediate, valid, keys, all_ = row[:10]
        columns, options, classes, collations = row[10:14]
        expressions = [
            text
            for (text,) in connection.execute(
                "select pg_get_indexdef(%s::oid, n, true) from generate_series(1, %s) n", (index, keys)
            )
        ]
        found.append(
            (
                name,
                {
                    "schema": row[16],
                    "method": method,
                    "unique": unique,
                    "primary": primary,
                    "exclusion": exclusion,
                    "immediate": immediate,
                    "valid": valid,
                    "nulls_not_distinct": bool(row[17]),
                    "predicate": normal(row[14]),
                    "constraint": row[15],
                    "fillfactor": next((int(o[11:]) for o in row[18] or () if o.startswith("fillfactor=")), None),
                    "included": [_column(connection, oid, n) for n in columns[keys:all_]],
                    "keys": [
                        (
                            _column(connection, oid, columns[n]),
                            normal(expressions[n]) if columns[n] == 0 else None,
                            bool(options[n] & 1) if method == "btree" else False,
                            bool(options[n] & 2) if method == "btree" else False,
                            _opclass(connection, classes[n]),
                            _collation(connection, oid, columns[n], collations[n]),
                        )
                        for n in range(keys)
                    ],
                },
            )
        )
    return found


def _column(connection: psycopg.Connection[Any], oid: int, number: int) -> str | None:
    row = connection.execute(
        "select attname from pg_attribute where attrelid = %s and attnum = %s", (oid, number)
    ).fetchone()
    return row[0] if row is not None and number else None


def _opclass(connection: psycopg.Connection[Any], oid: int) -> str | None:
    row = connection.execute("select opcname, opcdefault from pg_opclass where oid = %s", (oid,)).fetchone()
    assert row is not None
    return None if row[1] else row[0]


def _collation(connection: psycopg.Connection[Any], oid: int, column: int, collation: int) -> str | None:
    row = connection.execute(
        "select c.collname from pg_collation c where c.oid = %s and c.oid is distinct from "
        "coalesce((select attcollation from pg_attribute where attrelid = %s and attnum = %s and attnum > 0), 100)",
        (collation, oid, column),
    ).fetchone()
    return None if row is None else row[0]


def _statistics(connection: psycopg.Connection[Any], oid: int) -> dict[str, Any]:
    rows = connection.execute(
        "select n.nspname, s.stxname, s.stxkind::text[], to_jsonb(s) -> 'stxstattarget', "
        "array(select a.attname from unnest(s.stxkeys::int[]) k join pg_attribute a on a.attrelid = s.stxrelid "
        "and a.attnum = k order by a.attname)::text[] from pg_statistic_ext s join pg_namespace n "
        "on n.oid = s.stxnamespace where s.stxrelid = %s",
        (oid,),
    ).fetchall()
    words = {"d": "ndistinct", "f": "dependencies", "m": "mcv", "e": "expressions"}
    return {
        name: (schema, sorted(words[k] for k in kinds), None if target in (-1, None) else target, columns)
        for schema, name, kinds, target, columns in rows
    }


def _foreign_keys(connection: psycopg.Connection[Any], oid: int) -> dict[str, Any]:
    names = (
        "array(select a.attname from unnest({}) with ordinality u (k, o) join pg_attribute a on a.attrelid = {} "
        "and a.attnum = k order by o)::text[]"
    )
    rows = connection.execute(
        f"select k.conname, {names.format('k.conkey', 'k.conrelid')}, n.nspname || '.' || c.relname, "
        f"{names.format('k.confkey', 'k.confrelid')}, k.convalidated from pg_constraint k join pg_class c "
        "on c.oid = k.confrelid join pg_namespace n on n.oid = c.relnamespace where k.contype = 'f' "
        "and k.conrelid = %s and k.conparentid = 0",
        (oid,),
    ).fetchall()
    return {row[0]: tuple(row[1:]) for row in rows}


def _declared_relation(relation: DeclaredRelation) -> dict[str, Any]:
    return {
        "kind": relation.kind,
        "persistence": relation.persistence,
        "is_partition": relation.is_partition,
        "row_security": relation.row_security,
        "fillfactor": relation.fillfactor,
        "parallel_workers": relation.parallel_workers,
        "autovacuum": relation.autovacuum_enabled,
        "parents": sorted(relation.parents),
        "columns": {
            c.name: (
                c.type,
                c.not_null,
                c.statistics_target,
                (c.n_distinct_override, c.n_distinct_inherited_override),
            )
            for c in relation.columns
        },
        "indexes": {i.name: _declared_index(i) for i in relation.indexes},
        "statistics": {
            s.name: (s.schema_, sorted(s.kinds), s.statistics_target, sorted(s.columns))
            for s in relation.statistics_objects
        },
        "foreign_keys": {
            k.name: (
                list(k.columns),
                f"{k.referenced_schema}.{k.referenced_name}",
                list(k.referenced_columns),
                k.validated,
            )
            for k in relation.foreign_keys
        },
    }


def _declared_index(index: DeclaredIndex) -> dict[str, Any]:
    return {
        "schema": index.schema_,
        "method": index.access_method,
        "unique": index.unique,
        "primary": index.primary,
        "exclusion": index.exclusion,
        "immediate": index.immediate,
        "valid": index.valid,
        "nulls_not_distinct": index.nulls_not_distinct,
        "predicate": normal(index.predicate),
        "constraint": index.constraint,
        "fillfactor": index.fillfactor,
        "included": list(index.included),
        "keys": [
            (
                k.column,
                normal(k.expression),
                k.descending,
                k.nulls_first,
                None if k.opclass is None else k.opclass.rsplit(".", 1)[-1],
                None if k.collation is None else k.collation.rsplit(".", 1)[-1],
            )
            for k in index.keys
        ],
    }


def differences(declared: Any, truth: Any, path: str = "") -> dict[str, tuple[Any, Any]]:
    """Where two of these shapes differ: by the path, what the files say and what the server says."""
    if isinstance(declared, dict) and isinstance(truth, dict):
        found: dict[str, tuple[Any, Any]] = {}
        for key in sorted({*declared, *truth}):
            found |= differences(declared.get(key), truth.get(key), f"{path}/{key}")
        return found
    return {} if declared == truth else {path: (declared, truth)}
