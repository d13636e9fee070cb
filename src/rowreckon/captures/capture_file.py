"""Capture files (`*.capture.json`): one plan with its facts, enough to audit it again offline on another machine.

The document's `explain` is PostgreSQL's own JSON, rebuilt key for key; `catalog` is the Catalog snapshot, `declared`
what schema files say. It holds no connection string, hence no password; sampled values only where the capture was asked
to keep them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from rowreckon.bounds import check_bounds
from rowreckon.capture import Alternative, Capture, Contest, Probe, SessionFacts
from rowreckon.catalog.facts import Catalog
from rowreckon.declared.facts import Declared
from rowreckon.document.plan import MOST_LEVELS, RightCounts
from rowreckon.errors import BrokenPlan, UnreadableFile
from rowreckon.files import write_whole
from rowreckon.json_text import escaped
from rowreckon.plan.document import ExplainDocument, parse_document
from rowreckon.plan.printed import printed_levels

CAPTURE_SCHEMA = "rowreckon.capture/1"
SUFFIX = ".capture.json"
_DIGEST = "digest"

# Fields of a Capture that stand in the document as they are.
_PLAIN = (
    "query",
    "captured_at",
    "server_version",
    "settings",
    "form",
    "cache",
    "outcome",
    "sqlstate",
    "line",
    "reason",
)


def capture_to_document(capture: Capture) -> dict[str, Any]:
    """The JSON document of a capture; `capture_from_document` gives the same capture back."""
    catalog, declared = capture.catalog, capture.declared
    return {
        "schema": CAPTURE_SCHEMA,
        "name": capture.name,
        **{key: getattr(capture, key) for key in _PLAIN},
        "explain": _explain_out(capture.explain),
        "session": capture.session.model_dump(mode="json") if capture.session else None,
        "catalog": catalog.model_dump(mode="json") if isinstance(catalog, Catalog) else None,
        **({"declared": declared.model_dump(mode="json")} if isinstance(declared, Declared) else {}),
        "alternatives": [_alternative_out(a) for a in capture.alternatives],
        "probes": [probe.model_dump(mode="json") for probe in capture.probes],
        "contests": [contest.model_dump(mode="json") for contest in capture.contests],
        **({"right_counts": right.model_dump(mode="json")} if (right := capture.right_counts) is not None else {}),
        "runs": list(capture.runs_ms),
        "notes": list(capture.notes),
    }


def capture_from_document(document: Mapping[str, Any], *, name: str | None = None) -> Capture:
    """The capture of a document, under `name` where one is given.

    Raises BrokenPlan with the place for a document of another schema or with a value that no capture can have.
    """
    schema = document.get("schema")
    if schema != CAPTURE_SCHEMA:
        raise BrokenPlan(
            f"the capture's schema is {schema!r}, not {CAPTURE_SCHEMA!r}",
            where="schema",
            hint="write it again with this release",
        )
    check_bounds({key: value for key, value in document.items() if key != "explain"}, "the capture")
    try:
        return Capture(
            name=name if name is not None else str(document.get("name") or "capture"),
            **{key: document[key] for key in _PLAIN if key in document},
            explain=_explain_in(document.get("explain"), "explain"),
            session=SessionFacts.model_validate(s) if (s := document.get("session")) is not None else None,
            catalog=Catalog.model_validate(c) if (c := document.get("catalog")) is not None else None,
            declared=Declared.model_validate(d) if (d := document.get("declared")) is not None else None,
            alternatives=_alternatives(_listed(document, "alternatives")),
            probes=tuple(Probe.model_validate(p) for p in _listed(document, "probes")),
            contests=tuple(Contest.model_validate(c) for c in _listed(document, "contests")),
            right_counts=_right_counts_in(document.get("right_counts")),
            runs_ms=_listed(document, "runs"),
            notes=_listed(document, "notes"),
        )
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = " > ".join(str(part) for part in first["loc"])
        raise BrokenPlan(
            f"the capture holds a value that does not belong: {first['msg']}",
            where=place or "capture",
            hint="capture it again, or correct this value",
        ) from None


def write_capture(capture: Capture, path: Path) -> None:
    """Write the document with a digest of it, readable by its owner only. The same capture gives the same bytes.

    Raises UsageError where it can't be written; what stood there before stays then.
    """
    document = capture_to_document(capture)
    document[_DIGEST] = _digest_of(document)
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    write_whole(path, escaped(text) + "\n", private=True)


def read_written(path: Path) -> tuple[Capture, str | None]:
    """A capture file, and why it can't be taken for what `write_capture` wrote: None where it is just that.

    Raises UnreadableFile, or BrokenPlan with the place.
    """
    document = _document_in(path)
    digest = document.pop(_DIGEST, None)
    capture = capture_from_document(document)
    if digest is None:
        return capture, "its file does not tell whether it was altered"
    return capture, None if digest == _digest_of(document) else "its file was altered after it was written"


def _digest_of(document: Mapping[str, Any]) -> str:
    """A digest of all that a document says, however its text is laid out: it shows a change, not who made it."""
    return hashlib.sha256(json.dumps(document).encode()).hexdigest()


def _document_in(path: Path) -> dict[str, Any]:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
        raise UnreadableFile(f"the capture could not be read: {reason}", where=str(path)) from None
    try:
        document = json.loads(text)
    except json.JSONDecodeError as error:
        raise BrokenPlan(f"the capture is no JSON: {error.msg}", where=f"line {error.lineno}") from None
    except (RecursionError, ValueError):
        raise BrokenPlan("the capture nests too deep, or a number in it is too long", where=str(path)) from None
    if not isinstance(document, dict):
        raise BrokenPlan("the capture is no JSON object", where=str(path))
    return document


def _explain_out(explain: ExplainDocument | None) -> list[dict[str, Any]] | None:
    """As PostgreSQL prints it: a list of one object."""
    return None if explain is None else [explain.to_explain()]


def _explain_in(raw: Any, where: str) -> ExplainDocument | None:
    if raw is None:
        return None
    first = raw[0] if isinstance(raw, list) and len(raw) == 1 else raw
    if not isinstance(first, dict):
        raise BrokenPlan("an EXPLAIN object belongs here", where=where)
    return parse_document(first)


def _right_counts_in(raw: Any) -> RightCounts | None:
    if raw is None:
        return None
    found = RightCounts.model_validate(raw)
    if found.plan is not None:
        parse_document({"Plan": found.plan})
        if printed_levels(found.plan) > MOST_LEVELS:
            raise BrokenPlan(
                f"the plan with right counts has more than {MOST_LEVELS} levels",
                where="right_counts > plan",
                hint="capture it again, or leave right_counts out",
            )
    return found


def _listed(document: Mapping[str, Any], key: str) -> tuple[Any, ...]:
    """The entries of a list that may be left out."""
    found = document.get(key)
    if found is None:
        return ()
    if not isinstance(found, list):
        raise BrokenPlan("the capture has something else where a list belongs", where=key)
    return tuple(found)


def _alternative_out(alternative: Alternative) -> dict[str, Any]:
    found = {"switched_off": list(alternative.switched_off), "explain": _explain_out(alternative.explain)}
    return found if alternative.asked_of == "server" else {**found, "asked_of": alternative.asked_of}


def _alternatives(raw: tuple[Any, ...]) -> tuple[Alternative, ...]:
    found = []
    for number, entry in enumerate(raw):
        where = f"alternatives[{number}]"
        if not isinstance(entry, dict) or (explain := _explain_in(entry.get("explain"), where)) is None:
            raise BrokenPlan("an alternative plan belongs here", where=where)
        asked_of = entry.get("asked_of", "server")
        found.append(Alternative(switched_off=_listed(entry, "switched_off"), explain=explain, asked_of=asked_of))
    return tuple(found)
