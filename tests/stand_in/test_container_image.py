"""Server programs out of a container image: a stand-in plans there as on this machine, shut off, and leaves nothing.

The image is Debian's base with a server of the version matrix in the folder of Debian's packages; the engine itself
says which containers there are, and what they may.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.errors import CannotStart
from rowreckon.server.connecting.connection import connected
from rowreckon.server.own.account import server_account
from rowreckon.server.own.rundir import cache_folder, new_run_folder
from rowreckon.server.stand_in import home
from rowreckon.server.stand_in.programs import ContainerImage, find_programs, named_programs
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import stand_in_facts
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers, matrix_folder
from tests.servers.images import build, docker_engine

from .test_killed import CHILD, SCRIPT, running_below
from .test_same_plans import both, facts_of
from .test_same_plans import build as run_scripts

pytestmark = [pytest.mark.full, pytest.mark.docker, pytest.mark.matrix]

MAJOR = 16
DOCKERFILE = f"FROM debian:bookworm-slim\nCOPY {MAJOR} /usr/lib/postgresql/{MAJOR}\n"
PLACES = ("home.init_data", "standing.insert_ends", "standing.set_lengths", "planning.Planner.plan", "home.Home.leave")
"""Before the first server, while it runs, between the two, while the second runs, and at the end."""


@pytest.fixture(scope="module")
def engine() -> Any:
    """A client of the Docker engine."""
    return docker_engine()


@pytest.fixture(scope="module")
def image(engine: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """An image with the server programs of one release."""
    del engine
    context = tmp_path_factory.mktemp("image")
    shutil.copytree(matrix_folder() / str(MAJOR), context / str(MAJOR), symlinks=True)
    (context / "Dockerfile").write_text(DOCKERFILE)
    yield from build(context, "Dockerfile", "rowreckon-test-programs:latest")


@pytest.fixture
def cache(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A cache folder that an account without rights reaches."""
    folder = cache_folder() / f"contained-{os.getpid()}"
    monkeypatch.setattr(home, "cache_folder", lambda: folder)
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


def containers_below(engine: Any, folder: Path) -> list[Any]:
    """Containers that mount something below the folder, running or not, as the engine tells."""
    every = engine.containers.list(all=True)
    return [one for one in every if any(str(folder) in mount.get("Source", "") for mount in one.attrs["Mounts"])]


@pytest.fixture(scope="module")
def facts(servers: Servers, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, Path]]:
    """A session in a small database, and the file of its facts."""
    path = tmp_path_factory.mktemp("facts") / "facts.json"
    with fresh_database(servers(MAJOR).dsn) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            run_scripts(loading, SCRIPT)
        with connected(dsn) as source:
            path.write_text(facts_of(source, ["select * from huts"]).model_dump_json(by_alias=True))
            yield source, path


def test_it_plans_as_the_source_does_and_is_shut_off(
    engine: Any, image: str, cache: Path, facts: tuple[Any, Path]
) -> None:
    """To the cent; without a network, without rights, as nobody or whoever asks, with one folder of this machine."""
    source, path = facts
    with stand_in(stand_in_facts(path.read_text()), ContainerImage(image)) as there:
        for query in ("select * from huts where id > 2990", "select name, count(*) from huts group by name"):
            assert plan_differences(*both(source, there.planner, query, {})) == ()
        assert there.without == ()
        assert there.place.binaries.told.endswith(f"in the container image {image}")
        (running,) = containers_below(engine, cache)
        status = running.exec_run(["cat", "/proc/1/status", "/proc/net/dev"]).output.decode()

    assert "CapEff:\t0000000000000000" in status
    assert "CapBnd:\t0000000000000000" in status
    assert f"Uid:\t{server_account().numbers()[0]}" in status
    assert "eth0" not in status
    host = running.attrs["HostConfig"]
    assert (host["NetworkMode"], host["ReadonlyRootfs"], host["Privileged"]) == ("none", True, False)
    assert host["PortBindings"] in (None, {})
    assert {mount["Source"] for mount in running.attrs["Mounts"] if mount["RW"]} == {str(there.place.data.parent)}
    assert containers_below(engine, cache) == []
    assert list((cache / "servers").glob("run-*")) == []


IN_IMAGE = CHILD.replace(
    "stand_in_facts(Path(sys.argv[1]).read_text())", "stand_in_facts(Path(sys.argv[1]).read_text()), IMAGE"
)


@pytest.mark.parametrize("guard_too", [False, True], ids=["the run alone", "all its processes"])
@pytest.mark.parametrize("place", PLACES)
def test_nothing_stays_after_a_kill(
    engine: Any, image: str, cache: Path, facts: tuple[Any, Path], place: str, *, guard_too: bool
) -> None:
    """SIGKILL of the run, and of whatever it has started here: the next start leaves no container and no folder."""
    head = "from rowreckon.server.stand_in.programs import ContainerImage\nIMAGE = ContainerImage(sys.argv[4])\n"
    code = IN_IMAGE.replace("*owner, name", f"{head}*owner, name")
    command = [sys.executable, "-c", code, str(facts[1]), str(cache), place, image]
    done = subprocess.run(command, check=False, timeout=300)
    assert done.returncode == -signal.SIGKILL
    assert len(list((cache / "servers").glob("run-*"))) == 1
    if guard_too:
        for entry in Path("/proc").glob("[0-9]*/cmdline"):
            if str(cache).encode() in (entry.read_bytes() if entry.exists() else b"") and owned(entry.parent):
                os.kill(int(entry.parent.name), signal.SIGKILL)

    new_run_folder(cache / "servers", server_account()).remove()
    assert list((cache / "servers").glob("run-*")) == []
    assert containers_below(engine, cache) == []
    assert running_below(cache) == []


def owned(process: Path) -> bool:
    """Whether a process is a guard of ours or a client of the engine, and not a server in a container."""
    words = (process / "cmdline").read_bytes().split(b"\0")
    return b"rowreckon-guard" in words or words[0].endswith(b"docker")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("rowreckon-nowhere:1", "no container image rowreckon-nowhere:1 is on this machine"),
        ("debian:bookworm-slim", "no server programs of PostgreSQL 16 are in the container image"),
        ("--privileged", "is no name of a container image"),
        ("", "is no name of a container image"),
        ("a b", "is no name of a container image"),
    ],
)
@pytest.mark.usefixtures("engine")
def test_an_image_that_does_not_do(name: str, said: str, tmp_path: Path) -> None:
    """One sentence each, which says what to do; nothing is fetched."""
    with pytest.raises(CannotStart, match=said) as refused:
        find_programs(MAJOR, named_programs(f"image:{name}"), server_account(), tmp_path)
    assert refused.value.hint
    assert "\n" not in refused.value.sentence()


def test_an_image_of_another_release(image: str, tmp_path: Path) -> None:
    """What it holds is named."""
    with pytest.raises(CannotStart, match=r"PostgreSQL 13 are in .*, that holds 16\."):
        find_programs(13, ContainerImage(image), server_account(), tmp_path)
