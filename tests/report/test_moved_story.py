"""What a reader is told of how far facts may move, and what masking leaves of it."""

from __future__ import annotations

import pytest

from rowreckon.document.audit import Audit, FactLimit, Foretold, ForetoldQuery, MovedFacts, RightCounts
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.mask import mask_document, mask_names
from rowreckon.report.story.moved_story import moved_line
from rowreckon.report.story.right_counts_story import right_counts_line
from rowreckon.report.words.changes.touch_words import foretold_words
from rowreckon.report.words.escape import plain

from . import factories as f
from .sentences import of_audit, too_long

BOTH = FactLimit(fact="rows of tours_of_huts", value=9_000.0, from_=3_000.0, to=45_000.0)
STAYS = "keeps the nested loop while rows of tours_of_huts stay"
OPEN = FactLimit(fact="distinct values of tours_of_huts.leader", value=7.0)


def _audit(*limits: FactLimit) -> Audit:
    audit = f.crossed_audit()
    plan = audit.plans[0]
    moved = MovedFacts(join=plan.joins[0].node, turns_at=limits, asked=40)
    return audit.model_copy(update={"plans": (plan.model_copy(update={"moved_facts": (moved,)}),)})


@pytest.mark.parametrize(
    ("limits", "told"),
    [
        ((BOTH, OPEN), f"{STAYS} from 3,000 to 45,000 (now 9,000)."),
        (
            (BOTH.model_copy(update={"to": None}),),
            f"{STAYS} from 3,000 on (now 9,000).",
        ),
        (
            (BOTH.model_copy(update={"from_": None}),),
            f"{STAYS} up to 45,000 (now 9,000).",
        ),
        ((OPEN,), "keeps its join methods as far as 1 fact were moved, each alone."),
    ],
)
def test_one_line_in_every_format(limits: tuple[FactLimit, ...], told: str) -> None:
    """The fact that turns it soonest, short, and nothing where nobody was asked."""
    audit = _audit(*limits)
    line = moved_line(audit.plans[0])

    assert line is not None
    assert plain(line) == f"On a stand-in the planner {told}"
    assert too_long(of_audit(audit)) == []
    assert "If facts move" in render_markdown(audit)
    assert "If facts move" in render_html(audit)
    assert moved_line(f.crossed_audit().plans[0]) is None


def test_right_counts_and_changes_say_how_long_they_stay() -> None:
    """In a sentence of their own, behind what they foretell."""
    right = RightCounts(order_changed=True, plan={"Node Type": "Hash Join"}, moved_facts=MovedFacts(turns_at=(BOTH,)))
    plan = f.crossed_audit().plans[0].model_copy(update={"with_right_counts": right})
    line = right_counts_line(plan)
    assert line is not None
    assert plain(line).endswith(" That plan comes while rows of tours_of_huts stay from 3,000 to 45,000 (now 9,000).")

    query = ForetoldQuery(query="leaders", change="plan_changed", cost_before=10, cost_after=5)
    moved = MovedFacts(query="leaders", turns_at=(BOTH,))
    remedy = f.crossed_audit().remedies[0]
    for changed, said in ((1, "The new plan comes"), (2, "That of leaders comes")):
        told = Foretold(planned=3, changed=changed, queries=(query,), moved_facts=(moved,))
        words = plain(foretold_words(remedy.model_copy(update={"foretold": told})))
        assert words.endswith(f"{said} while rows of tours_of_huts stay from 3,000 to 45,000 (now 9,000).")


def test_masking_leaves_the_numbers_alone() -> None:
    """A name that is a pseudonym elsewhere is one here; without masked captures no sentence is left."""
    audit = _audit(BOTH)
    node = audit.plans[0].nodes[0].model_copy(update={"relation": "tours_of_huts"})
    named = audit.model_copy(update={"plans": (audit.plans[0].model_copy(update={"nodes": (node,)}),)})
    masked = mask_names(named, b"k" * 32).audit
    limit = masked.plans[0].moved_facts[0].turns_at[0]

    assert "tours_of_huts" not in masked.model_dump_json()
    assert (limit.value, limit.from_, limit.to) == (9_000.0, 3_000.0, 45_000.0)
    left = mask_document(audit).plans[0].moved_facts[0].turns_at[0]
    assert ("tours_of_huts" in left.fact, left.value) == (False, 9_000.0)
