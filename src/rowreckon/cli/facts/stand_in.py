"""The stand-in on the command line: what the script of `rowreckon ask` asks for it, and asking it in an audit."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.document.audit import Rejected

if TYPE_CHECKING:
    from rowreckon.catalog.ask import MoreAsked
    from rowreckon.stand_in.facts import StandInFacts

Inputs = list[Capture | Rejected]

_TOLD = """-- For a stand-in, an empty server that plans as this one does, it also prints definitions: of these
-- relations, of what belongs to them, and of the functions and types that they use. No function's body is taken.
-- Sampled values, and the ends of indexed columns, are {values}.
"""


def stand_in_part(plans: Sequence[Capture], query: Path | None, *, with_values: bool) -> MoreAsked:
    """What the script asks besides, for the relations of these plans and of their queries.

    Raises UsageError and UnreadableFile for `query`, which is the file with the one plan's query.
    """
    from rowreckon.catalog.ask import MoreAsked
    from rowreckon.catalog.wanted import wanted_facts
    from rowreckon.plan.tree import lay_out
    from rowreckon.stand_in.mentioned import mentioned
    from rowreckon.stand_in.program import ANSWER_SETTING, REQUEST_SETTING, request_text, stand_in_program

    trees = [lay_out(plan.explain.plan) for plan in plans if plan.explain is not None]
    request = wanted_facts(trees, trust="file")
    relations = {(each.schema_name, each.name) for each in request.relations}
    functions: set[str] = set(request.functions)
    for text in [plan.query for plan in with_query(plans, query) if plan.query]:
        more_relations, more_functions = mentioned(text)
        relations |= more_relations
        functions |= more_functions
    return MoreAsked(
        name="stand_in",
        request_setting=REQUEST_SETTING,
        request=request_text(relations, functions, with_values=with_values),
        program=stand_in_program(from_file=True),
        answer_setting=ANSWER_SETTING,
        told=_TOLD.format(values="included" if with_values else "left out, so that its estimates will be rough"),
    )


def with_query(plans: Sequence[Capture], query: Path | None) -> list[Capture]:
    """The captures, the one among them with the query of this file. Raises UsageError and UnreadableFile."""
    if query is None:
        return list(plans)
    from rowreckon.errors import UsageError
    from rowreckon.server.lists.lists import read_lists

    lists = read_lists([query])
    if len(lists.items) != 1 or lists.unread or len(plans) != 1:
        raise UsageError(
            f"--query goes with one plan and holds one statement; here are {len(plans)} and {len(lists.items)}",
            hint="give the plans one by one",
        )
    return [plan.model_copy(update={"query": lists.items[0].text}) for plan in plans]


def facts_in(answer: str) -> StandInFacts | None:
    """What the text holds for a stand-in, if it was asked for any. Raises BrokenPlan."""
    from rowreckon.catalog.ask import printed_answer
    from rowreckon.stand_in.facts import stand_in_facts

    text = printed_answer(answer, "stand_in", "stand_in")
    return None if text is None else stand_in_facts(text)


def asked_of_stand_in(
    inputs: Inputs, facts: StandInFacts, query: Path | None, threshold: float, folder: Path | None
) -> Inputs:
    """The inputs with what a stand-in said of them. Raises UsageError for `query`."""
    from rowreckon.cli.running.progress import progress_bar
    from rowreckon.server.stand_in.asking import ask_stand_in

    captures = with_query([item for item in inputs if isinstance(item, Capture)], query)
    with progress_bar() as progress:
        found = iter(ask_stand_in(captures, facts, threshold=threshold, folder=folder, progress=progress))
    return [next(found) if isinstance(item, Capture) else item for item in inputs]
