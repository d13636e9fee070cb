"""Why an estimate was wrong: root causes, each weighed on the evidence at hand against its rivals.

One cause is one module, whose doc says what it finds, why it hurts, the evidence, the remedy and when it is wrong;
`registry` lists them. Pure: no I/O, no clock.
"""

from rowreckon.causes.evidence import CauseEvidence
from rowreckon.causes.finding import CauseFinding
from rowreckon.remedies.subject import FunctionName, Subject, TableName


def find_causes(evidence: CauseEvidence) -> tuple[CauseFinding, ...]:
    """The causes of one plan's misestimates: the most harmful first, then the largest error, then the most certain.

    Every node at which a large error enters, or one that a misestimated join suffers from, gets its likeliest causes;
    `unexplained` where none outweighs the doubt. Confidences of rivals at one node add up to at most 1.
    """
    from rowreckon.causes.weigh import find_all

    return find_all(evidence)


__all__ = ["CauseEvidence", "CauseFinding", "FunctionName", "Subject", "TableName", "find_causes"]
