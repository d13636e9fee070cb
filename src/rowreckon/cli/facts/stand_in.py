"""The stand-in on the command line: what the script of `rowreckon ask` asks for it, and asking it in an audit."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rowreckon.capture import Capture
from rowreckon.document.audit import Audit, Plan, Rejected

if TYPE_CHECKING:
    from rowreckon.catalog.ask import MoreAsked
    from rowreckon.server.connecting.connection import Connection
    from rowreckon.server.stand_in.right_counts.counting import Count
    from rowreckon.server.stand_in.standing import StandIn
    from rowreckon.stand_in.facts import StandInFacts

Inputs = list[Capture | Rejected]

FACTS_ALONE: Final = '{"stand_in":'
"""How a file begins that holds nothing but what a stand-in is built from."""
FACTS_FILE: Final = "stand-in.facts"
"""What such a file is called in a folder of captures."""

_TOLD = """-- For a stand-in, an empty server that plans as this one does, it also prints definitions: of these
-- relations, of what belongs to them, and of the functions and types that they use. No function's body is taken.
-- Sampled values, and the ends of indexed columns, are {values}.
"""


def stand_in_part(plans: Sequence[Capture], query: Path | None, *, with_values: bool) -> MoreAsked:
    """What the script asks besides, for the relations of these plans and of their queries.

    Raises UsageError and UnreadableFile for `query`, the file with the plans' queries and others of the same database.
    """
    from rowreckon.catalog.ask import MoreAsked
    from rowreckon.stand_in.mentioned import concerned
    from rowreckon.stand_in.script.program import ANSWER_SETTING, REQUEST_SETTING, request_text, stand_in_program

    captures, others = with_queries(plans, query)
    relations, functions = concerned(captures, others.values())
    return MoreAsked(
        name="stand_in",
        request_setting=REQUEST_SETTING,
        request=request_text(relations, functions, with_values=with_values),
        program=stand_in_program(from_file=True),
        answer_setting=ANSWER_SETTING,
        told=_TOLD.format(values="included" if with_values else "left out, so that its estimates will be rough"),
    )


def with_queries(plans: Sequence[Capture], query: Path | None) -> tuple[list[Capture], dict[str, str]]:
    """The captures with their queries out of a list, and the list's other queries by their names.

    A plan's query is the one that has its name, or is saved under it; the rest go by their order where there are as
    many, and a plan without one may still be recognised by what a stand-in plans. Raises UsageError and UnreadableFile.
    """
    if query is None:
        return list(plans), {}
    from rowreckon.captures.capture_folder import file_name
    from rowreckon.cli.facts.executions import listed
    from rowreckon.errors import UsageError
    from rowreckon.plural import counted as told
    from rowreckon.server.lists.lists import read_lists

    lists = read_lists([query])
    if lists.unread:
        raise UsageError(f"--query can't be read: {lists.unread[0].reason}", where=lists.unread[0].source)
    there = listed(lists.items)
    left = dict(there.texts)
    saved = {_stem(file_name(name)): name for name in left}
    found = list(plans)
    for number, plan in enumerate(found):
        stem = _stem(plan.name)
        name = plan.name if plan.name in left else stem if stem in left else saved.get(stem, stem)
        if left.pop(name, None) is not None:
            found[number] = there.known(plan, name)
    open_ = [number for number, plan in enumerate(found) if not plan.query]
    if len(open_) > len(left):
        raise UsageError(
            f"--query holds {len(left)} of the queries of {told(len(open_), 'plan')}",
            hint="list one for every plan, by its file's name or in the plans' order",
        )
    names = next((n for n in (list(left), there.one_each(list(left))) if len(n) == len(open_)), None)
    if names is not None:
        for number, name in zip(open_, names, strict=True):
            found[number] = there.known(found[number], name)
        left = {}
    return found, left


def _stem(name: str) -> str:
    """A plan's name without its folder and endings."""
    return Path(name.partition("#")[0]).name.partition(".")[0]


def facts_in(answer: str) -> StandInFacts | None:
    """What the text holds for a stand-in, if it was asked for any: an answer, or a file of such facts alone.

    Raises BrokenPlan.
    """
    from rowreckon.catalog.ask import printed_answer
    from rowreckon.stand_in.facts import stand_in_facts

    if answer.startswith(FACTS_ALONE):
        return stand_in_facts(answer)
    text = printed_answer(answer, "stand_in", "stand_in")
    return None if text is None else stand_in_facts(text)


def facts_in_dumps(inputs: Inputs, texts: Sequence[str], query: Path | None) -> StandInFacts | None:
    """What dumps hold for a stand-in of the relations that the plans and their queries name; None without statistics.

    Raises BrokenPlan, and UsageError and UnreadableFile for `query`.
    """
    from rowreckon.stand_in.from_dump.facts import facts_of_dump, holds_statistics
    from rowreckon.stand_in.mentioned import concerned

    if not any(map(holds_statistics, texts)):
        return None
    captures, others = with_queries([item for item in inputs if isinstance(item, Capture)], query)
    return facts_of_dump(texts, concerned(captures, others.values())[0])


@dataclass(frozen=True, slots=True)
class Stood:
    """`inputs` with what a stand-in said of them; `foretold` asks it what an audit's remedies would do."""

    inputs: Inputs
    foretold: Callable[[Audit], Audit] = lambda audit: audit


@contextmanager
def asking_stand_in(
    inputs: Inputs,
    facts: StandInFacts,
    query: Path | None,
    threshold: float,
    servers: str | None,
    *,
    masked: bool,
) -> Iterator[Stood]:
    """A stand-in for as long as the block lasts, asked about the inputs; `servers` says where its programs are.

    Raises UsageError for `query`.
    """
    from rowreckon.captures.masked_words import masked_name
    from rowreckon.cli.running.progress import progress_bar
    from rowreckon.server.stand_in.asking import asked_stand_in
    from rowreckon.server.stand_in.changes.foretelling import foretell, listed_queries
    from rowreckon.server.stand_in.programs import named_programs

    named = named_programs(servers) if servers is not None else None
    captures, others = with_queries([item for item in inputs if isinstance(item, Capture)], query)
    with ExitStack() as stack:
        with progress_bar() as progress:
            asked = stack.enter_context(
                asked_stand_in(captures, facts, others=others, threshold=threshold, named=named, progress=progress)
            )
        there = asked.there

        def foretold(audit: Audit) -> Audit:
            if there is None:
                return audit
            queries = listed_queries(asked.captures, asked.others, facts, masked_name if masked else None)
            with progress_bar() as progress:
                return foretell(audit, there, facts, queries, masked=masked, progress=progress)

        found = iter(asked.captures)
        yield Stood([next(found) if isinstance(item, Capture) else item for item in inputs], foretold)


def facts_for(connection: Connection, captures: Sequence[Capture]) -> StandInFacts:
    """What a stand-in for these captures is built from, read from their own server. Raises StatementFailed."""
    from rowreckon.server.stand_in.gather import read_stand_in_facts
    from rowreckon.stand_in.mentioned import concerned

    return read_stand_in_facts(connection, *concerned(captures))


def save_facts(facts: StandInFacts, folder: Path) -> None:
    """Write them beside captures, for their owner alone to read. Raises UsageError."""
    from rowreckon.files import make_folder, write_whole

    make_folder(folder)
    write_whole(folder / FACTS_FILE, facts.model_dump_json(by_alias=True) + "\n", private=True)


@dataclass(frozen=True, slots=True)
class Counting:
    """Right counts for captures with a join off by `threshold`: `count` gives for one what counts on its own server.

    `masked` leaves literals out of a capture where that is asked for.
    """

    threshold: float
    count: Callable[[Capture], Count | None]
    masked: Callable[[Capture], Capture]


def foretold_by(
    facts: StandInFacts, audit: Audit, captures: Sequence[Capture], counting: Counting | None = None
) -> Audit:
    """The audit with what a stand-in built from these facts said of its changes, and of right counts if wanted.

    Raises CannotStart and its kin where none can be built.
    """
    if not audit.remedies and counting is None:
        return audit
    from rowreckon.cli.running.progress import progress_bar
    from rowreckon.server.stand_in.changes.foretelling import foretell, listed_queries
    from rowreckon.server.stand_in.standing import stand_in

    with progress_bar() as progress:
        progress("building a stand-in", 0, 1)
        with stand_in(facts) as there:
            if counting is not None:
                audit = _with_counts(facts, audit, captures, there, counting)
            return foretell(audit, there, facts, listed_queries(captures, {}, facts), progress=progress)


def _with_counts(
    facts: StandInFacts, audit: Audit, captures: Sequence[Capture], there: StandIn, counting: Counting
) -> Audit:
    from rowreckon.server.stand_in.asking import with_counts
    from rowreckon.server.stand_in.forging import Allowance

    allowed, found = Allowance(), {}
    for capture in captures:
        count = counting.count(capture)
        if count is not None:
            told = counting.masked(with_counts(capture, facts, there, counting.threshold, allowed, count))
            found[told.name] = told
    return audit.model_copy(update={"plans": tuple(_told(plan, found.get(plan.source)) for plan in audit.plans)})


def _told(plan: Plan, capture: Capture | None) -> Plan:
    """The plan with what its capture holds of right counts."""
    if capture is None:
        return plan
    notes = tuple(dict.fromkeys((*plan.notes, *capture.notes)))
    return plan.model_copy(update={"with_right_counts": capture.right_counts, "notes": notes})
