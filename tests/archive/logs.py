"""Logs for the tests of archives: generated ones, and real plans put into a log as the log module does."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from rowreckon.reading import RawPlan, read_plans

SAMPLES = Path(__file__).parents[2] / "sample_plans"


def sample_documents() -> Iterator[tuple[str, RawPlan]]:
    """The plans in `sample_plans`, captured from servers of 13 to 18, each with its file's name."""
    for path in sorted(SAMPLES.glob("*.json")):
        for raw in read_plans(path.read_text(encoding="utf-8")):
            assert isinstance(raw, RawPlan)
            if raw.form == "capture":
                explain: Any = raw.document.get("explain")
                explain = explain[0] if isinstance(explain, list) else explain
                if not isinstance(explain, dict):
                    continue
                raw = replace(raw, document=explain, form="json")
            yield path.name, raw


def entry(document: dict[str, Any], *, second: int = 0, ms: float = 12.5, pid: int = 77) -> bytes:
    """A stderr entry with the default prefix, as the log module writes it with log_format json."""
    stamp = f"2026-07-01 {second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}.000 UTC"
    body = json.dumps(document, indent=2).replace("\n", "\n\t")
    return f"{stamp} [{pid}] LOG:  duration: {ms:.3f} ms  plan:\n\t{body}\n".encode()


def sample_log(times: int = 1) -> bytes:
    """All sample plans as a log, so many times over, other lines in between."""
    pieces = []
    for turn in range(times):
        for number, (name, raw) in enumerate(sample_documents()):
            document = {"Query Text": raw.query or f"select '{name}'", **raw.document}
            pieces.append(entry(document, second=turn * 100 + number, ms=1.0 + number))
            pieces.append(
                f"2026-07-01 00:00:00.000 UTC [9] LOG:  checkpoint {number} complete\n\tof the hut book\n".encode()
            )
    return b"".join(pieces)
