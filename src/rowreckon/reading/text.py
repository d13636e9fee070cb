"""Find every plan in a text, whatever stands around it, and hand it on in the shape of FORMAT JSON."""

from __future__ import annotations

import re
from sys import getsizeof
from typing import Any

from rowreckon.errors import NotAPlan
from rowreckon.reading.decode import decode
from rowreckon.reading.json_documents import Found, documents_in
from rowreckon.reading.json_reader import STRICT
from rowreckon.reading.limits import Limits
from rowreckon.reading.raw import RawPlan, Rejected
from rowreckon.reading.sizes import check_values, nodes_below

__all__ = ["read_plans"]

# Text within a value within a text: more than a few such layers is no wrapping that a tool makes.
_MAX_LAYERS = 4
_PYTHON = re.compile(r"[\[({\s]*(?:\(\s*['\"\[{]|\{\s*'|\[\s*')")
_MAX_PYTHON = 16 * 1024 * 1024
# Python takes about a thousand bytes for each value of a text before it is one.
_MAX_PYTHON_VALUES = 200_000
_PYTHON_SIGNS = ",:[({+-"
_LOG = re.compile(r"duration: [0-9]+\.[0-9]+ ms  plan:")
_LONE_SURROGATE = re.compile(
    r"(\\\\|\\u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F][0-9a-fA-F]{2})|\\u[dD][89a-fA-F][0-9a-fA-F]{2}"
)


_MOST_SQL = 1_000_000  # characters that are tried as SQL where no plan is found


def read_plans(text: str | bytes, *, limits: Limits = Limits()) -> list[RawPlan | Rejected]:  # noqa: B008
    """Every plan in `text`, in input order, and every place that looked like one and could not be read.

    Raises NotAPlan where nothing in it looks like a plan, BrokenPlan where bytes are in no known encoding, and
    InputTooLarge where the input is over one of the `limits`.
    """
    limits.check_bytes(len(text))
    string = decode(text) if isinstance(text, bytes) else text
    limits.check_bytes(getsizeof(string) - getsizeof(""))
    if not string.strip("\ufeff \t\r\n"):
        raise NotAPlan("the input is empty", hint="give the output of EXPLAIN (ANALYZE, FORMAT JSON)")
    found = _Reading(limits).read(string.removeprefix("\ufeff"))
    if not found:
        if _is_sql(string):
            raise NotAPlan(
                "the input is SQL, not a plan",
                hint="capture it with EXPLAIN (ANALYZE, FORMAT JSON), or give the file to `rowreckon sweep`",
            )
        raise NotAPlan(
            "the input holds no EXPLAIN output",
            hint="give the output of EXPLAIN (ANALYZE, FORMAT JSON), or of another format of EXPLAIN",
        )
    return found


def _is_sql(text: str) -> bool:
    """Whether PostgreSQL's grammar reads the text as statements."""
    if len(text) > _MOST_SQL:
        return False
    from rowreckon.sql.grammar import NotSql, parse  # takes a tenth of a second to load

    try:
        return bool(parse(text).stmts)
    except NotSql:
        return False


class _Reading:
    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.plans = self.nodes = 0

    def read(self, text: str, place: str = "", layer: int = 0) -> list[Found]:
        text = _well_formed(text)
        if layer == 0 and " ms  plan:" in text and _LOG.search(text) is not None:
            return self.log(text)
        found = self.whole_json(text, place, layer)
        if found is None:
            found = self.whole_python(text, place, layer)
        if found is None:
            from rowreckon.reading.scan import scan

            scanned = scan(text, self.limits, lambda inner, where: self.inner(inner, where, layer))
            found = [self.counted(_placed(each, place)) for each in scanned]
        return found

    def log(self, text: str) -> list[Found]:
        """A server log with entries of the log module; what else a log says is no plan."""
        from io import BytesIO

        from rowreckon.reading.logs.plans import read_log

        return [self.counted(each) for each in read_log(BytesIO(text.encode()), limits=self.limits)]

    def inner(self, text: str, where: str, layer: int) -> list[Found]:
        return self.read(text, where, layer + 1) if layer < _MAX_LAYERS else []

    def whole_json(self, text: str, place: str, layer: int) -> list[Found] | None:
        """The fast way: the whole text is one JSON value. None where it is not."""
        start = len(text) - len(text.lstrip())
        if text[start : start + 1] not in ("{", "[", '"'):
            return None
        check_values(text, self.limits)
        try:
            value = STRICT.decode(text)
        except (ValueError, RecursionError):
            return None
        where = f"line {text.count(chr(10), 0, start) + 1}"
        return self.collect(value, f"{where} of {place}" if place else where, layer)

    def whole_python(self, text: str, place: str, layer: int) -> list[Found] | None:
        """Rows as a Python driver shows them, with single quotes and tuples. None where it is something else."""
        bare = text.strip()
        if _PYTHON.match(bare) is None or bare[-1:] not in ("]", ")", "}") or len(bare) > _MAX_PYTHON:
            return None
        if sum(map(bare.count, _PYTHON_SIGNS)) > _MAX_PYTHON_VALUES:
            return None
        import ast
        import warnings

        try:
            with warnings.catch_warnings():
                # Whatever Python thinks of this text as a program is of no interest to anybody.
                warnings.simplefilter("ignore")
                value = ast.literal_eval(bare)
        except (ValueError, TypeError, SyntaxError, RecursionError, MemoryError):
            return None
        return self.collect(value, place or "line 1", layer) or None

    def collect(self, value: Any, where: str, layer: int) -> list[Found]:
        found: list[Found] = []
        for each in documents_in(value, where, lambda text, place: self.inner(text, place, layer)):
            found.append(self.counted(each))
        return found

    def counted(self, found: Found) -> Found:
        self.plans += 1
        self.limits.check_count(self.plans, self.limits.max_plans, "plans")
        if isinstance(found, RawPlan):
            self.nodes += nodes_below(found.document, self.limits.max_nodes)
            self.limits.check_count(self.nodes, self.limits.max_nodes, "plan nodes")
        return found


def _placed(found: Found, place: str) -> Found:
    if not place:
        return found
    if isinstance(found, Rejected):
        return Rejected(found.reason, f"{found.where} of the text at {place}")
    return RawPlan(
        found.document, found.form, f"{found.where} of the text at {place}", found.query, found.notes, found.extra
    )


def _well_formed(text: str) -> str:
    """`text` without halves of surrogate pairs, raw or as JSON escapes: they can't be written out again."""
    if not text.isascii():
        try:
            text.encode()
        except UnicodeEncodeError:
            text = text.encode("utf-8", "replace").decode("utf-8")
    if "\\" in text and ("\\ud" in text or "\\uD" in text):  # one character is found six times as fast as three
        text = _LONE_SURROGATE.sub(lambda match: match.group(1) or "\\ufffd", text)
    return text
