"""Masking an audit: literals, query texts' values and sampled data leave every output; names too, if wanted.

What is masked is the document itself, before any rendering, so that no format can leak what another hides.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rowreckon.document.audit import Audit, Part
from rowreckon.frozen import frozen
from rowreckon.report.mask_words import MASK, PSEUDONYM, WordMasker, identifiers_of, literals_of

# By field name: how each string of the document is masked. What stands in none of them is masked as a sentence.
_SQL = frozenset(("condition", "query", "sql", "sql_trial", "undo", "check_first", "how", "fingerprint"))
_FOREIGN_SQL = frozenset(("condition", "query", "fingerprint"))
_NAMES = frozenset(("relation", "schema", "alias", "index", "tables", "columns", "role", "database"))
_OWN = frozenset(
    (
        "node_type", "join_type", "parent_relationship", "count", "direction", "direction_here", "method", "verdict",
        "basis", "basis_at_estimate", "basis_at_actual", "code", "kind", "outcome", "sqlstate", "cache", "change",
        "time", "where_tried", "inner_at", "along", "best_at_actual", "lock", "tool_version", "query_id",
        "join_methods_before", "join_methods_after", "first", "last", "to",
    )
)  # fmt: skip
_PARTED_NAMES = ("search_path",)


@frozen
class Masked:
    """A masked audit, and the masker for what is said beside it."""

    audit: Audit
    masker: WordMasker

    @property
    def undo(self) -> dict[str, str]:
        """What undoes masked names: pseudonym to name. Empty where names were not masked."""
        return dict(sorted(self.masker.undo.items()))

    def text(self, sentence: str) -> str:
        """A sentence about the same plans, masked alike."""
        return self.masker.prose(sentence)


def mask_audit(audit: Audit, key: bytes, names: bool = False, literals: frozenset[str] = frozenset()) -> Masked:
    """The audit without literals and sampled values; with `names`, relations and columns become pseudonyms that the
    same `key` makes the same again, so that two masked audits can be compared.

    `literals` are masked wherever they stand, beside those that the audit's own SQL holds: literals of the plans that
    it was made of. Masking what is masked changes nothing.
    """
    document = audit.model_dump(mode="python", by_alias=True)
    strings = list(_strings(document, ""))
    known = {
        part for field, text in strings if field in _NAMES for whole in (text,) for part in (whole, *whole.split("."))
    }
    sources = {plan.source for plan in audit.plans}  # side effects name queries by them
    found = set(literals)
    for field, text in strings:
        if field in _SQL:
            found |= literals_of(text)
        if names and field in _FOREIGN_SQL and text not in sources:
            known |= identifiers_of(text)
    masker = WordMasker(key, names, frozenset(known - {""}), frozenset(found - known))
    return Masked(Audit.model_validate(_masked(document, "", "", masker)), masker)


def unmask_text(text: str, undo: dict[str, str]) -> str:
    """Any output of a masked audit with the pseudonyms turned back into names."""
    return PSEUDONYM.sub(lambda match: undo.get(match.group(), match.group()), text)


def _strings(value: Any, field: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _strings(item, key)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _strings(item, field)
    elif isinstance(value, str):
        yield field, value


def _masked(value: Any, field: str, parent: str, masker: WordMasker) -> Any:
    if isinstance(value, Part):
        value = value.model_dump(mode="python", by_alias=True)
    if isinstance(value, dict):
        if field == "settings":
            return {name: _setting(name, text, masker) for name, text in value.items()}
        return {key: _masked(item, key, field, masker) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return tuple(_masked(item, field, parent, masker) for item in value)
    if field == "value" and isinstance(value, int | float) and not isinstance(value, bool):
        return MASK if f"{value:g}" in masker.literals or str(value) in masker.literals else value
    return _string(value, field, parent, masker) if isinstance(value, str) else value


def _string(text: str, field: str, parent: str, masker: WordMasker) -> str:
    if not parent and field == "schema":
        return text
    if field in _OWN or (field == "from" and parent in ("switch_points", "evidence")):
        return text
    if field == "where" and parent in ("trial", "trials"):
        return text
    if field == "query" and parent in ("side_effects", "queries"):
        return masker.prose(text)
    if field in _SQL:
        return masker.sql(text, ours=field not in _FOREIGN_SQL)
    if field in _NAMES:
        return masker.name(text)
    if field in _PARTED_NAMES:
        return ", ".join(masker.name(part.strip().strip('"')) for part in text.split(","))
    return masker.value(text) if field == "value" else masker.prose(text)


def _setting(name: str, text: str, masker: WordMasker) -> str:
    if "." in name or name == "application_name":
        return MASK
    if name == "search_path":
        return _string(text, name, "", masker)
    return masker.prose(text)
