"""What a cause's check hands back: a candidate, and the finding that it becomes.

Weights are Bayes factors: how many times likelier the evidence is where the cause is right than where it is another
that nobody thought of, all causes being as likely beforehand. Each is the lower bound of its grade in R. E. Kass and
A. E. Raftery, "Bayes Factors", Journal of the American Statistical Association 90 (1995), section 3.2: from 3 on the
evidence is positive, from 20 on strong, from 150 on very strong.
"""

from __future__ import annotations

from rowreckon.document.audit import Basis, Evidence, Finding, Join
from rowreckon.frozen import frozen
from rowreckon.remedies.subject import Subject

PROVEN = 150.0
"""The evidence leaves hardly room for a rival: counts of the plan or the catalog show it."""
STRONG = 20.0
"""The evidence fits this cause and contradicts the usual rivals."""
LIKELY = 3.0
"""The pattern is typical, nothing contradicts it: inferred, as a rule from the plan alone."""
POSSIBLE = 1.0
"""The pattern fits, and so does another cause's."""
WEAK = 1 / 3
"""Thinkable; nothing speaks for it but the absence of something better."""

DOUBT = 1.0
"""Weight of the causes that nobody thought of."""


def alone(weight: float) -> float:
    """The confidence in a cause that has no rival but the doubt."""
    return weight / (weight + DOUBT)


@frozen
class Candidate:
    """One cause that may explain an error, with the weight of its evidence against its rivals'.

    `explains` is the factor of the error that it accounts for by figures of the plan and the catalog, None where they
    do not tell.
    """

    code: str
    weight: float
    basis: Basis
    summary: str
    evidence: tuple[Evidence, ...]
    subject: Subject
    explains: float | None = None


def apart(one: float, other: float) -> float:
    """The factor between two counts, at least 1; below one row none is told apart."""
    low, high = sorted((max(one, 1.0), max(other, 1.0)))
    return high / low


@frozen
class CauseFinding:
    """A finding of the audit document, with the typed data that remedies need.

    `factor` is the error that enters at the node; `harms` says whether some join's method suffers from it:
    "crossed" (proven), "undecided" (open), "nothing" (every join that it reaches keeps the cheapest method),
    "time" (the join itself is slow).
    """

    finding: Finding
    subject: Subject
    factor: float
    harms: str

    @property
    def code(self) -> str:
        """The cause's code, as in the report contract."""
        return self.finding.code


@frozen
class JoinCandidate:
    """A cause told of a join itself, not of a node where an error enters.

    `ratio` is the modelled cost of the join as it ran over what it would be without the cause, `harms` as in
    CauseFinding ("time": the join is slow, whatever its estimates). `last_resort`: told only of a join whose estimate
    no other cause's remedy mends.
    """

    code: str
    join: Join
    harms: str
    subject: Subject
    ratio: float
    confidence: float
    basis: Basis
    summary: str
    evidence: tuple[Evidence, ...]
    last_resort: bool = False


@frozen
class ScanCandidate:
    """A cause told of a scan that most of the time goes to, whatever its estimate; `ratio` as in JoinCandidate."""

    code: str
    node: int
    subject: Subject
    ratio: float
    confidence: float
    basis: Basis
    summary: str
    evidence: tuple[Evidence, ...]


def fact(text: str, value: str | float | int | bool | None, source: str) -> Evidence:
    """One piece of evidence; `source` says where the value stands (plan, catalog, settings)."""
    return Evidence.model_construct(fact=text, value=value, from_=source)
