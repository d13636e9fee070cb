"""Audits from whatever names one: an audit document as `--format json` wrote it, or plans, which are audited here."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rowreckon.bounded import MOST_TEXT, read_bytes
from rowreckon.cli.running.ending import ReadBaseline
from rowreckon.errors import NotAPlan, UnreadableFile, UsageError
from rowreckon.files import shown

if TYPE_CHECKING:
    from rowreckon.cli.masking import Masking
    from rowreckon.document.audit import Audit
    from rowreckon.reading.limits import Limits

_HEAD = 400


def read_audit(
    path: str, *, threshold: float = 10.0, limits: Limits | None = None, masking: Masking | None = None
) -> Audit:
    """The audit that a path (- for standard input) holds or that its plans give; `threshold` is for the latter.

    With `masking` it comes masked: plans before they are audited, a document as far as that goes afterwards.

    Raises UnreadableFile for an audit document that can't be read, UsageError for one of another version; plans that
    can't be read are in the audit's `rejected`.
    """
    content = _audit_document(path, limits.max_bytes if limits is not None else MOST_TEXT)
    if content is not None:
        document = _parsed(content, path)
        return document if masking is None else masking.document(document)
    from rowreckon.cli.inputs import read_inputs
    from rowreckon.cli.running.audit_all import audit_all

    inputs = read_inputs([path], limits)
    if masking is None:
        return audit_all(inputs, threshold=threshold)
    return masking.apply(audit_all(masking.inputs(inputs), threshold=threshold)).audit


def required_audit(
    path: str, option: str, *, threshold: float = 10.0, limits: Limits | None = None, masking: Masking | None = None
) -> Audit:
    """As `read_audit`, for a file that must hold at least one plan. Raises NotAPlan where it holds none."""
    found = read_audit(path, threshold=threshold, limits=limits, masking=masking)
    if not found.plans:
        reason = found.rejected[0].reason if found.rejected else "it holds no plan"
        raise NotAPlan(f"{option}: {reason}", where=path)
    return found


def baseline_of(
    path: str | None,
    fail_on: frozenset[str],
    masking: Masking | None,
    threshold: float,
    limits: Limits | None = None,
) -> ReadBaseline | None:
    """What `--baseline` names, masked as the audit will be. Raises UsageError where nothing would fail anyway."""
    if path is None:
        return None
    if not fail_on:
        raise UsageError("--baseline needs --fail-on", hint="name the verdicts that fail: crossed, held, undecided")
    found = required_audit(path, "--baseline", threshold=threshold, limits=limits, masking=masking)
    return ReadBaseline(found, shown(path), _written(path))


def _written(path: str) -> str | None:
    try:
        at = Path(path).stat().st_mtime
    except OSError:
        return None
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _audit_document(path: str, most_bytes: int) -> bytes | None:
    """The content of a file that says of itself that it is an audit, else None."""
    if path == "-" or not Path(path).is_file():
        return None
    try:
        with Path(path).open("rb") as file:
            if b'"rowreckon.audit/' not in file.read(_HEAD):
                return None
    except OSError as error:
        raise UnreadableFile(f"the file cannot be read: {error.strerror}", where=shown(path)) from None
    return read_bytes(Path(path), most_bytes, "the audit document")


def _parsed(content: bytes, path: str) -> Audit:
    from pydantic import ValidationError

    from rowreckon.document.audit import AUDIT_SCHEMA, EARLIER_SCHEMAS, Audit

    try:
        return Audit.model_validate_json(content)
    except ValidationError:
        pass
    try:
        document = json.loads(content)
        schema = document.get("schema") if isinstance(document, dict) else None
    except (ValueError, RecursionError):
        raise UnreadableFile("the audit document is no whole JSON", where=path, hint="write it again") from None
    if schema not in (AUDIT_SCHEMA, *EARLIER_SCHEMAS):
        raise UsageError(
            f"the audit document is of version {schema!r}, this release reads versions up to {AUDIT_SCHEMA!r}",
            where=path,
            hint="audit the plans again",
        )
    raise UsageError(
        "the audit document does not hold to its schema",
        where=path,
        hint="audit the plans again; a newer release may have written it",
    )
