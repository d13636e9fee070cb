"""Audits to render: a network of mountain huts, its bunks, bookings, guests, supply flights and weather logs.

The figures of `crossed` are those of a nested loop that expected 12 outer rows and got 48,310.
"""

from __future__ import annotations

from typing import Any

from rowreckon.document.audit import (
    Audit,
    CurvePoint,
    Evidence,
    Finding,
    FindingRef,
    GainMs,
    Join,
    JoinSeen,
    JoinSide,
    Margin,
    Method,
    MethodCost,
    Missing,
    Node,
    Origin,
    Plan,
    Rejected,
    Remedy,
    RowsPerOuter,
    RowVisits,
    SafeOrigin,
    Session,
    SideEffect,
    Summary,
    SwitchPoint,
    TimeElsewhere,
    Trial,
    TrialJoin,
    TrialQuery,
    Way,
)

QUERY = """SELECT h.name, count(*)
FROM bookings b
JOIN huts h USING (hut_id)
WHERE b.season = 'winter' AND b.status = 'confirmed'
GROUP BY h.name"""


def node(id_: int, path: tuple[int, ...], node_type: str, **more: Any) -> Node:
    values: dict[str, Any] = {"count": "exact", "loops": 1.0, **more}
    return Node(id=id_, path=path, node_type=node_type, **values)


def crossed_nodes() -> tuple[Node, ...]:
    return (
        node(0, (), "Aggregate", estimated_rows=12, actual_rows=310, q_error=25.8, direction="under", own_ms=21.0),
        node(
            1,
            (0,),
            "Nested Loop",
            join_type="Inner",
            parent_relationship="Outer",
            estimated_rows=12,
            actual_rows=48310,
            q_error=4025.8,
            q_error_low=4025.8,
            direction="under",
            q_error_here=1.0,
            direction_here="even",
            own_ms=41.5,
            tables=("public.bookings", "public.huts"),
        ),
        node(
            2,
            (0, 0),
            "Seq Scan",
            relation="bookings",
            schema_="public",
            alias="b",
            parent_relationship="Outer",
            estimated_rows=12,
            actual_rows=48310,
            q_error=4025.8,
            q_error_low=4025.8,
            direction="under",
            q_error_here=4025.8,
            direction_here="under",
            own_ms=88.0,
            tables=("public.bookings",),
        ),
        node(
            3,
            (0, 1),
            "Index Scan",
            relation="huts",
            schema_="public",
            alias="h",
            index="huts_pkey",
            parent_relationship="Inner",
            estimated_rows=48310,
            estimated_rows_low=1,
            estimated_rows_high=72465,
            estimated_rows_per_loop=1,
            actual_rows=48310,
            loops=48310,
            q_error=1.0,
            q_error_low=1.0,
            direction="even",
            own_ms=310.0,
            tables=("public.huts",),
        ),
        node(
            4,
            (0, 2),
            "Index Scan",
            relation="weather_logs",
            parent_relationship="SubPlan",
            subplan_name="SubPlan 2",
            estimated_rows=48000,
            actual_rows=47100,
            loops=48000,
            count="exact",
            own_ms=950.0,
            tables=("public.weather_logs",),
        ),
    )


def crossed_join(**more: Any) -> Join:
    values: dict[str, Any] = {
        "node": 1,
        "path": (0,),
        "method": "nested_loop",
        "join_type": "inner",
        "condition": "(h.hut_id = b.hut_id)",
        "equality": True,
        "outer": JoinSide(node=2, estimated_rows=12, actual_rows=48310, count="exact", tables=("public.bookings",)),
        "inner": JoinSide(node=3, estimated_rows=900, actual_rows=900, count="exact", tables=("public.huts",)),
        "q_error": 4025.8,
        "direction": "under",
        "verdict": "crossed",
        "basis": "plan",
        "costs": {
            "nested_loop": MethodCost(
                at_estimate=142.71,
                at_actual=171804.2,
                basis_at_estimate="plan",
                basis_at_actual="plan",
                ways=(
                    Way(access="index", index="huts_pkey", at_estimate=142.71, at_actual=171804.2),
                    Way(access="index", hypothetical=True, at_estimate=120.0, at_actual=150000.0),
                ),
            ),
            "hash": MethodCost(at_estimate=1288.4, at_actual=4521.16, basis_at_estimate="plan", basis_at_actual="plan"),
            "merge": MethodCost(at_estimate=2210.9, at_actual=9912.33, basis_at_estimate="plan"),
        },
        "excluded": {},
        "residual": 1.0004,
        "switch_points": (
            SwitchPoint(
                from_="nested_loop",
                to="hash",
                outer_rows=840,
                low=835,
                high=846,
                basis="plan",
                inner_at="estimate",
                inner_rows=900,
            ),
        ),
        "margin": Margin(up=70.0, down=None),
        "inner_rows_per_outer": RowsPerOuter(estimated=1.0, actual=1.0),
        "best_at_actual": "hash",
        "loss_factor": 38.0,
        "contest": {"nested_loop": 1410.0, "hash": 131.0, "timed_out": None},
        "row_visits": {
            "nested_loop": RowVisits(at_estimate=24, at_actual=96620),
            "hash": RowVisits(at_estimate=912, at_actual=49210),
        },
        "why": "the season and status filters are estimated as if they were independent",
        "missing": (0,),
        "origin": (2,),
        "safe_origins": (SafeOrigin(node=2, q_error_here=4025.8, safe_q_error=70.0),),
    }
    return Join(**{**values, **more})


def curve_points() -> tuple[CurvePoint, ...]:
    """Costs along the outer rows that meet at 840, as a linear model would sample them."""
    points = []
    for step in range(21):
        rows = 10.0 ** (step / 4)
        costs: dict[Method, float | None] = {
            "nested_loop": 100 + 3.55 * rows,
            "hash": 3025 + 0.068 * rows,
            "merge": 2200 + 1.9 * rows,
        }
        points.append(CurvePoint(outer_rows=rows, costs=costs))
    return tuple(points)


def held_join(**more: Any) -> Join:
    values: dict[str, Any] = {
        "outer": JoinSide(node=2, estimated_rows=12, actual_rows=480, count="exact", tables=("public.bookings",)),
        "verdict": "held",
        "best_at_actual": "nested_loop",
        "loss_factor": 1.0,
        "q_error": 40.0,
        "contest": None,
        "costs": {
            "nested_loop": MethodCost(at_estimate=142.71, at_actual=800.5),
            "hash": MethodCost(at_estimate=1288.4, at_actual=1310.0),
        },
    }
    return crossed_join(**{**values, **more})


def accurate_join(**more: Any) -> Join:
    values: dict[str, Any] = {
        "outer": JoinSide(node=2, estimated_rows=12, actual_rows=13, count="exact", tables=("public.bookings",)),
        "verdict": "accurate",
        "q_error": 1.08,
    }
    return held_join(**{**values, **more})


def undecided_join(**more: Any) -> Join:
    values: dict[str, Any] = {
        "outer": JoinSide(node=2, estimated_rows=12, actual_rows=5001, count="at_least", tables=("public.bookings",)),
        "verdict": "undecided",
        "costs": {},
        "switch_points": (),
        "margin": None,
        "best_at_actual": None,
        "loss_factor": None,
        "residual": None,
        "contest": None,
        "why": "the size of huts is not known",
    }
    return crossed_join(**{**values, **more})


def inner_wrong_join(**more: Any) -> Join:
    """A hash join that built on far more rows than expected: the border lies elsewhere with the inner side right."""
    values: dict[str, Any] = {
        "method": "nested_loop",
        "outer": JoinSide(node=2, estimated_rows=200, actual_rows=210, count="exact", tables=("public.huts",)),
        "inner": JoinSide(node=3, estimated_rows=50, actual_rows=90000, count="exact", tables=("public.bookings",)),
        "costs": {
            "nested_loop": MethodCost(at_estimate=610.0, at_actual=91000.0),
            "hash": MethodCost(at_estimate=900.0, at_actual=2600.0),
        },
        "switch_points": (
            SwitchPoint(
                from_="nested_loop", to="hash", outer_rows=3200, basis="catalog", inner_at="estimate", inner_rows=50
            ),
            SwitchPoint(
                from_="nested_loop", to="hash", outer_rows=4, basis="catalog", inner_at="actual", inner_rows=90000
            ),
            SwitchPoint(
                from_="nested_loop",
                to="hash",
                basis="catalog",
                inner_at="actual",
                along="inner",
                inner_from_rows=1400,
            ),
        ),
        "loss_factor": 35.0,
        "basis": "catalog",
    }
    return crossed_join(**{**values, **more})


FINDING = Finding(
    code="correlated_columns_equality",
    node=2,
    joins=(1,),
    tables=("public.bookings",),
    columns=("season", "status"),
    confidence=0.9,
    basis="plan",
    summary="the filters on season and status are multiplied as if independent, but they go together",
    evidence=(
        Evidence(fact="rows expected after the filter", value=12, from_="plan"),
        Evidence(fact="rows that passed the filter", value=48310, from_="plan"),
    ),
)

REMEDY = Remedy(
    rank=1,
    kind="more_statistics",
    sql=(
        "CREATE STATISTICS public.bookings_season_status (dependencies, mcv)"
        "\n  ON season, status FROM public.bookings;",
        "ANALYZE public.bookings;",
    ),
    undo=("DROP STATISTICS public.bookings_season_status;",),
    undo_note="the old statistics come back with the next ANALYZE",
    check_first="SELECT stxname FROM pg_statistic_ext WHERE stxrelid = 'public.bookings'::regclass;",
    lock="SHARE UPDATE EXCLUSIVE",
    transactional=True,
    tables=("public.bookings",),
    columns=("season", "status"),
    findings=(FindingRef(plan=0, finding=0),),
    expected_gain_ms=GainMs(low=180.0, high=260.0),
    cost_ratio=38.0,
    confidence=0.9,
    reason="extended statistics tell the planner that winter bookings are nearly all confirmed",
    side_effects=(
        SideEffect(
            query="occupancy by night",
            change="plan_changed",
            time="faster",
            before_ms=82.0,
            after_ms=31.0,
            basis="copy",
        ),
        SideEffect(query="guest list", change="plan_same", time="same", before_ms=4.1, after_ms=4.1),
        SideEffect(query="supply flights due", change="unknown"),
    ),
    trial=Trial(
        where="copy",
        before_ms=1410.0,
        after_ms=140.0,
        join_methods_before=("nested_loop",),
        join_methods_after=("hash",),
        q_error_before=4025.8,
        q_error_after=1.1,
        verdict="helped",
    ),
    cautions=("ANALYZE reads a sample of the table and takes its share of I/O.",),
)


def joins_after() -> tuple[Join, ...]:
    """The same join with the statistics of the remedy: a hash join with its border a little higher."""
    return (
        crossed_join(
            node=2,
            method="hash",
            condition="(b.hut_id = h.hut_id)",
            outer=JoinSide(node=3, estimated_rows=47215, actual_rows=48310, count="exact", tables=("public.bookings",)),
            inner=JoinSide(node=5, estimated_rows=900, actual_rows=900, count="exact", tables=("public.huts",)),
            q_error=1.023,
            verdict="accurate",
            loss_factor=1.0,
            switch_points=(
                SwitchPoint(from_="nested_loop", to="hash", outer_rows=861, basis="plan", inner_at="estimate"),
            ),
            contest=None,
            missing=(),
            origin=(),
            safe_origins=(),
        ),
    )


TRIED = REMEDY.model_copy(
    update={
        "trial": REMEDY.trial.model_copy(
            update={
                "reason": "perhaps slower, within the noise of the runs: guest list (1.2 ms)",
                "queries": (
                    TrialQuery(
                        query="winter-bookings.json",
                        plan=0,
                        time="faster",
                        before_ms=1410.0,
                        after_ms=140.0,
                        before_runs_ms=(1398.0, 1410.0, 1431.0),
                        after_runs_ms=(139.0, 140.0, 151.0),
                        join_order_before="b join h",
                        join_order_after="h join b",
                        joins=(
                            TrialJoin(
                                tables=("public.bookings", "public.huts"),
                                before=JoinSeen(node=1, method="nested_loop", outer_actual_rows=48310, q_error=4025.8),
                                after=JoinSeen(node=2, method="hash", outer_actual_rows=48310, q_error=1.02),
                            ),
                        ),
                        joins_after=joins_after(),
                    ),
                ),
                "apply_ms": 77.5,
                "index_kb": 1208.0,
                "queries_planned": 7,
                "rank_before": 2,
            }
        )
        if REMEDY.trial
        else None
    }
)
"""The first change with all that a trial keeps of a query."""

INDEX_REMEDY = Remedy(
    rank=2,
    kind="new_index",
    sql=("CREATE INDEX CONCURRENTLY weather_logs_hut_id_idx ON public.weather_logs (hut_id);",),
    undo=("DROP INDEX CONCURRENTLY public.weather_logs_hut_id_idx;",),
    lock="SHARE UPDATE EXCLUSIVE",
    transactional=False,
    tables=("public.weather_logs",),
    columns=("hut_id",),
    confidence=0.4,
    reason="SubPlan 2 reads the whole table once for each booking",
)


def crossed_plan(**more: Any) -> Plan:
    values: dict[str, Any] = {
        "source": "winter-bookings.json",
        "query": QUERY,
        "query_id": "-4411829301",
        "server_version": 160004,
        "analyzed": True,
        "planning_ms": 0.8,
        "execution_ms": 1410.5,
        "runs_ms": (1398.0, 1410.5, 1431.2),
        "cache": "warm",
        "nodes": crossed_nodes(),
        "joins": (crossed_join(),),
        "findings": (FINDING,),
        "origins": (Origin(node=2, joins=(1,), q_error_here=4025.8),),
        "time_elsewhere": (
            TimeElsewhere(node=4, kind="subplan", ms=950.0, fact="SubPlan 2 ran 48,000 times"),
            TimeElsewhere(node=2, kind="rows_discarded", ms=None, fact="451,690 rows were read and thrown away"),
        ),
        "session": Session(
            role="warden", database="huts", search_path="public", row_security=True, settings={"work_mem": "4MB"}
        ),
        "missing": (
            Missing(
                what="the size of huts",
                why="the plan shows no page counts, so the cost of a hash join is known only within a factor",
                how="EXPLAIN (ANALYZE, BUFFERS, SETTINGS, FORMAT JSON) …",
            ),
        ),
        "notes": ("BUFFERS was off",),
    }
    return Plan(**{**values, **more})


def audit(*plans: Plan, **more: Any) -> Audit:
    joins = [join for plan in plans for join in plan.joins]
    values: dict[str, Any] = {
        "tool_version": "0.1.0",
        "plans": plans,
        "summary": Summary(
            plans=len(plans),
            joins=len(joins),
            crossed=sum(j.verdict == "crossed" for j in joins),
            held=sum(j.verdict == "held" for j in joins),
            undecided=sum(j.verdict == "undecided" for j in joins),
            accurate=sum(j.verdict == "accurate" for j in joins),
            misestimated_nodes=sum((n.q_error_low or n.q_error or 1) >= 10 for p in plans for n in p.nodes),
            execution_ms=sum(p.execution_ms or 0 for p in plans),
        ),
    }
    return Audit(**{**values, **more})


def crossed_audit() -> Audit:
    return audit(crossed_plan(), remedies=(REMEDY, INDEX_REMEDY))


def tried_audit() -> Audit:
    """The same after a trial."""
    return audit(crossed_plan(), remedies=(TRIED, INDEX_REMEDY))


def curve_audit() -> Audit:
    """A join with sampled cost curves."""
    return audit(crossed_plan(joins=(crossed_join(curve=curve_points()),)), remedies=(REMEDY,))


def inner_audit() -> Audit:
    """The inner side is wrong: three rulers."""
    return audit(crossed_plan(joins=(inner_wrong_join(),)), remedies=(REMEDY,))


def one_join_audit(join: Join, **more: Any) -> Audit:
    return audit(crossed_plan(joins=(join,), **more))


def quiet_audit() -> Audit:
    """Nothing crossed, nothing missing, the joins take most of the time."""
    nodes = tuple(n for n in crossed_nodes() if n.id < 4)
    return one_join_audit(
        accurate_join(missing=()), execution_ms=450.0, nodes=nodes, time_elsewhere=(), missing=(), findings=(), notes=()
    )


def mixed_audit() -> Audit:
    """One of each verdict, a failed query, and an input that could not be read."""
    return audit(
        crossed_plan(source="list.sql: winter bookings"),
        crossed_plan(source="list.sql: held", joins=(held_join(),), execution_ms=80.0, findings=()),
        crossed_plan(source="list.sql: undecided", joins=(undecided_join(),), execution_ms=70.0, findings=()),
        crossed_plan(source="list.sql: accurate", joins=(accurate_join(),), execution_ms=60.0, findings=()),
        crossed_plan(source="list.sql: inner side", joins=(inner_wrong_join(),), execution_ms=900.0),
        Plan(
            source="list.sql: flights",
            query="SELECT * FROM supply_flight",
            analyzed=False,
            outcome="failed",
            sqlstate="42P01",
            line=7,
            reason='relation "supply_flight" does not exist',
        ),
        remedies=(TRIED, INDEX_REMEDY),
        rejected=(Rejected(source="notes.txt", reason="no EXPLAIN output was found", where="line 1"),),
    )


def long_plan_audit(size: int = 5000) -> Audit:
    """A plan of `size` nodes: a chain of partitions' scans under appends, with the one crossed join on top."""
    nodes = list(crossed_nodes())
    for number in range(len(nodes), size):
        nodes.append(
            node(
                number,
                (0, 0, number - len(crossed_nodes())),
                "Seq Scan",
                relation=f"bookings_{number}",
                alias=f"bookings_{number}",
                parent_relationship="Member",
                estimated_rows=40.0,
                actual_rows=41.0,
                q_error=1.03,
                q_error_low=1.0,
                direction="even",
                own_ms=0.01,
            )
        )
    return audit(crossed_plan(nodes=tuple(nodes)), remedies=(REMEDY,))


def workload_audit(size: int = 1000) -> Audit:
    """As many queries as a long list has; every third crossed."""
    kinds = (crossed_join, held_join, accurate_join)
    plans = [
        crossed_plan(
            source=f"list.sql: query {number}",
            joins=(kinds[number % 3](),),
            execution_ms=100.0 + number,
            findings=(FINDING,) if number % 3 == 0 else (),
        )
        for number in range(size)
    ]
    return audit(*plans, remedies=(REMEDY, INDEX_REMEDY))
