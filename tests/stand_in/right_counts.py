"""A seeded fault asked about: what right counts foretell on a stand-in, and the server's plan after a cure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from psycopg import sql

from rowreckon.capture import Capture
from rowreckon.document.plan import RightCounts
from rowreckon.errors import RowreckonError
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.document import parse_document
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.for_role import planned_for_its_role
from rowreckon.server.stand_in.right_counts.asking import ask_right_counts
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.right_counts.shapes import order_of
from rowreckon.stand_in.settings import planning_settings
from tests.second_faults.model import Fault
from tests.second_faults.sessions import after, seeded

from .test_same_plans import facts_of, folder_of

NODE = ("Node Type", "Schema", "Relation Name", "Alias", "Index Name", "Join Type")


@dataclass(frozen=True)
class Told:
    """What came of a fault: `reason` where it could not be asked about."""

    fault: Fault
    found: RightCounts | None
    notes: tuple[str, ...]
    executed: dict[str, Any]
    cured: dict[str, Any]
    reason: str = ""

    @property
    def reached(self) -> bool:
        """Whether every count of the plan could be made right."""
        return self.found is not None and not self.found.not_reached

    @property
    def agrees(self) -> bool:
        """Whether the plan foretold is the plan after the cure, node by node."""
        return self.found is not None and self.found.plan is not None and shape(self.found.plan) == shape(self.cured)

    @property
    def turns(self) -> bool:
        """Whether the cure changes the plan, so that there is something to foretell."""
        return shape(self.executed) != shape(self.cured)

    @property
    def reorders(self) -> bool:
        """Whether the cure changes which relations are joined first."""
        return order_of(self.executed, frozenset()) != order_of(self.cured, frozenset())

    @property
    def line(self) -> str:
        """All of it in one line."""
        changed = "changed" if self.turns else "stays"
        ratio = self.found.cost_ratio if self.found else None
        marks = f"cure: {changed}; reached {self.reached}, agrees {self.agrees}, ratio {ratio}"
        return f"{self.fault.name} [{self.fault.code}]: {marks}; {'; '.join(self.notes)} {self.reason}"


def shape(plan: dict[str, Any]) -> tuple[Any, ...]:
    """Nodes, relations, indexes and join types, in their order."""
    return (*(plan.get(key) for key in NODE[:1] + NODE[3:]), tuple(shape(child) for child in plan.get("Plans", ())))


def told(server: str, fault: Fault, major: int) -> Told:
    """Run the fault's query, ask a stand-in for its plan with right counts, then cure it and see."""
    with seeded(server, fault) as dsn:
        with connected(dsn) as connection:
            for statement in fault.prelude:
                connection.execute(statement.encode())
            facts = facts_of(connection, [fault.query, *fault.prelude])
            if fault.role is not None:
                connection.execute(sql.SQL("set role {}").format(sql.Identifier(fault.role)))
            row = connection.execute(f"explain (analyze, settings, format json) {fault.query}".encode()).fetchone()
            assert row is not None
        document = row[0][0]
        capture = Capture(
            name=fault.name,
            query=fault.query,
            server_version=facts.server.version,
            settings=document.get("Settings", {}),
            explain=parse_document(document),
        )
        settings = planning_settings({}, capture.settings)
        found: RightCounts | None = None
        notes: tuple[str, ...] = ()
        reason = ""
        with stand_in(facts, folder_of(major)) as there:
            try:
                planner, _ = planned_for_its_role(
                    there.planner, facts, fault.query, settings, document["Plan"], fault.role
                )
                answer = ask_right_counts(
                    fault.query,
                    document["Plan"],
                    reckoned_of(capture),
                    facts,
                    settings,
                    there.statistics_dsn,
                    planner.role,
                )
                found, notes = answer.right_counts, answer.notes
            except RowreckonError as error:
                reason = str(error)
        cured = after(dsn, fault, fault.cure, query=fault.cured_query, place=fault.cured_place)
    return Told(fault, found, notes, document["Plan"], cured.plan, reason)
