"""Masking an audit document: pseudonyms for names, and an audit of which nobody masked the captures.

Literals leave a capture before it is audited (`captures/masking.py`), so that no sentence, name or statement of the
audit is made of them. An audit that comes as a document was made of unmasked captures: its SQL is masked by the
grammar, its numbers and names stay, and every sentence is left out, since values may stand in any of them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from rowreckon.captures.masked_words import masked_name, masked_setting
from rowreckon.captures.masking import PLAN_EXPRESSIONS
from rowreckon.document.audit import Audit, Part
from rowreckon.frozen import frozen
from rowreckon.report.mask_words import MASK, PSEUDONYM, NameMasker, mask_remedy
from rowreckon.sql.masking import UNREAD, mask_expression, mask_statement
from rowreckon.sql.names import author_names

# By field name, what each string of the document is; what stands in none of them is a sentence. A plan that a document
# holds as PostgreSQL prints it has EXPLAIN's own keys.
_CONDITIONS = frozenset(("condition", *PLAN_EXPRESSIONS))
_QUERIES = frozenset(("query",))
_REMEDIES = frozenset(("sql", "sql_trial", "undo", "check_first", "how"))
_NAMES = frozenset(
    (
        "relation", "schema", "alias", "index", "tables", "columns", "role", "database", "search_path", "subplan_name",
        "starts_from", "Relation Name", "Schema", "Alias", "Index Name", "Function Name", "Table Function Name",
        "CTE Name",
    )
)  # fmt: skip
_OWN = frozenset(
    (
        "node_type", "join_type", "parent_relationship", "count", "direction", "direction_here", "method", "verdict",
        "basis_at_estimate", "basis_at_actual", "code", "kind", "outcome", "sqlstate", "cache", "change", "time",
        "where_tried", "inner_at", "along", "best_at_actual", "lock", "tool_version", "query_id", "fingerprint",
        "join_methods_before", "join_methods_after", "first", "last", "to", "access", "fail_on", "written",
        "title", "asked_of", "sequence", "Node Type", "Join Type", "Parent Relationship", "Strategy", "Partial Mode",
        "Operation", "Scan Direction",
    )
)  # fmt: skip
# Words of ours under one parent, sentences or values under another.
_OWN_BELOW = {
    "basis": ("joins", "joins_after", "findings", "switch_points"),
    "from": ("switch_points", "evidence"),
    "name": ("nodes",),
    "where": ("trial", "trials", "rejected"),
}
_SOURCES = frozenset(("source", "join_order_before", "join_order_after", "learned_from"))
_ENDINGS = (".capture.json", ".json", ".txt", ".xml", ".yaml", ".yml", ".sql", ".log")
_NAMED_QUERIES = ("side_effects", "queries", "moved_facts")
_MOMENT = re.compile(r"\d{4}-\d\d-\d\d[ T][\d:.+Z-]*|never|yes|no|true|false")


@frozen
class Masked:
    """An audit with pseudonyms, and what is needed for what is said beside it."""

    audit: Audit
    masker: NameMasker | None = None

    @property
    def undo(self) -> dict[str, str]:
        """What undoes masked names: pseudonym to name. Empty where names were not masked."""
        return {} if self.masker is None else dict(sorted(self.masker.undo.items()))

    def text(self, sentence: str) -> str:
        """A sentence about the same plans, made of masked values, with the same pseudonyms."""
        return sentence if self.masker is None else self.masker.prose(sentence)


def mask_names(audit: Audit, key: bytes) -> Masked:
    """An audit of masked captures in which relations and columns are pseudonyms.

    The same `key` makes the same again, so that two masked audits can be compared.
    """
    document = audit.model_dump(mode="python", by_alias=True)
    sources = {plan.source for plan in audit.plans}  # side effects name queries by them
    known: set[str] = set()
    for field, text in _strings(document, ""):
        if field in _NAMES:
            known.update((text, *text.split(".")) if field != "search_path" else _parted(text))
        elif field in _CONDITIONS or (field in _QUERIES and text not in sources):
            known |= author_names(text)
    known -= {"", UNREAD}
    known |= _query_names(NameMasker(key, frozenset(known)), audit)
    masker = NameMasker(key, frozenset(known))
    return Masked(Audit.model_validate(_Renaming(masker).walk(document, "", "")), masker)


def _query_names(masker: NameMasker, audit: Audit) -> set[str]:
    """The names of queries and files in which a known name stands: they are masked whole, not in halves."""
    sources = [*(plan.source for plan in audit.plans), *(one.source for one in audit.rejected)]
    parts = {_without_ending(part) for source in sources for part in source.split("/")}
    return {part for part in parts if part not in masker.names and masker.prose(part) != part}


def _without_ending(name: str) -> str:
    return next((name.removesuffix(end) for end in _ENDINGS if name.endswith(end)), name)


def mask_document(audit: Audit) -> Audit:
    """An audit of unmasked captures without literals: SQL masked, sentences and sampled values left out."""
    document = audit.model_dump(mode="python", by_alias=True)
    names = frozenset(
        part
        for field, text in _strings(document, "")
        if field in _NAMES
        for whole in (text, text.strip('"'))
        for part in (whole, *whole.split("."))
    )
    return Audit.model_validate(_Leaving(names).walk(document, "", ""))


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


def _parted(search_path: str) -> list[str]:
    return [part.strip().strip('"') for part in search_path.split(",")]


class _Walk:
    """A walk over the document's values; `text` says what becomes of a string."""

    def walk(self, value: Any, field: str, parent: str) -> Any:
        if isinstance(value, Part):
            value = value.model_dump(mode="python", by_alias=True)
        if isinstance(value, dict):
            if field == "settings":
                return {name: self.setting(name, text) for name, text in value.items()}
            return {key: self.walk(item, key, field) for key, item in value.items()}
        if isinstance(value, list | tuple):
            return tuple(self.walk(item, field, parent) for item in value)
        if not isinstance(value, str):
            return self.number(value, field, parent)
        if (not parent and field == "schema") or field in _OWN or parent in _OWN_BELOW.get(field, ()):
            return value
        return self.text(value, field, parent)

    def text(self, text: str, field: str, parent: str) -> str:
        """A string that is no word of ours."""
        raise AssertionError(field)

    def number(self, value: Any, field: str, parent: str) -> Any:
        """A number, a flag or nothing."""
        return value

    def setting(self, name: str, text: str) -> str:
        """A setting's value."""
        return text


class _Renaming(_Walk):
    """Names become pseudonyms."""

    def __init__(self, masker: NameMasker) -> None:
        self.masker = masker

    def text(self, text: str, field: str, parent: str) -> str:
        if field == "search_path":
            return ", ".join(self.masker.name(part) for part in _parted(text))
        if field in _NAMES and field != "subplan_name":
            return self.masker.name(text)
        if field in _CONDITIONS or (field in _QUERIES and parent not in _NAMED_QUERIES):
            return self.masker.sql(text, ours=False)
        return self.masker.sql(text, ours=True) if field in _REMEDIES else self.masker.prose(text)

    def setting(self, name: str, text: str) -> str:
        return self.text(text, name, "") if name == "search_path" else text


class _Leaving(_Walk):
    """Literals are masked, sentences left out."""

    def __init__(self, names: frozenset[str]) -> None:
        self.names = names

    def text(self, text: str, field: str, parent: str) -> str:
        if field in _CONDITIONS or field == "columns":
            return mask_expression(text)
        if field in _QUERIES and parent not in _NAMED_QUERIES:
            return mask_statement(text)
        if field in _REMEDIES:
            return mask_remedy(text, self.names) if field != "how" else mask_statement(text)
        if field in _SOURCES or field in _QUERIES:
            return masked_name(text)
        if field in _NAMES:
            return text
        if field in ("captured_at", "facts_read_at"):
            return text if _MOMENT.fullmatch(text) else UNREAD
        if field == "value":
            return text if text in self.names or _MOMENT.fullmatch(text) else MASK
        return UNREAD

    def number(self, value: Any, field: str, parent: str) -> Any:
        sampled = (
            field == "value" and parent != "turns_at" and isinstance(value, int | float) and not isinstance(value, bool)
        )
        return MASK if sampled else value

    def setting(self, name: str, text: str) -> str:
        return str(masked_setting(name, text))
