"""Reckon a whole printed plan again from the catalog: its shape and row estimates are taken, its costs are not."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import prod
from typing import Any

from rowreckon.cost import (
    CostSettings,
    GroupRelation,
    HashJoinTerms,
    IndexCondition,
    MergeJoinTerms,
    NestLoopTerms,
    PathCost,
    SemiAntiJoinFactors,
    SkippedColumn,
    amcostestimate,
    bitmap_index,
    compute_bitmap_pages,
    compute_parallel_worker,
    compute_semi_anti_join_factors,
    cost_bitmap_heap_scan,
    cost_gather,
    cost_hashjoin,
    cost_index,
    cost_material,
    cost_memoize,
    cost_mergejoin,
    cost_nestloop,
    cost_seqscan,
    cost_sort,
    estimate_num_groups,
    get_variable_numdistinct,
    heap_pages_for_workers,
    operator_cost,
    scan_fractions,
    skip_scan,
)
from rowreckon.cost.capabilities import has_skip_scan

from .common_values import eqjoinsel_inner, eqjoinsel_semi
from .facts import Facts
from .histogram import mergejoinscansel, scalarineqsel, var_eq_non_const


@dataclass
class JoinQuery:
    """Two tables `o` and `i`, joined on `k` (and `k2`), with filters o.id <= limit and perhaps i.f < below."""

    facts: Facts
    settings: CostSettings
    outer: str
    inner: str
    join: str
    limit: int
    below: int | None
    keys: tuple[str, ...]
    estimates: dict[str, float]

    def sql(self) -> str:
        """The statement."""
        on = " and ".join(f"i.{key} = o.{key}" for key in self.keys)
        filters = f"o.id <= {self.limit}"
        inner_filter = "" if self.below is None else f" and i.f < {self.below}"
        if self.join in ("semi", "anti"):
            word = "exists" if self.join == "semi" else "not exists"
            exists = f"{word} (select 1 from {self.inner} i where {on}{inner_filter})"
            return f"select * from {self.outer} o where {filters} and {exists}"
        if self.join == "left":
            return f"select * from {self.outer} o left join {self.inner} i on {on}{inner_filter} where {filters}"
        return f"select * from {self.outer} o join {self.inner} i on {on} where {filters}{inner_filter}"

    def table(self, alias: str) -> str:
        return self.outer if alias == "o" else self.inner

    def rows(self, alias: str) -> float:
        """Rows of a base table after its filter, as the planner estimates them."""
        condition = f"id <= {self.limit}" if alias == "o" else "true" if self.below is None else f"f < {self.below}"
        query = f"select * from {self.table(alias)} where {condition}"
        if query not in self.estimates:
            self.estimates[query] = float(self.facts.explain(query)["Plan Rows"])
        return self.estimates[query]

    def filter_share(self, alias: str) -> float:
        if alias == "o":
            return scalarineqsel(self.facts.ordered(self.outer, "id"), self.limit, inclusive=True)
        return 1.0 if self.below is None else scalarineqsel(self.facts.ordered(self.inner, "f"), self.below)

    @property
    def pages(self) -> float:
        return self.facts.pages(self.settings, self.outer, self.inner)

    # -- the plan's nodes ------------------------------------------------------------------------------------

    def path(self, node: dict[str, Any], workers: int = 0) -> PathCost:
        """The costs of a node, its inputs reckoned first."""
        kind = node["Node Type"]
        below = node.get("Plans", [])
        if kind == "Gather":
            sub = self.path(below[0], node["Workers Planned"])
            return cost_gather(self.settings, sub, node["Plan Rows"])
        if kind == "Nested Loop":
            return self.nested_loop(node, workers)
        if kind == "Hash Join":
            return self.hash_join(node, workers)
        if kind == "Merge Join":
            return self.merge_join(node, workers)
        return self.side(node, workers)

    def side(self, node: dict[str, Any], workers: int = 0, loops: float = 1.0) -> PathCost:
        """A scan, with what sorts, keeps or remembers it."""
        kind = node["Node Type"]
        if kind == "Gather":
            return cost_gather(
                self.settings, self.side(node["Plans"][0], node["Workers Planned"]), float(node["Plan Rows"])
            )
        if kind == "Sort":
            return cost_sort(self.settings, self.side(node["Plans"][0], workers))
        if kind == "Materialize":
            return cost_material(self.settings, self.side(node["Plans"][0]))
        if kind == "Hash":
            return self.side(node["Plans"][0], workers)
        if kind == "Memoize":
            return self.memoize(node, loops)
        return self.scan(node, workers, loops)

    def scan(self, node: dict[str, Any], workers: int, loops: float) -> PathCost:
        alias, kind, settings = node["Alias"], node["Node Type"], self.settings
        relation = self.facts.relation(self.table(alias), settings)
        shared = bool(workers and node.get("Parallel Aware"))
        rows = self.rows(alias) if shared else float(node["Plan Rows"])
        quals = operator_cost(settings, clauses(node.get("Filter")))
        width = node["Plan Width"]
        # a scan asks for workers by its own size; the Gather has as many as the outermost of them
        self.scan_workers = 0
        if kind == "Seq Scan":
            if shared:
                self.scan_workers = compute_parallel_worker(settings, relation.pages, None)
            return cost_seqscan(settings, relation, rows, width, qual=quals, workers=self.scan_workers)
        target = node if kind != "Bitmap Heap Scan" else node["Plans"][0]
        index = self.facts.index(target["Index Name"])
        condition = self.condition(alias, target.get("Index Cond"), target["Index Name"])
        access = amcostestimate(
            settings, index, condition, relation_tuples=relation.tuples, total_table_pages=self.pages, loop_count=loops
        )
        if kind in ("Index Scan", "Index Only Scan"):
            if shared:
                heap = heap_pages_for_workers(settings, relation, index, condition, self.pages)
                only = kind == "Index Only Scan"
                self.scan_workers = compute_parallel_worker(settings, None if only else heap, access.index_pages)
            return cost_index(
                settings, relation, index, condition, rows, width,
                total_table_pages=self.pages, loop_count=loops, index_only=kind == "Index Only Scan",
                qual=quals, workers=self.scan_workers,
            )  # fmt: skip
        assert kind == "Bitmap Heap Scan"
        bitmap = bitmap_index(settings, access, index, rows)
        if shared:
            pages, _ = compute_bitmap_pages(settings, relation, bitmap, self.pages)
            self.scan_workers = compute_parallel_worker(settings, pages, None)
        return cost_bitmap_heap_scan(
            settings, relation, bitmap, rows, width, total_table_pages=self.pages, loop_count=loops,
            qual=operator_cost(settings, clauses(node.get("Filter")) + clauses(node.get("Recheck Cond"))),
            workers=self.scan_workers,
        )  # fmt: skip

    def condition(self, alias: str, text: str | None, index: str) -> IndexCondition:
        """Selectivity of the index quals `id <=`, `f <` and equality on the keys."""
        if not text:
            return IndexCondition(1.0, 1.0, 0)
        table = self.table(alias)
        shape = self.facts.index(index)
        quals = dict(re.findall(r"\((?:\w+\.)?(\w+) (<=|<|=) ", text))
        shares = {
            column: var_eq_non_const(self.facts.column(table, column)) if operator == "=" else self.filter_share(alias)
            for column, operator in quals.items()
        }
        everything = prod(shares.values())
        bound, scans, bounded = 1.0, 1.0, True
        columns = self.facts.index_columns(index)
        last = max(columns.index(column) for column in quals)
        for column in columns[: last + 1]:
            if not bounded:
                break
            if column not in quals:
                if not has_skip_scan(self.settings.server_major):
                    break
                distinct, default = get_variable_numdistinct(self.facts.column(table, column))
                scans, bounded = skip_scan(shape.pages, scans, [SkippedColumn(None if default else distinct)])
                continue
            bound *= shares[column]
            bounded = quals[column] == "="
        unique = shape.unique and list(quals.values()) == ["="] * shape.nkeycolumns
        return IndexCondition(everything, bound, len(quals), num_sa_scans=scans, unique_match=unique)

    def memoize(self, node: dict[str, Any], loops: float) -> PathCost:
        inner = self.scan(node["Plans"][0], 0, loops)
        other = "o" if node["Plans"][0]["Alias"] == "i" else "i"
        rows = self.rows(other)
        table = self.table(other)
        tuples = self.facts.relation(table, self.settings).tuples
        columns = [name.split(".")[-1] for name in node["Cache Key"].split(", ")]
        distinct = tuple(get_variable_numdistinct(self.facts.column(table, c))[0] for c in columns)
        groups = estimate_num_groups([GroupRelation(distinct, rows, tuples)], self.calls)
        return cost_memoize(self.settings, inner, calls=self.calls, ndistinct=groups, key_width=4 * len(columns))

    # -- joins -----------------------------------------------------------------------------------------------

    def nested_loop(self, node: dict[str, Any], workers: int) -> PathCost:
        outer = self.side(node["Plans"][0], workers)
        self.calls = outer.rows
        inner_node = node["Plans"][1]
        outer_alias = alias_of(node["Plans"][0])
        inner = self.side(inner_node, 0, self.rows(outer_alias))
        checked = clauses(node.get("Join Filter"))
        # a join clause that the index does not enforce is a filter of the inner scan with a column of the outer side
        indexed = (
            not checked
            and inner_node["Node Type"] in ("Index Scan", "Index Only Scan", "Bitmap Heap Scan")
            and f"{outer_alias}." not in inner_node.get("Filter", "")
        )
        terms = NestLoopTerms(operator_cost(self.settings, checked), self.factors(node), indexed)
        return cost_nestloop(self.settings, outer, inner, node["Plan Rows"], terms=terms)

    def hash_join(self, node: dict[str, Any], workers: int) -> PathCost:
        outer = self.side(node["Plans"][0], workers)
        inner_node = node["Plans"][1]
        together = bool(node.get("Parallel Aware"))
        outer_workers = self.scan_workers
        inner = self.side(inner_node, workers if together else 0)
        inner_alias = alias_of(inner_node)
        columns = re.findall(r"\bo\.(\w+)", node["Hash Cond"])
        keys = tuple(self.facts.column(self.table(inner_alias), c, self.rows(inner_alias)).hash_key() for c in columns)
        terms = HashJoinTerms(
            self.inner_selectivity(columns),
            keys,
            len(columns),
            factors=self.factors(node),
            anti=node["Join Type"] == "Anti",
            parallel_hash=together,
            workers=outer_workers,
            inner_workers=self.scan_workers,
        )
        return cost_hashjoin(self.settings, outer, inner, node["Plan Rows"], 0, terms)

    def merge_join(self, node: dict[str, Any], workers: int) -> PathCost:
        sides = [node["Plans"][0], node["Plans"][1]]
        # a Materialize above the inner side is the join's own decision; sorting is charged by the join too
        if sides[1]["Node Type"] == "Materialize":
            sides[1] = sides[1]["Plans"][0]
        sorts = [side["Node Type"] == "Sort" for side in sides]
        paths = [
            self.side(side["Plans"][0] if sort else side, workers if position == 0 else 0)
            for position, (side, sort) in enumerate(zip(sides, sorts, strict=True))
        ]
        columns = re.findall(r"\bo\.(\w+)", node["Merge Cond"])
        aliases = [alias_of(side) for side in sides]
        scan = mergejoinscansel(*(self.facts.ordered(self.table(a), columns[0], self.rows(a)) for a in aliases))
        factors = self.factors(node)
        terms = MergeJoinTerms(
            self.inner_selectivity(columns),
            len(columns),
            join_quals=operator_cost(self.settings, clauses(node.get("Join Filter"))),
            scan=scan_fractions(scan, node["Join Type"]),
            sort_outer=sorts[0],
            sort_inner=sorts[1],
            skip_mark_restore=factors is not None and not node.get("Join Filter"),
        )
        return cost_mergejoin(self.settings, paths[0], paths[1], node["Plan Rows"], 0, terms)

    def inner_selectivity(self, columns: list[str]) -> float:
        share = 1.0
        for column in columns:
            share *= eqjoinsel_inner(self.facts.column(self.outer, column), self.facts.column(self.inner, column))
        return share

    def factors(self, node: dict[str, Any]) -> SemiAntiJoinFactors | None:
        """How the join stops early, None where it does not."""
        kind = node["Join Type"]
        if kind not in ("Semi", "Anti") and not node.get("Inner Unique"):
            return None
        inner_alias = alias_of(node["Plans"][1])
        outer_alias = "o" if inner_alias == "i" else "i"
        rows = self.rows(inner_alias)
        nselec = self.inner_selectivity(list(self.keys))
        jselec = nselec
        if kind in ("Semi", "Anti"):
            jselec = 1.0
            for key in self.keys:
                jselec *= eqjoinsel_semi(
                    self.facts.column(self.table(outer_alias), key, self.rows(outer_alias)),
                    self.facts.column(self.table(inner_alias), key, rows),
                    rows,
                )
        return compute_semi_anti_join_factors(jselec, nselec, rows)


def clauses(text: str | None) -> int:
    """Operators in a printed condition."""
    return 0 if not text else text.count(" AND ") + 1


def alias_of(node: dict[str, Any]) -> str:
    """The table at the bottom of one side."""
    while "Alias" not in node:
        node = node["Plans"][0]
    alias: str = node["Alias"]
    return alias
