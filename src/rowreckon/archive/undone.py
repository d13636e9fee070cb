"""What of an archive was not read when the work had to end."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.archive.files import size_of
from rowreckon.archive.runner import Done
from rowreckon.document.audit import Rejected
from rowreckon.errors import InputError
from rowreckon.files import shown


class Undone:
    """Keeps count of the inputs' bytes that were read."""

    def __init__(self, files: Sequence[str]) -> None:
        self._files = files
        self._read: dict[int, int] = {}

    @property
    def begun(self) -> bool:
        """Whether any unit was done."""
        return bool(self._read)

    def note(self, done: Done) -> None:
        """A unit was done, or at least begun."""
        number = done.unit.input
        self._read[number] = self._read.get(number, 0) + (done.unit.bytes if done.whole else 0)

    def left(self) -> list[Rejected]:
        """The inputs that were not read to their end."""
        found = []
        for number, path in enumerate(self._files):
            read, size = self._read.get(number), _size(path)
            if read is None:
                found.append(Rejected(source=shown(path), reason="the run ended before it was read"))
            elif read < size:
                known = f"; {read:,} of its {size:,} bytes were read" if read else ""
                found.append(Rejected(source=shown(path), reason=f"the run ended before all of it was read{known}"))
        return found


def _size(path: str) -> int:
    try:
        return size_of(path)
    except InputError:
        return 0
