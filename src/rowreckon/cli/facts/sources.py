"""Facts for plans that came without: of a server, of what a colleague's psql printed, of schema files; saving both."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from rowreckon.bounded import MOST_TEXT, read_bytes
from rowreckon.capture import Capture
from rowreckon.cli.running.status import (
    Happened,
    lacking_facts,
    of_another_database,
    planner_not_asked,
    stand_in_not_asked,
)
from rowreckon.cli.server_options import confirm, connector
from rowreckon.document.audit import Rejected
from rowreckon.errors import InputError, UsageError
from rowreckon.files import shown

if TYPE_CHECKING:
    from rowreckon.cli.facts.stand_in import Stood
    from rowreckon.declared.reading import SchemaFiles

Inputs = list[Capture | Rejected]

_ANSWERS = (b'"facts_md5"', b'"stand_in_md5"')


def check_facts_options(
    dsn: str | None, facts: Sequence[Path] | None, query: Path | None, *, needs_server: bool
) -> None:
    """Raises UsageError where options want a server, or facts, that the command line does not name."""
    if dsn is None and needs_server:
        raise UsageError("--role and --set need a server", hint="give --dsn or --dsn-file as well")
    if dsn is None and not facts and query is not None:
        raise UsageError("--query needs a server, or facts for a stand-in", hint="give --dsn, --dsn-file or --facts")
    if dsn is not None and facts:
        raise UsageError("--dsn and --facts both bring facts", hint="give one of them")


def facts_of_server(
    inputs: Inputs,
    dsn: str,
    query: Path | None,
    role: str | None,
    settings: Sequence[str],
    threshold: float,
    *,
    with_values: bool,
    privileged: bool,
) -> Inputs:
    """The inputs with a server's facts; nothing is executed there. Raises UsageError, CannotConnect and their kin, and
    StatementRefused for a role that nothing bounds, unless `privileged` permits it or somebody says so."""
    from rowreckon.server.connecting.privileges import require_plain_role
    from rowreckon.server.lists.lists import read_lists
    from rowreckon.server.lists.options import setting_statements
    from rowreckon.server.sweeping.enrich import add_facts

    captures = [item for item in inputs if isinstance(item, Capture)]
    statements = setting_statements(role, settings)
    item = None
    if query is not None:
        lists = read_lists([query])
        items = lists.items
        if len(items) != 1 or lists.unread or len(captures) != 1:
            raise UsageError(
                f"--query goes with one plan and holds one statement; here are {len(captures)} and {len(items)}",
                hint="audit the plans one by one",
            )
        item = items[0]
    if not captures:
        return inputs
    with connector(dsn)() as connection:
        require_plain_role(connection, allowed=privileged, confirm=confirm())
        found = iter(
            add_facts(connection, captures, statements, threshold=threshold, item=item, with_values=with_values)
        )
    return [next(found) if isinstance(item, Capture) else item for item in inputs]


def names_no_tables(inputs: Inputs) -> str:
    """Why plans that are said to be of one database tell each other nothing: a sentence, or nothing where they can."""
    from rowreckon.joins.learning.plan_evidence import names_schemas

    plans = [item.explain.plan for item in inputs if isinstance(item, Capture) and item.explain is not None]
    if len(plans) < 2:
        return "--one-database: there are no other plans to learn from; give several"
    if sum(map(names_schemas, plans)) < 2:
        return "--one-database: the plans name no schemas, so none tells of another's tables; take EXPLAIN (VERBOSE)"
    return ""


def without_facts(inputs: Inputs, dsn: str | None, facts: Sequence[Path] | None, query: Path | None) -> Happened:
    """Which of the captures lack what a server or files were to give: facts, or a planner's answers about the query."""
    captures = [item for item in inputs if isinstance(item, Capture)]
    found = of_another_database(captures) if dsn is not None or facts else Happened()
    if facts and query is not None:
        found.add(stand_in_not_asked(captures))
    return found if dsn is None else found.add(lacking_facts(captures)).add(planner_not_asked(captures))


def facts_of_answer(inputs: Inputs, answer: Path, most_bytes: int = MOST_TEXT) -> Inputs:
    """The inputs with the facts of an answer to `rowreckon ask`, which was asked about the same plans in this order.

    `most_bytes` bounds the answer. Raises UnreadableFile, InputTooLarge, NotAPlan or BrokenPlan for it, and UsageError
    where it was about other plans.
    """
    from rowreckon.catalog.ask import read_answers
    from rowreckon.catalog.drift import drift_notes
    from rowreckon.catalog.wanted import wanted_facts
    from rowreckon.plan.tree import lay_out

    planned = [c for c in inputs if isinstance(c, Capture) and c.explain is not None]
    text = read_bytes(answer, most_bytes, "the answer").decode("utf-8", "replace")
    catalogs = read_answers(text, plans=len(planned))
    found: Inputs = []
    rest = iter(catalogs)
    for item in inputs:
        if isinstance(item, Rejected) or item.explain is None:
            found.append(item)
            continue
        catalog, tree = next(rest), lay_out(item.explain.plan)
        asked = {(r.schema_name, r.name) for r in wanted_facts([tree]).relations}
        if asked != {(n.schema_, n.name) for n in catalog.names}:
            raise UsageError(
                f"the answer is about other tables than the plan {item.name}",
                where=str(answer),
                hint="give the same plans, in the same order, as to `rowreckon ask`",
            )
        version = item.server_version or catalog.server_version
        notes = (*item.notes, *drift_notes(tree, catalog))
        found.append(item.model_copy(update={"catalog": catalog, "server_version": version, "notes": notes}))
    return found


@contextmanager
def with_stand_in(
    inputs: Inputs,
    paths: Sequence[Path],
    query: Path | None,
    threshold: float,
    servers: str | None,
    most_bytes: int,
    *,
    wanted: bool,
    masked: bool,
) -> Iterator[Stood]:
    """The inputs with what a stand-in said of them, where the answer holds what one is built from and it is `wanted`.

    It stands until the block ends. Raises BrokenPlan for the answer, UsageError for a query without facts for it.
    """
    from rowreckon.cli.facts.stand_in import Stood, asking_stand_in, facts_in, facts_in_dumps

    if query is not None and paths and not wanted:
        raise UsageError(
            "--query is for a stand-in, and --no-stand-in does without one", hint="leave out one of the two"
        )
    facts = None
    if wanted and paths:
        texts = [read_bytes(path, most_bytes, "the file of facts").decode("utf-8", "replace") for path in paths]
        facts = facts_in(texts[0]) if len(texts) == 1 else None
        facts = facts if facts is not None else facts_in_dumps(inputs, texts, query)
    if facts is not None:
        with asking_stand_in(inputs, facts, query, threshold, servers, masked=masked) as stood:
            yield stood
        return
    if query is not None and paths:
        raise UsageError(
            "--query is for a stand-in, and the facts hold none",
            hint="write the script with `rowreckon ask --stand-in`, dump with --statistics, or leave out --query",
        )
    yield Stood(inputs)


def facts_of_files(inputs: Inputs, paths: Sequence[Path], most_bytes: int) -> tuple[Inputs, Happened]:
    """The inputs with what the files tell, and a sentence for each schema file that could not be read.

    Raises UsageError where an answer stands beside other files, the errors of `facts_of_answer` for an answer, and
    InputError where no schema file could be read.
    """
    from rowreckon.cli.facts.stand_in import FACTS_ALONE

    contents: list[tuple[str, bytes]] = []
    errors: list[InputError] = []
    for path in paths:
        try:
            contents.append((shown(path), read_bytes(path, most_bytes, "the file of facts")))
        except InputError as error:
            errors.append(error)
    alone = [name for name, content in contents if content.startswith(FACTS_ALONE.encode())]
    if alone and len(paths) == 1:
        return inputs, Happened()
    answers = [name for name, content in contents if any(mark in content for mark in _ANSWERS)] or alone
    if answers and len(paths) > 1:
        raise UsageError(
            "an answer to `rowreckon ask`, or a stand-in's facts, needs no other file of facts",
            where=answers[0],
            hint="give it alone, or schema files alone",
        )
    if answers:
        return facts_of_answer(inputs, paths[0], most_bytes), Happened()
    return _of_schema_files(inputs, contents, errors)


def _of_schema_files(
    inputs: Inputs, contents: Sequence[tuple[str, bytes]], errors: list[InputError]
) -> tuple[Inputs, Happened]:
    from rowreckon.declared.reading import SchemaFiles, decoded, read_text

    files = SchemaFiles()
    for name, content in contents:
        try:
            read_text(files, name, decoded(content, name))
        except InputError as error:
            errors.append(error)
    if not files.files:
        raise errors[0]
    undone = [f"the facts of a file are not used: {error.sentence()}" for error in errors]
    return with_declared(inputs, files), Happened(undone=undone)


def with_declared(inputs: Inputs, files: SchemaFiles) -> Inputs:
    """The plans with what the files say of their relations, as far as they do not contradict it.

    An index that one of the plans reads is there for all of them, which are of the files' one database. Where one of
    them uses an index that the files lack, these are older than the plans, and prove for none that an index is absent.
    """
    from rowreckon.declared.agreement import agreeing, indexes_read, nothing_absent, with_seen
    from rowreckon.declared.result import declared_of
    from rowreckon.plan.nodes import FunctionScanNode, ScanNode
    from rowreckon.plan.tree import lay_out

    told: Inputs = []
    seen: dict[tuple[str, str, str], str] = {}
    outdated: list[str] = []
    for item in inputs:
        if isinstance(item, Rejected) or item.explain is None:
            told.append(item)
            continue
        tree = lay_out(item.explain.plan)
        names = {n.relation_name for n in tree.nodes if isinstance(n, ScanNode) and n.relation_name}
        functions = {n.function_name for n in tree.nodes if isinstance(n, FunctionScanNode) and n.function_name}
        left = agreeing(declared_of(files, names, functions), tree)
        for index in indexes_read(left.declared, tree):
            seen[index] = min(seen.get(index, item.name), item.name)
        notes = (*item.notes, *files.notes, *left.notes)
        outdated += [item.name] if left.outdated else []
        told.append(item.model_copy(update={"declared": left.declared, "notes": notes}))
    found: Inputs = []
    for item in told:
        if isinstance(item, Rejected) or item.declared is None:
            found.append(item)
            continue
        declared, notes = with_seen(item.declared, seen), item.notes
        if outdated:
            declared = nothing_absent(declared)
            notes = (*notes, f"the schema files lack what {min(outdated)} uses: no index is taken to be absent by them")
        found.append(item.model_copy(update={"declared": declared, "notes": notes}))
    return found


def save_captures(inputs: Inputs, folder: Path) -> None:
    """Save the captures among the inputs, as they are, as files of a folder. Raises UsageError."""
    from rowreckon.captures.capture_folder import CaptureFolder

    store = CaptureFolder(folder)
    for item in inputs:
        if isinstance(item, Capture):
            store.save(item.model_copy(update={"name": Path(item.name).name if item.name != "-" else "plan"}))
