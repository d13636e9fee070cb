"""What is done with the queries of a list once a change is in force on one side: re-plan all, run what matters."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from statistics import median

from rowreckon.document.audit import Audit
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Planned, Runs, audited, order_of
from rowreckon.trial.measured import Attempt, Change, QueryMeasure
from rowreckon.trial.plan_words import written_tables

Report = Callable[[str], None]
"""What is being done."""


@dataclass(slots=True)
class Comparing:
    """The queries of one attempt. `before` and `after` are the plans on either side by number; runs are added."""

    audit: Audit
    items: Sequence[QueryItem]
    attempt: Attempt
    rules: TrialRules
    before: dict[int, Planned]
    after: dict[int, Planned] = field(default_factory=dict)
    runs: dict[int, tuple[Runs, Runs]] = field(default_factory=dict)
    seen: dict[int, int] = field(default_factory=dict)
    """In how many samples of ANALYZE the plan was another one."""
    samples: int = 1

    def changed(self, number: int) -> Change:
        """Whether the change brings another plan, as the first sample showed it."""
        one, other = self.before.get(number), self.after.get(number)
        if one is None or other is None or one.shape is None or other.shape is None:
            return "unknown"
        return "plan_same" if one.shape == other.shape else "plan_changed"

    def to_run(self) -> list[int]:
        """The queries that the change is meant for, those whose plan changed, and writes that keep its index up."""
        wanted = [n for n in range(len(self.items)) if n in self.attempt.victims]
        others = [n for n in range(len(self.items)) if n not in self.attempt.victims]
        wanted += [n for n in others if self.changed(n) == "plan_changed"]
        wanted += [n for n in others if n not in wanted and self._maintains(n)]
        return wanted

    def note_sample(self, number: int, planned: Planned) -> bool:
        """Count a further sample's plan; True if it is the first that differs from the plan without the change."""
        one = self.before.get(number)
        if one is None or one.shape is None or planned.shape is None or planned.shape == one.shape:
            return False
        self.seen[number] = self.seen.get(number, 0) + 1
        return self.seen[number] == 1 and self.changed(number) != "plan_changed"

    def measures(self) -> tuple[QueryMeasure, ...]:
        """Everything that is known, by query."""
        return tuple(self._measure(n) for n in range(len(self.items)))

    def notes(self) -> tuple[str, ...]:
        """What of the times with the change went into temporary tables."""
        found = []
        for number, fillings in self.attempt.fillings.items():
            _, with_change = self.runs.get(number, (Runs(), Runs()))
            if with_change.filled_ms:
                names = " and ".join(filling.table for filling in fillings)
                spent = f"{median(with_change.filled_ms):,.1f} ms"
                found.append(f"filling and analyzing {names} takes {spent} of the time with the new text")
        return tuple(found)

    def _measure(self, number: int) -> QueryMeasure:
        without, with_change = self.runs.get(number, (Runs(), Runs()))
        change = self.changed(number)
        basis, share = None, 1.0
        times = self.seen.get(number, 0) + (change == "plan_changed")
        if self.samples > 1 and 0 < times < self.samples:
            change, share = "plan_changed", times / self.samples
            basis = f"with {times} of {self.samples} samples of ANALYZE"
        elif change == "plan_same" and self._maintains(number):
            basis = "it writes to the table, whose indexes it maintains"
        planned = self.after.get(number) or self.before.get(number)
        meant = number in self.attempt.victims
        reason = with_change.reason or without.reason or (planned.reason if planned is not None else None)
        return QueryMeasure(
            plan=number,
            name=self.items[number].name,
            change=change,
            before=without.times(),
            after=with_change.times(),
            plan_before=audited(without, self.rules.threshold) if meant else None,
            plan_after=audited(with_change, self.rules.threshold) if meant else None,
            order_before=order_of(without.last),
            order_after=order_of(with_change.last),
            basis=basis,
            reason=reason,
            share=share,
        )

    def _maintains(self, number: int) -> bool:
        """Whether the query writes to a table whose indexes the change alters."""
        if self.items[number].kind != "write":
            return False
        planned = self.before.get(number)
        tables = {t for r in self.attempt.remedies if r.kind in ("new_index", "drop_index") for t in r.tables}
        return planned is not None and planned.shape is not None and bool(tables & written_tables(planned.shape))
