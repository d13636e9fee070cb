"""What the product answers: the audit of a case's whole list, taken through its public command."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rowreckon.document.audit import Audit, Finding, Plan, Remedy
from tests.cli.running import rowreckon_long

from .model import Fault, Trap

AT_FAULT = "the query at fault"


@dataclass(frozen=True)
class Answer:
    """The audit, and what of it belongs to the query at fault."""

    audit: Audit
    plan: Plan
    remedies: tuple[Remedy, ...]

    @property
    def first_remedy(self) -> Remedy | None:
        return self.remedies[0] if self.remedies else None

    @property
    def first_cause(self) -> Finding | None:
        """What the first remedy is for; where nothing is to try, the first finding of the plan."""
        number = self.audit.plans.index(self.plan)
        remedy = self.first_remedy
        meant = [ref.finding for ref in remedy.findings if ref.plan == number] if remedy is not None else []
        found = self.plan.findings
        if meant:
            return found[min(meant)]
        return found[0] if found else None


def list_text(others: Mapping[str, str], prelude: tuple[str, ...], query: str) -> str:
    """The query list: the others first, so that the settings of the query at fault are for that one alone."""
    parts = [f"-- name: {name}\n{text};" for name, text in others.items()]
    return "\n\n".join([*parts, *(f"{each};" for each in prelude), f"-- name: {AT_FAULT}\n{query};"]) + "\n"


def answer(command: str, dsn: str, case: Fault | Trap, folder: Path) -> Answer:
    """What `sweep` or `trial` says of the case's list. Raises AssertionError where the command did not do its work."""
    listed = folder / "list.sql"
    listed.write_text(list_text(case.others, case.prelude, case.query))
    arguments = [command, str(listed), "--dsn", dsn, "--format", "json"]
    if isinstance(case, Fault) and case.role is not None:
        arguments += ["--role", case.role]
    if command == "trial":
        arguments += ["--yes"]
    done = rowreckon_long(*arguments)
    assert done.stdout, (case.name, done.returncode, done.stderr)
    audit = Audit.model_validate_json(done.stdout)
    number = next(at for at, plan in enumerate(audit.plans) if plan.source.endswith(AT_FAULT))
    assert audit.plans[number].outcome == "ran", (case.name, audit.plans[number].reason)
    mine = tuple(remedy for remedy in audit.remedies if any(ref.plan == number for ref in remedy.findings))
    return Answer(audit, audit.plans[number], mine)
