"""The inputs of the planner's arithmetic, read from a live server's catalog, and the plans that it prints."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import psycopg
from psycopg import sql

from rowreckon.cost import (
    CostSettings,
    IndexShape,
    PathCost,
    RelationSize,
    cost_seqscan,
    estimate_rel_size,
    operator_cost,
)
from rowreckon.cost.capabilities import has_memoize
from tests.servers.recorded import Replayed

from .common_values import ValueStatistics
from .histogram import OrderedStatistics

CENT = 0.0101
"""Two decimals are printed: half a cent on either side, and half a cent for values on a rounding boundary."""


class Facts:
    """One session on one server: sets options, reads statistics, explains queries."""

    def __init__(self, connection: psycopg.Connection[Any] | Replayed) -> None:
        self.connection: Any = connection
        self.major = connection.info.server_version // 10000
        self.remembered: dict[object, Any] | None = None

    def use(self, **settings: object) -> CostSettings:
        """Forget earlier settings, apply these, and read back all that the planner will see.

        Parallel query is off unless asked for, as in every worked plan that does not say otherwise.
        """
        self.connection.execute("reset all")
        for name, value in {"max_parallel_workers_per_gather": 0, "jit": "off", **settings}.items():
            self.connection.execute(sql.SQL("set {} = {}").format(sql.Identifier(name), sql.Literal(str(value))))
        rows = self.connection.execute(
            "select name, setting, unit from pg_settings where name = 'server_version_num'"
            " or category like 'Query Tuning%' or category like 'Resource Usage%'"
        ).fetchall()
        return CostSettings.from_pg_settings(rows)

    def off(self, *methods: str) -> dict[str, str]:
        """Settings that switch these path types off, Memoize only where the release has it."""
        return {f"enable_{method}": "off" for method in methods if method != "memoize" or has_memoize(self.major)}

    def explain(self, query: str) -> dict[str, Any]:
        """The top node of a query's plan, not executed."""
        row = self.connection.execute(f"explain (format json) {query}".encode()).fetchone()
        assert row is not None
        document = row[0] if isinstance(row[0], list) else json.loads(row[0])
        plan: dict[str, Any] = document[0]["Plan"]
        return plan

    def relation(self, name: str, settings: CostSettings) -> RelationSize:
        """Size of a table as the planner will take it."""
        pages, relpages, reltuples, visible = self._row(
            "select pg_relation_size(oid)/8192, relpages, reltuples, relallvisible from pg_class"
            " where oid = %s::regclass",
            name,
        )
        width = self._row(
            "select coalesce(sum(coalesce(s.avg_width, case when t.typlen > 0 then t.typlen else 32 end)), 0)"
            " from pg_attribute a join pg_type t on t.oid = a.atttypid join pg_class c on c.oid = a.attrelid"
            " left join pg_stats s on s.schemaname = 'public' and s.tablename = c.relname and s.attname = a.attname"
            " where a.attrelid = %s::regclass and a.attnum > 0",
            name,
        )[0]
        return estimate_rel_size(
            settings,
            current_pages=float(pages),
            relpages=float(relpages),
            reltuples=float(reltuples),
            relallvisible=float(visible),
            width=int(width),
        )

    def index(self, name: str) -> IndexShape:
        """Shape of an index without predicate, its height by pageinspect."""
        pages, unique, keys, tuples, option, height = self._row(
            "select pg_relation_size(i.indexrelid)/8192, i.indisunique, i.indnkeyatts, c.reltuples, i.indoption[0],"
            " (select fastlevel from bt_metap(i.indexrelid::regclass::text))"
            " from pg_index i join pg_class c on c.oid = i.indrelid where i.indexrelid = %s::regclass",
            name,
        )
        correlation = self._row(
            "select s.correlation from pg_index i join pg_class c on c.oid = i.indrelid"
            " join pg_attribute a on a.attrelid = c.oid and a.attnum = i.indkey[0]"
            " left join pg_stats s on s.schemaname = 'public' and s.tablename = c.relname and s.attname = a.attname"
            " where i.indexrelid = %s::regclass",
            name,
        )[0]
        return IndexShape(
            float(pages),
            float(tuples),
            int(height),
            bool(unique),
            int(keys),
            float(correlation or 0.0),
            bool(option & 1),
        )

    def index_columns(self, name: str) -> list[str]:
        """The key columns of an index, in order."""
        rows = self.connection.execute(
            "select a.attname from pg_index i, unnest(i.indkey::int2[]) with ordinality k(num, place), pg_attribute a"
            " where i.indexrelid = %s::regclass and a.attrelid = i.indrelid and a.attnum = k.num order by k.place",
            (name,),
        ).fetchall()
        return [str(row[0]) for row in rows]

    def column(self, table: str, column: str, rows: float | None = None) -> ValueStatistics:
        """Statistics of an integer column; `rows` is the table's estimate after its filter (default: all)."""
        tuples = float(self._row("select reltuples from pg_class where oid = %s::regclass", table)[0])
        found = self._row(
            "select s.n_distinct, s.null_frac, s.most_common_vals::text::bigint[], s.most_common_freqs"
            " from (select) one left join pg_stats s"
            " on s.schemaname = 'public' and s.tablename = %s and s.attname = %s",
            table,
            column,
        )
        unique = bool(
            self._row(
                "select count(*) from pg_index i join pg_attribute a on a.attrelid = i.indrelid and a.attname = %s"
                " where i.indrelid = %s::regclass and i.indisunique and i.indpred is null and i.indnkeyatts = 1"
                " and i.indkey[0] = a.attnum",
                column,
                table,
            )[0]
        )
        after = tuples if rows is None else rows
        if found[0] is None:
            return ValueStatistics(tuples, after, is_unique=unique)
        distinct, null_frac, values, freqs = found
        return ValueStatistics(tuples, after, distinct, null_frac, tuple(freqs or ()), unique, tuple(values or ()))

    def ordered(self, table: str, column: str, rows: float | None = None) -> OrderedStatistics:
        """The same with the histogram, and the true ends where a B-tree leads with the column."""
        bounds = self._row(
            "select histogram_bounds::text::bigint[] from pg_stats"
            " where schemaname = 'public' and tablename = %s and attname = %s",
            table,
            column,
        )[0]
        leads = self._row(
            "select count(*) from pg_index i join pg_attribute a on a.attrelid = i.indrelid and a.attname = %s"
            " where i.indrelid = %s::regclass and i.indpred is null and i.indkey[0] = a.attnum",
            column,
            table,
        )[0]
        low = high = None
        if leads:
            low, high = self._row(f"select min({column}), max({column}) from {table}")
        return OrderedStatistics(self.column(table, column, rows), tuple(bounds or ()), low, high)

    def width(self, table: str, *columns: str) -> int:
        """Bytes of these columns by the statistics; all columns where none is named."""
        return int(
            self._row(
                "select sum(avg_width) from pg_stats where schemaname = 'public' and tablename = %s"
                " and (%s::text[] = '{}' or attname = any(%s::text[]))",
                table,
                list(columns),
                list(columns),
            )[0]
        )

    def seqscan(
        self, settings: CostSettings, table: str, *columns: str, rows: float = 0.0, quals: float = 0.0
    ) -> PathCost:
        """Seq Scan of a table: all rows unless `rows` says what a filter of so many operators leaves."""
        size = self.relation(table, settings)
        return cost_seqscan(
            settings, size, rows or size.tuples, self.width(table, *columns), qual=operator_cost(settings, quals)
        )

    def pages(self, settings: CostSettings, *tables: str) -> float:
        """Pages of all these tables: what competes for the cache in a query over them."""
        return sum(self.relation(table, settings).pages for table in tables)

    def remember(self) -> Facts:
        """A view of the same session that asks each question about the catalog once; for tables that stay."""
        view = Facts(self.connection)
        view.remembered = {}
        return view

    def _row(self, query: str, *parameters: object) -> tuple[Any, ...]:
        if self.remembered is None:
            return self._asked(query, *parameters)
        key = (query, str(parameters))
        if key not in self.remembered:
            self.remembered[key] = self._asked(query, *parameters)
        found: tuple[Any, ...] = self.remembered[key]
        return found

    def _asked(self, query: str, *parameters: object) -> tuple[Any, ...]:
        row: tuple[Any, ...] | None = self.connection.execute(query.encode(), parameters).fetchone()
        assert row is not None
        return row


def node(plan: dict[str, Any], kind: str) -> dict[str, Any]:
    """The first node of that type in a plan, top down."""
    waiting = [plan]
    while waiting:
        this = waiting.pop(0)
        if this["Node Type"] == kind:
            return this
        waiting += this.get("Plans", [])
    raise AssertionError(f"no {kind} in the plan")


@dataclass(frozen=True)
class Printed:
    """A node's costs as a server prints them, for comparison with a path."""

    kind: str
    startup: float
    total: float

    def matches(self, path: PathCost, tolerance: float = CENT) -> bool:
        """Whether the path has this type and, to the printed decimals, these costs."""
        return (
            path.kind == self.kind
            and abs(path.startup_cost - self.startup) <= tolerance
            and abs(path.total_cost - self.total) <= tolerance
        )


def printed(plan: dict[str, Any]) -> Printed:
    """What a node prints."""
    return Printed(plan["Node Type"], plan["Startup Cost"], plan["Total Cost"])


def assert_cost(path: PathCost, plan: dict[str, Any], worked: str | None = None) -> None:
    """The modelled path agrees with the server's node, and both with the worked figure where one is given."""
    seen = printed(plan)
    assert seen.matches(path), f"modelled {path.startup_cost:.4f}..{path.total_cost:.4f}, the server prints {seen}"
    if worked is not None:
        assert f"{seen.startup:.2f}..{seen.total:.2f}" == worked
