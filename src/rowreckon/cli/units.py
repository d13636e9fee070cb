"""Durations and sizes as PostgreSQL writes them: 500ms, 90s, 5min, 64MB."""

from __future__ import annotations

import re

from rowreckon.errors import UsageError

_AMOUNT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z]*)\s*")
_MOST = 2.0**31 - 1
"""PostgreSQL keeps both kinds of limits as 32-bit numbers, in ms and in kB."""
_MS = {"ms": 1.0, "s": 1_000.0, "min": 60_000.0, "h": 3_600_000.0}
_KB = {"kb": 1.0, "mb": 1024.0, "gb": 1024.0**2, "tb": 1024.0**3}


def duration_ms(text: str, option: str) -> int:
    """Milliseconds; a bare number counts seconds. Raises UsageError."""
    return int(_amount(text, option, _MS, "s", "90s, 500ms, 5min"))


def size_kb(text: str, option: str) -> float:
    """Kilobytes; a bare number counts them. Raises UsageError."""
    return _amount(text, option, _KB, "kb", "512MB, 2GB")


def _amount(text: str, option: str, units: dict[str, float], bare: str, examples: str) -> float:
    found = _AMOUNT.fullmatch(text)
    unit = (found.group(2).lower() or bare) if found else ""
    if found is None or unit not in units:
        raise UsageError(f"{option} does not understand {text!r}", hint=f"write it as {examples}")
    amount = float(found.group(1)) * units[unit]
    if amount > _MOST:
        raise UsageError(f"{option} is more than PostgreSQL counts up to", hint=f"write it as {examples}")
    return amount
