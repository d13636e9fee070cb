"""From inputs to captures: texts, files, folders. The only place of the package's core that opens a file.

Whatever cannot be read is handed on as a `document.Rejected` beside the captures that could, so that one bad input
never hides a good one.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rowreckon.bounded import read_bytes
from rowreckon.capture import Capture
from rowreckon.collector import collector_paused
from rowreckon.document.audit import Rejected
from rowreckon.errors import InputError, RowreckonError, UnreadableFile
from rowreckon.files import shown
from rowreckon.plan.document import ExplainDocument, parse_document
from rowreckon.reading.limits import Limits
from rowreckon.reading.raw import RawPlan
from rowreckon.reading.raw import Rejected as UnreadPlace

_PLAN_SUFFIXES = (".json", ".txt", ".plan", ".text", ".yaml", ".yml", ".xml", ".log", ".csv", ".out")


def read_text(text: str | bytes, *, source: str = "-", limits: Limits | None = None) -> list[Capture | Rejected]:
    """Every plan of a text as a capture, in input order; what looked like a plan and could not be read as Rejected.

    `source` names the input; from its second plan on "#n" is added. Never raises for a bad input.
    """
    from rowreckon.reading.text import read_plans

    with collector_paused():
        try:
            found = read_plans(text, limits=limits or Limits())
        except InputError as error:
            return [rejected(source, error)]
        captures: list[Capture | Rejected] = []
        found.reverse()
        while found:
            # What a plan was read from goes as soon as it is a capture: both together take a third more memory.
            number = len(captures) + 1
            captures.append(_read(found.pop(), source if number == 1 else f"{source}#{number}"))
        return captures


def _read(plan: RawPlan | UnreadPlace, name: str) -> Capture | Rejected:
    if isinstance(plan, UnreadPlace):
        return Rejected(source=name, reason=plan.reason, where=plan.where)
    try:
        return capture_of(plan, name)
    except InputError as error:
        return rejected(name, error, plan.where)


def read_path(path: str | Path, *, limits: Limits | None = None) -> list[Capture | Rejected]:
    """Every plan of a file, or of all plan files below a folder, sorted by name; see `read_text`."""
    return list(read_each(path, limits=limits))


def read_each(path: str | Path, *, limits: Limits | None = None) -> Iterator[Capture | Rejected]:
    """As `read_path`, one file after another, so that what was read is there when reading has to end."""
    missing: list[Capture | Rejected] = []
    for file in _files(Path(path), missing):
        try:
            content = read_bytes(file, (limits or Limits()).max_bytes)
        except InputError as error:
            yield Rejected(source=shown(file), reason=_reason(error))
            continue
        yield from read_text(content, source=shown(file), limits=limits)
    yield from missing


def _files(path: Path, out: list[Capture | Rejected]) -> Iterator[Path]:
    if path.is_dir():
        found = sorted(p for p in path.rglob("*") if p.is_file() and p.suffix.lower() in _PLAN_SUFFIXES)
        if not found:
            error = UnreadableFile(
                "the folder holds no plan files", hint=f"plan files end in {', '.join(_PLAN_SUFFIXES)}"
            )
            out.append(rejected(shown(path), error))
        yield from found
    elif path.exists():
        yield path
    else:
        error = UnreadableFile("there is no such file", hint="check the path, or give - to read standard input")
        out.append(rejected(shown(path), error))


def capture_of(raw: RawPlan, name: str) -> Capture:
    """One raw plan as a capture. Raises BrokenPlan with the place of what PostgreSQL would never print."""
    if raw.form == "capture":
        from rowreckon.captures.capture_file import capture_from_document

        return capture_from_document(raw.document, name=name)
    explain = parse_document(raw.document)
    return Capture(
        name=name,
        query=raw.query or explain.query_text,
        captured_at=_text(raw.extra.get("timestamp")),
        server_version=server_version_of(explain),
        settings=explain.settings,
        explain=explain,
        form=raw.form,
        notes=raw.notes,
    )


def server_version_of(explain: ExplainDocument) -> int | None:
    """server_version_num as far as the plan alone tells: 180000 where a key of 18 is present, else None."""
    return 180000 if explain.plan.disabled is not None else None


def _text(value: Any) -> str | None:
    return None if value is None else str(value)


def rejected(source: str, error: RowreckonError, within: str | None = None) -> Rejected:
    """What stands for an input at which reading failed; `within` is the place that the error's own place lies in."""
    place = " > ".join(p for p in (within, error.where) if p) or None
    return Rejected(source=source, reason=_reason(error), where=place)


def _reason(error: RowreckonError) -> str:
    return f"{error.what}; {error.hint}" if error.hint else error.what
