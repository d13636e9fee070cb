"""A folder of capture files: one for each query, named after it; what an interrupted sweep left is found again."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path

from rowreckon.capture import Capture
from rowreckon.captures.capture_file import SUFFIX, read_written, write_capture
from rowreckon.errors import InputError
from rowreckon.files import make_folder, try_folder
from rowreckon.frozen import frozen

_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")


@frozen
class CaptureFolder:
    """Where captures are saved, as they are."""

    path: Path

    def try_out(self, option: str = "--save") -> None:
        """Find out before any work whether captures can be saved, and leave nothing behind. Raises UsageError."""
        try_folder(self.path, option)

    def save(self, capture: Capture) -> Path:
        """Write one capture, over an earlier one of the same name; the folder is made. Raises UsageError."""
        make_folder(self.path)
        path = self.path / file_name(capture.name)
        write_capture(capture, path)
        return path

    def known(self, queries: Mapping[str, str]) -> dict[str, tuple[Capture, str | None]]:
        """Captures of an earlier sweep for these queries (name to text), each with why its file is not as written.

        Those that ran, timed out or failed for the same text; not those that were refused or never had their turn.
        A masked capture no longer holds its text, and is not taken for the same. Unreadable files are passed over.
        """
        found = {}
        for name, text in queries.items():
            path = self.path / file_name(name)
            if not path.is_file():
                continue
            try:
                capture, altered = read_written(path)
            except InputError:
                continue
            if capture.name == name and capture.query == text and capture.outcome in ("ran", "timed_out", "failed"):
                found[name] = capture, altered
        return found


def file_name(name: str) -> str:
    """The file of a query's capture: its name where any system takes it, else what is left of it and a digest."""
    if _PLAIN.fullmatch(name) and name == name.lower():
        return f"{name}{SUFFIX}"
    kept = re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-.")[:80] or "query"
    return f"{kept}-{hashlib.sha256(name.encode()).hexdigest()[:8]}{SUFFIX}"
