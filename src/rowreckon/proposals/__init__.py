"""What to change: remedies for the causes found, merged over all plans and ranked. Pure."""

from collections.abc import Sequence

from rowreckon.document.audit import Missing, Remedy
from rowreckon.proposals.plan_audit import PlanAudit
from rowreckon.proposals.spared import with_spared_indexes


def propose(plans: Sequence[PlanAudit]) -> tuple[Remedy, ...]:
    """The remedies over all plans together, best first.

    Ranked by the expected share of the measured time that comes back times the confidence; between equals the less
    invasive first. None where nothing is wrong. Where an error harms no join, what mends a proven cause by statistics
    comes last, for the estimate alone.
    """
    if not any(plan.findings for plan in plans):
        return ()
    from rowreckon.proposals.rank import propose_all

    return propose_all(plans)


def missing_for(plan: PlanAudit) -> tuple[Missing, ...]:
    """The evidence that would decide more about one plan's causes, with the command that gets it."""
    from rowreckon.proposals.missing import missing_facts

    return missing_facts(plan)


__all__ = ["PlanAudit", "missing_for", "propose", "with_spared_indexes"]
