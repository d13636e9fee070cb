"""Query lists from files and folders, with the parameters that stand beside them.

Names are unique over all lists: a single list's are as written, those of several lists carry the file's stem before
them. `list.toml` beside `list.sql` gives the values of `$1`, `$2`, …, several sets a query if wanted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from rowreckon.bounded import MOST_TEXT, read_utf8
from rowreckon.errors import UnreadableFile, UsageError
from rowreckon.server.lists.parameters import bind, read_parameters
from rowreckon.server.lists.querylist import QueryItem, read_query_list


def read_lists(paths: Sequence[Path]) -> tuple[QueryItem, ...]:
    """All items of these lists (.sql files, or folders of them), in order.

    Raises UnreadableFile for a path that can't be read, UsageError for parameters that fit no query or are no TOML,
    and where the lists hold no statement at all.
    """
    files = [file for path in paths for file in _files(path)]
    items: list[QueryItem] = []
    for file in files:
        found = _named_after_file(bind(read_query_list(_text(file)), _beside(file), file.with_suffix(".toml")), file)
        items += (
            [replace(i, name=f"{file.stem}: {i.name}" if i.name != file.stem else i.name) for i in found]
            if (len(files) > 1)
            else found
        )
    if not items:
        raise UsageError("there is no statement to run", where=", ".join(map(str, paths)), hint="give a file with SQL")
    return _unique(items)


def _files(path: Path) -> list[Path]:
    if path.is_dir():
        found = sorted(p for p in path.rglob("*.sql") if p.is_file())
        if not found:
            raise UnreadableFile("the folder holds no .sql files", where=str(path))
        return found
    if not path.exists():
        raise UnreadableFile("there is no such file", where=str(path), hint="check the path of the query list")
    return [path]


def _text(file: Path) -> str:
    return read_utf8(file, MOST_TEXT, "the query list")


def _beside(file: Path) -> dict[str, dict[str, list[object]]]:
    path = file.with_suffix(".toml")
    return read_parameters(path) if path.is_file() else {}


def _named_after_file(items: Sequence[QueryItem], file: Path) -> list[QueryItem]:
    """A file with one statement that has no name of its own lends it the file's."""
    if len(items) == 1 and items[0].name == f"line {items[0].line}":
        return [replace(items[0], name=file.stem)]
    return list(items)


def _unique(items: Sequence[QueryItem]) -> tuple[QueryItem, ...]:
    taken: dict[str, int] = {}
    out = []
    for item in items:
        taken[item.name] = number = taken.get(item.name, 0) + 1
        out.append(item if number == 1 else replace(item, name=f"{item.name} ({number})"))
    return tuple(out)
