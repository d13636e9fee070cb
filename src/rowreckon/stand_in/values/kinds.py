"""Kinds of types whose values can be put in a query one after the other: how a value is read, ordered, and halved.

A value is a text, as PostgreSQL prints it, with a place on a line where its type has an order that is known here: a
whole number for integers, days, microseconds, booleans and the labels of an enum, a decimal for other numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Context, Decimal, InvalidOperation
from typing import Any, Final

from rowreckon.frozen import frozen
from rowreckon.stand_in.facts import SourceColumn, StandInFacts

At = int | Decimal | bytes
_INTEGERS: Final = {"smallint": 15, "integer": 31, "bigint": 63}
_DECIMALS: Final = ("numeric", "real", "double precision")
_WORDS: Final = ("text", "character varying", "character", "bpchar", "name", "uuid")
_C_ORDER: Final = frozenset({"C", "POSIX", "ucs_basic"})
_EPOCH: Final = datetime(1970, 1, 1)
_LAST_MICROSECOND: Final = (datetime.max - _EPOCH) // timedelta(microseconds=1)
_FIRST_MICROSECOND: Final = (datetime.min - _EPOCH) // timedelta(microseconds=1)
_DIGITS: Final = Context(prec=40)
_NEAR: Final = Decimal("1e-6")
"""By what share of themselves two numbers may differ for nobody to ask what lies between them (our own, no source)."""
_LARGEST: Final = Decimal("1e100")
"""Numbers beyond it are left out: no bound of a histogram that tells anything."""
_MOST_DECIMALS: Final = 400
"""Digits behind the point; a double precision number has up to 340. A file may name one of a thousand million."""


@frozen
class Value:
    """A value as PostgreSQL reads it; `at` is its place in its type's order, None where that order is not known."""

    text: str
    at: At | None


@frozen
class Kind:
    """A kind of type: `read` gives the value of a text or None, `write` that of a place.

    `whole`: places are whole numbers and nothing lies between two neighbours. `form` says how a literal is written.
    `all_values` are those of a type that has few, `ends` the first and the last one that a text can be.
    """

    form: str
    read: Callable[[str], Value | None]
    write: Callable[[Any], Value | None] | None
    whole: bool = False
    ordered: bool = True
    all_values: tuple[Value, ...] = ()
    ends: tuple[Value, ...] = ()

    def between(self, low: At, high: At) -> Value | None:
        """A value about half-way between two places, in few digits; None where there is none, none can be made, or two
        numbers are as good as one."""
        if isinstance(low, bytes) and isinstance(high, bytes):
            return _text_between(low, high)
        if self.write is None or isinstance(low, bytes) or isinstance(high, bytes):
            return None
        if self.whole:
            middle: int | Decimal = (int(low) + int(high)) // 2
            return self.write(middle) if low < middle < high else None
        wide = Decimal(high) - Decimal(low)
        if wide <= _NEAR * max(abs(Decimal(low)), abs(Decimal(high))):
            return None
        half = _DIGITS.add(Decimal(low), wide / 2)
        try:
            middle = _DIGITS.quantize(half, Decimal(1).scaleb(max(wide.adjusted() - 1, -20)))
        except InvalidOperation:  # they differ behind more digits than are reckoned with
            return None
        return self.write(middle) if low < middle < high else None

    def beyond(self, low: At, high: At) -> list[Value]:
        """Values below the lowest place and above the highest: next to it, and as far away as the two are apart."""
        if self.write is None or isinstance(low, bytes) or isinstance(high, bytes):
            return list(self.ends)
        wide = max(high - low, 1)
        found = (self.write(place) for place in (low - wide, low - 1, high + 1, high + wide))
        return [value for value in found if value is not None]


def kind_of_column(column: SourceColumn, facts: StandInFacts) -> Kind | None:
    """The kind of a column's type, that of its base for a domain; None where its values can't be varied."""
    text = column.type or ""
    for _ in range(20):
        known = next((t for t in facts.types if text in (t.name, f"{t.schema_}.{t.name}", f'"{t.name}"')), None)
        if known is None:
            break
        if known.kind == "e":
            return _labels(known.labels)
        text = known.base or ""
    base = text.split("(")[0].strip()
    if base in _INTEGERS:
        return _integers(_INTEGERS[base])
    if base in _DECIMALS:
        return Kind("number", _read_decimal, _write_decimal)
    if base == "date":
        return Kind("string", _read_date, _write_date, whole=True)
    if base == "boolean":
        return _labels(("false", "true"), {"f": "false", "t": "true"}, "boolean")
    if base == "timestamp" or base.startswith("timestamp "):
        return _moments(zone=text.endswith("with time zone"))
    if base in _WORDS:
        return _words(column, facts, is_uuid=base == "uuid")
    return None


def _integers(bits: int) -> Kind:
    def read(text: str) -> Value | None:
        try:
            return write(int(text))
        except ValueError:
            return None

    def write(place: int) -> Value | None:
        return Value(str(place), place) if -(2**bits) <= place < 2**bits else None

    return Kind("number", read, write, whole=True)


def _read_decimal(text: str) -> Value | None:
    try:
        return _write_decimal(Decimal(text))
    except InvalidOperation:
        return None


def _write_decimal(place: Decimal) -> Value | None:
    place = Decimal(place)
    if not place.is_finite() or place.copy_abs() >= _LARGEST or int(place.as_tuple().exponent) < -_MOST_DECIMALS:
        return None
    return Value(f"{place:f}", place)


def _read_date(text: str) -> Value | None:
    try:
        return _write_date(date.fromisoformat(text).toordinal())
    except ValueError:
        return None


def _write_date(place: int) -> Value | None:
    try:
        return Value(date.fromordinal(place).isoformat(), place)
    except (ValueError, OverflowError):
        return None


def _moments(*, zone: bool) -> Kind:
    def read(text: str) -> Value | None:
        try:
            moment = datetime.fromisoformat(text)
            if moment.tzinfo is not None:
                moment = moment.astimezone(UTC).replace(tzinfo=None)
        except (ValueError, OverflowError):
            return None
        return write((moment - _EPOCH) // timedelta(microseconds=1))

    def write(place: int) -> Value | None:
        if not _FIRST_MICROSECOND <= place <= _LAST_MICROSECOND:
            return None
        moment = _EPOCH + timedelta(microseconds=place)
        return Value(f"{moment.isoformat(sep=' ')}{'+00' if zone else ''}", place)

    return Kind("string", read, write, whole=True)


def _labels(labels: tuple[str, ...], short: dict[str, str] | None = None, form: str = "string") -> Kind:
    values = {label: Value(label, at) for at, label in enumerate(labels)}
    short = short or {}
    return Kind(
        form,
        lambda text: values.get(short.get(text, text)),
        None,
        whole=True,
        all_values=tuple(values.values()),
    )


def _words(column: SourceColumn, facts: StandInFacts, *, is_uuid: bool) -> Kind:
    """Texts have an order here only where it is that of their bytes."""
    collation = column.collation[1] if column.collation is not None else facts.server.collate
    ordered = is_uuid or collation in _C_ORDER

    def read(text: str) -> Value:
        return Value(text, text.encode() if ordered else None)

    ends = (_FIRST_UUID, _FIRST_UUID.replace("0", "f")) if is_uuid else ("", _LAST_TEXT)
    return Kind("string", read, None, ordered=ordered, ends=tuple(map(read, ends)) if ordered else ())


_FIRST_UUID: Final = "00000000-0000-0000-0000-000000000000"
_LAST_TEXT: Final = "\U0010ffff"
"""No text of UTF-8 comes after it in the order of bytes, but for those that begin with it."""
_MIDDLE: Final = ord("P")


def _text_between(low: bytes, high: bytes) -> Value | None:
    """A text between two, in the order of their bytes; of plain letters and signs, so that any database reads it."""
    at = next((n for n, (a, b) in enumerate(zip(low, high, strict=False)) if a != b), min(len(low), len(high)))
    first = low[at] if at < len(low) else 0x1F
    last = min(high[at], 0x7F) if at < len(high) else 0x7F
    middle = (first + last) // 2
    made = low[:at] + bytes([middle]) if first < middle < last and middle >= 0x20 else low + bytes([_MIDDLE])
    try:
        return Value(made.decode(), made) if low < made < high else None
    except UnicodeDecodeError:
        return None
