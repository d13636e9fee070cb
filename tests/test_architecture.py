"""The rules that keep the core pure, read off the sources' own imports."""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import rowreckon

SOURCE = Path(rowreckon.__file__).parent
CORE = (
    *("document", "plan", "counts", "cost", "learned", "joins", "remedies", "causes", "proposals", "trial"),
    *("auditing.py", "elsewhere.py", "capture.py"),
)
IO = {"os", "sys", "pathlib", "socket", "subprocess", "time", "datetime", "random", "io", "tempfile", "shutil"}
# A catalog's facts hold the time of the last ANALYZE, which is a value and not a clock.
VALUES = {"datetime"}


def _modules(*places: str) -> Iterator[Path]:
    for place in places:
        path = SOURCE / place
        yield from [path] if path.is_file() else sorted(path.rglob("*.py"))


@functools.cache
def _imports(path: Path) -> tuple[str, ...]:
    """Full names of everything that a module imports, inside functions as well; each module is read once."""
    return tuple(_imported(path))


def _imported(path: Path) -> Iterator[str]:
    package = ".".join(("rowreckon", *path.relative_to(SOURCE).parent.parts))
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, base]).rstrip(".")
            yield base
            yield from (f"{base}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", list(_modules(*CORE)), ids=lambda p: str(p.relative_to(SOURCE)))
def test_the_core_knows_no_edge(path: Path) -> None:
    """No input, output, clock, server, terminal or template in the core."""
    found = {name.split(".")[0] for name in _imports(path)}
    edges = {name for name in _imports(path) if name.startswith(("rowreckon.server", "rowreckon.cli"))}
    renderings = {name for name in _imports(path) if name.startswith("rowreckon.report")}

    assert not found & (IO - VALUES)
    assert not found & {"psycopg", "rich", "typer", "jinja2", "platformdirs"}
    assert not edges
    assert not renderings


HALLS = {"causes"}

FLOORS = {
    "server": ("own", "connecting", "lists", "judging", "executing", "sweeping", "trials", "stand_in"),
    "report": ("words", "comparing", "drawings", "story", "formats"),
    "joins": ("facts", "above", "ways", "from_plan", "from_catalog", "learning", "verdict"),
}
"""Rooms of a folder from the ground up: one may import those before it, never one after it."""


@pytest.mark.parametrize("folder", FLOORS)
def test_no_room_imports_one_above_it(folder: str) -> None:
    """Inside a folder the arrows run down only, types for checkers included."""
    rooms = FLOORS[folder]
    upward = [
        f"{path.relative_to(SOURCE)} imports {name}"
        for at, room in enumerate(rooms)
        for path in _modules(f"{folder}/{room}")
        for name in _imports(path)
        if any(name.startswith(f"rowreckon.{folder}.{above}") for above in rooms[at + 1 :])
    ]

    assert len(list(_modules(folder))) > len(rooms)
    assert not upward


def _child(path: Path, folder: Path) -> str:
    """The folder or module straight in `folder` that holds this file."""
    return path.relative_to(folder).parts[0].removesuffix(".py")


def _arrows(folder: Path) -> dict[str, set[str]]:
    """Of each folder and module straight in a folder, the others there that it imports, types for checkers included."""
    prefix = ".".join(("rowreckon", *folder.relative_to(SOURCE).parts, ""))
    files = [path for path in folder.rglob("*.py") if path != folder / "__init__.py"]
    children = {_child(path, folder) for path in files}
    arrows: dict[str, set[str]] = {child: set() for child in children}
    for path in files:
        below = {name.removeprefix(prefix).split(".")[0] for name in _imports(path) if name.startswith(prefix)}
        arrows[_child(path, folder)] |= below & children - {_child(path, folder)}
    return arrows


@pytest.mark.parametrize(
    "folder", [SOURCE, *sorted({p.parent for p in SOURCE.rglob("*/__init__.py")})], ids=lambda p: p.name
)
def test_no_arrow_runs_back_up(folder: Path) -> None:
    """What stands side by side in a folder, modules and folders, can be put in an order: each imports earlier ones."""
    try:
        TopologicalSorter(_arrows(folder)).prepare()
    except CycleError as error:
        pytest.fail(f"in {folder.name} these import each other in a circle: {' <- '.join(error.args[1])}")


def test_arrows_are_seen() -> None:
    """An arrow is seen between parts, between a module and a folder beside it, and from inside a folder."""
    assert "catalog" in _arrows(SOURCE)["captures"]
    assert "running" in _arrows(SOURCE / "cli")["audits"]
    assert "limits" in _arrows(SOURCE / "reading")["explain_text"]


def test_no_folder_is_a_hall() -> None:
    """A folder of more files than this has rooms that nobody has drawn; causes stand one a file."""
    counts = {str(p.relative_to(SOURCE)): len(list(p.glob("*.py"))) for p in SOURCE.rglob("*") if p.is_dir()}

    assert {name for name, count in counts.items() if count > 25} <= HALLS


def test_only_the_server_package_knows_psycopg() -> None:
    """One package speaks to databases."""
    users = {
        p.relative_to(SOURCE).parts[0] for p in _modules(".") if any(n.split(".")[0] == "psycopg" for n in _imports(p))
    }

    assert users == {"server"}


def test_only_command_and_reports_know_the_terminal() -> None:
    """typer belongs to the command line; rich to it, to the renderings and to the one function that calls them."""
    typer = {p.relative_to(SOURCE).parts[0] for p in _modules(".") if "typer" in {n.split(".")[0] for n in _imports(p)}}
    rich = {p.relative_to(SOURCE).parts[0] for p in _modules(".") if "rich" in {n.split(".")[0] for n in _imports(p)}}

    assert typer == {"cli"}
    assert rich <= {"cli", "report", "api.py"}


def test_nothing_within_comes_through_the_front_door() -> None:
    """The package's own names are for others: inside, each module is imported from where it stands."""
    names = {f"rowreckon.{name}" for name in rowreckon.__all__}
    users = {str(p.relative_to(SOURCE)): found for p in _modules(".") if (found := names & set(_imports(p)))}

    assert users == {}


def test_the_public_names_are_there() -> None:
    """What the package says it exports can be imported, and nothing else is promised."""
    for name in rowreckon.__all__:
        assert getattr(rowreckon, name) is not None
    with pytest.raises(AttributeError):
        _ = rowreckon.unheard_of


def test_files_hold_one_idea() -> None:
    """A file that outgrows this has usually become two."""
    long = {str(p.relative_to(SOURCE)): n for p in _modules(".") if (n := len(p.read_text().splitlines())) > 400}

    assert not long
