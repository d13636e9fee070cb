"""Tell a server log from other files, and be quick about it: every audit of a single plan asks."""

from __future__ import annotations

from pathlib import Path

from rowreckon.errors import InputError

_SAMPLE = 1 << 20
_COMPRESSED = (b"\x1f\x8b", b"\x28\xb5\x2f\xfd")


def is_archive(path: str) -> bool:
    """Whether it is an address or a file that holds entries of the log module, compressed or not.

    False for what can't be read, which says so elsewhere.
    """
    if "://" in path:
        return True
    if not Path(path).is_file():
        return False
    try:
        with Path(path).open("rb") as stream:
            sample = stream.read(_SAMPLE)
        if sample.startswith(_COMPRESSED):
            return True
        if b" ms  plan:" not in sample:
            return False
        from rowreckon.reading.logs.files import is_log

        return is_log(sample)
    except (InputError, OSError):
        return False
