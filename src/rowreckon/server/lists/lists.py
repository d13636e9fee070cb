"""Query lists from files and folders, with the parameters that stand beside them.

Names are unique over all lists: a single list's are as written, those of several lists carry the file's stem before
them. `list.toml` beside `list.sql` gives the values of `$1`, `$2`, …, several sets a query if wanted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rowreckon.bounded import MOST_TEXT, read_utf8
from rowreckon.document.audit import Rejected
from rowreckon.errors import InputError, RowreckonError, UnreadableFile, UsageError
from rowreckon.files import shown
from rowreckon.intake import rejected
from rowreckon.server.lists.parameters import bind, read_parameters
from rowreckon.server.lists.querylist import QueryItem, read_query_list


@dataclass(frozen=True, slots=True)
class QueryLists:
    """The items of all lists that could be read, in order, and the lists that could not be."""

    items: tuple[QueryItem, ...] = ()
    unread: tuple[Rejected, ...] = ()


def read_lists(paths: Sequence[Path]) -> QueryLists:
    """All items of these lists (.sql files, or folders of them); a list that can't be read hides no other.

    Raises UnreadableFile, InputTooLarge or UsageError where no list could be read, for the first of them, and
    UsageError where the lists hold no statement at all.
    """
    errors: list[RowreckonError] = []
    unread: list[Rejected] = []
    items: list[QueryItem] = []
    files: list[Path] = []
    for path in paths:
        try:
            files += _files(path)
        except UnreadableFile as error:
            errors.append(error)
            unread.append(rejected(shown(path), error))
    for file in files:
        try:
            found = _of_file(file)
        except (InputError, UsageError) as error:
            errors.append(error)
            unread.append(rejected(shown(file), error))
            continue
        items += [replace(i, name=_name_among_lists(i.name, file)) for i in found] if len(files) > 1 else found
    if errors and not items:
        raise _none_read(errors)
    if not items:
        raise UsageError("there is no statement to run", where=", ".join(map(str, paths)), hint="give a file with SQL")
    return QueryLists(_unique(items), tuple(unread))


def _none_read(errors: Sequence[RowreckonError]) -> RowreckonError:
    """The only error, or one that names them all."""
    if len(errors) == 1:
        return errors[0]
    return UsageError(f"no query list could be read: {'; '.join(error.sentence() for error in errors)}")


def _of_file(file: Path) -> list[QueryItem]:
    """A list's items, with the parameters that stand beside it. Raises InputError or UsageError."""
    return _named_after_file(bind(read_query_list(_text(file)), _beside(file), file.with_suffix(".toml")), file)


def _name_among_lists(name: str, file: Path) -> str:
    return f"{file.stem}: {name}" if name != file.stem else name


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
