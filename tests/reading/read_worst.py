"""Read one worst input and print what that cost: `python -m tests.reading.read_worst WAY SIZE,… NAME…`.

A process of its own, so that processor time and memory are this reading's and can be bounded by the system.
"""

from __future__ import annotations

import io
import json
import resource
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory

from rowreckon.errors import RowreckonError
from tests.reading import worst

MB = 1024 * 1024


def _text(data: bytes) -> None:
    from rowreckon.intake import read_text

    read_text(data)


def _log(data: bytes) -> None:
    from rowreckon.archive.follow import Following
    from rowreckon.archive.work import Options

    following = Following(Options())
    following.run(io.BytesIO(data))
    following.file.close()


def _packed(data: bytes) -> None:
    import gzip

    from rowreckon.archive.audit import audit_archive

    with TemporaryDirectory() as folder:
        path = Path(folder) / "packed.gz"
        path.write_bytes(gzip.compress(data, 1))
        audit_archive([str(path)])


def _answer(data: bytes) -> None:
    from rowreckon.catalog.ask import read_answers

    read_answers(data.decode())


def _table(data: bytes) -> None:
    from rowreckon.bounded import read_toml

    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.toml"
        path.write_bytes(data)
        read_toml(path, "the table")


def _schema(data: bytes) -> None:
    from rowreckon.declared.reading import SchemaFiles, decoded, read_text
    from rowreckon.declared.result import declared_of

    found = SchemaFiles()
    read_text(found, "schema.sql", decoded(data, "schema.sql"))
    declared_of(found, {"t", "u", "w", "t1", "b"})


WAYS: dict[str, tuple[Callable[[bytes], None], dict[str, worst.Made]]] = {
    "text": (_text, worst.TEXTS | worst.CONDITIONS),
    "log": (_log, worst.TEXTS),
    "packed": (_packed, worst.TEXTS),
    "answer": (_answer, worst.ANSWERS),
    "table": (_table, worst.TABLES),
    "schema": (_schema, worst.SCHEMAS),
}
"""Each way in: how it is read, and with what."""


def cost(way: str, name: str, size: int) -> tuple[float, float]:
    """Seconds of processor time, and memory in MB at its highest so far. Raises what no reader may raise."""
    read, inputs = WAYS[way]
    data = inputs[name](size)
    start = time.process_time()
    with suppress(RowreckonError):
        read(data)
    return time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(way: str, sizes: str, *names: str, seconds: int = 0) -> None:
    """Read the inputs one by one, each named before and its cost said after; several sizes are read in their order."""
    for name in names or WAYS[way][1]:
        print(name, flush=True)
        if seconds:
            spent = int(time.process_time()) + 1
            resource.setrlimit(resource.RLIMIT_CPU, (spent + seconds, resource.RLIM_INFINITY))
        for size in map(int, sizes.split(",")):
            took, memory = cost(way, name, size)
            print(json.dumps({"name": name, "size": size, "seconds": took, "mb": memory}), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
