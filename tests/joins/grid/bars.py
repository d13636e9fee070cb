"""The bars over a set of measured joins, as one table and the list of misses."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from .measure import Measured


@dataclass
class Bar:
    """Hits of all, and what missed; `answered` of `asked` where a basis may stay silent."""

    name: str
    hits: int = 0
    answered: int = 0
    asked: int = 0
    misses: list[str] = field(default_factory=list)

    def add(self, hit: bool | None, told: str) -> None:
        """One answer: True or False, None where nothing was said."""
        self.asked += 1
        if hit is None:
            self.misses.append(f"silent: {told}")
            return
        self.answered += 1
        self.hits += hit
        if not hit:
            self.misses.append(told)

    @property
    def share(self) -> float:
        """Hits among the answers; no answer is no hit."""
        return self.hits / self.answered if self.answered else 0.0

    @property
    def share_of_asked(self) -> float:
        """Hits among all that was asked: silence counts as a miss."""
        return self.hits / self.asked if self.asked else 0.0

    @property
    def coverage(self) -> float:
        """Answers among all that was asked."""
        return self.answered / self.asked if self.asked else 0.0

    def line(self) -> str:
        """One row of the table."""
        return f"{self.name:<28} {self.share_of_asked:7.1%} of all, {self.share:7.1%} of {self.answered}/{self.asked}"


NAMES = (
    *("chosen", "others", "switch", "precision", "recall", "precision with ties", "recall with ties", "decided"),
    "held",
)
_WRONGLY_HELD = 1.1
"""From how many times the cost of the method that the server takes with right estimates on a `held` is wrong."""

LIMITS = {
    "catalog": {"chosen": 0.001, "others": 0.01, "switch": 0.02},
    "plan": {"chosen": 0.01, "others": 0.25, "switch": 1.0},
}


PARALLEL_LIMITS = {"chosen": 0.01, "others": 0.01, "switch": 0.05}


def bars(measured: Iterable[Measured], basis: str, limits: dict[str, float] | None = None) -> dict[str, Bar]:
    """chosen, others, switch; precision and recall of `crossed`; how many verdicts were decided, on one basis.

    `crossed` is by its definition what another method does more than 1% cheaper. Where the server's own costs, its
    estimate made right, lie within that of each other, a method is taken by tie rules: `precision` and `recall` leave
    these out, `... with ties` have them.
    """
    found = {n: Bar(f"{basis} {n}") for n in NAMES}
    limit = limits or LIMITS[basis]
    for row in (m for m in measured if m.basis == basis):
        told = f"{row.case} [{row.join}] {row.method}"
        found["chosen"].add(
            _within(row.modelled, row.printed, limit["chosen"]), f"{told} {row.modelled} / {row.printed}"
        )
        for method, (server, modelled) in row.others.items():
            found["others"].add(_within(modelled, server, limit["others"]), f"{told} -> {method} {modelled} / {server}")
        if row.flips_known:
            _switches(found["switch"], row, limit["switch"], told)
        if row.truth is not None:
            truly = row.truth != row.method
            says = f"{told} verdict {row.verdict}, right estimate {row.truth}: {row.why}"
            found["decided"].add(None if row.verdict == "undecided" else True, says)
            if row.verdict == "held":
                found["held"].add(not truly or (row.lost is not None and row.lost < _WRONGLY_HELD), says)
            for ties in ("", " with ties"):
                if row.tied and not ties:
                    continue
                if row.verdict == "crossed":
                    found[f"precision{ties}"].add(truly, says)
                if truly:
                    found[f"recall{ties}"].add(row.verdict == "crossed", says)
    return found


def _switches(bar: Bar, row: Measured, limit: float, told: str) -> None:
    """Each live flip against a switch point of the same kind, and points that no flip stands for.

    A point is right within the limit of the flip that was found from afar, or where the planner was seen to flip.
    """
    points = list(zip(row.points, row.confirmed, strict=True))
    for below, above, rows in row.flips:
        same = [p for p in points if p[0][:2] == (below, above)]
        best = min(same, key=lambda p: (not p[1], abs(p[0][2] - rows)), default=None)
        says = f"{told}: flips {below}->{above} at {rows:g}, model {[(p[0], p[1], p[2]) for p in row.points]}"
        if best is None:
            bar.add(None if row.modelled is None or row.basis == "plan" else False, says)
            continue
        if best in points:
            points.remove(best)
        error = max(best[0][2], rows) / min(best[0][2], rows) - 1.0
        bar.add(best[1] or error <= limit or abs(best[0][2] - rows) <= 1.0, says)
    for (below, above, rows, _, _), confirmed in points if row.basis == "catalog" else []:
        bar.add(confirmed, f"{told}: no flip for {below}->{above} at {rows:g}, live {row.flips}")


def _within(modelled: float | None, server: float, limit: float) -> bool | None:
    if modelled is None:
        return None
    return abs(modelled - server) <= max(limit * server, 0.011)


def table(measured: list[Measured]) -> str:
    """All bars of both bases."""
    lines: list[str] = []
    for basis in ("catalog", "plan"):
        lines += [bar.line() for bar in bars(measured, basis).values()]
    return "\n".join(lines)
