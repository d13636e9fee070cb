"""The two images are built and run for real, through testcontainers, wherever a Docker engine answers.

Without an engine these tests skip, unless ROWRECKON_REQUIRE_DOCKER=1; `docker/start-engine` brings one up.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.errors import CannotConnect
from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor
from rowreckon.server.samples.build import DESK, sample_queries
from tests.servers.images import build, docker_engine
from tests.waiting import turns

pytestmark = pytest.mark.docker

ROOT = Path(__file__).parents[2]
PASSWORD = "it's a secret"


@pytest.fixture(scope="module")
def engine() -> Any:
    """A client of the Docker engine."""
    return docker_engine()


@pytest.fixture(scope="module")
def database_image(engine: Any) -> Iterator[str]:
    yield from build(ROOT, "docker/database/Dockerfile", "rowreckon-test-huts:latest")


@pytest.fixture(scope="module")
def tool_image(engine: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The tool's image, from wheels that are brought along where this Python is the image's (3.11)."""
    context = tmp_path_factory.mktemp("context")
    for name in ("pyproject.toml", "README.md", "LICENSE", ".dockerignore"):
        shutil.copy(ROOT / name, context)
    shutil.copytree(ROOT / "src", context / "src", ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    shutil.copytree(ROOT / "docker", context / "docker")
    if sys.version_info[:2] == (3, 11):
        wanted = f"{context}[embedded]"
        command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--wheel-dir", str(context / "wheels"), wanted]
        subprocess.run(command, check=True, stdin=subprocess.DEVNULL)
    yield from build(context, "docker/tool/Dockerfile", "rowreckon-test-tool:latest")


@pytest.fixture(scope="module")
def huts(database_image: str) -> Iterator[str]:
    """DSN (without password) of a running development database."""
    from testcontainers.core.container import DockerContainer

    container = DockerContainer(database_image).with_env("HUTS_PASSWORD", PASSWORD).with_exposed_ports(5432)
    with container as running:
        dsn = f"host={running.get_container_host_ip()} port={running.get_exposed_port(5432)} user=warden dbname=huts"
        for _ in turns("the database in the container"):
            with contextlib.suppress(psycopg.OperationalError):
                psycopg.connect(dsn, password=PASSWORD, connect_timeout=2).close()
                break
        yield dsn


def test_the_development_database_serves_the_whole_list(huts: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """An ordinary role logs in with the password of the environment and runs every query of the samples."""
    monkeypatch.setenv("PGPASSWORD", PASSWORD)
    with connected(huts) as connection:
        assert connection.info.server_version // 10000 == 15
        row = connection.execute("select rolsuper from pg_roles where rolname = current_user").fetchone()
        assert row == (False,)
        executor = Executor(connection, SafetyPermission())
        runs = [executor.run(item) for item in sample_queries()]
    assert {run.item.name: run.reason for run in runs if run.outcome != "ran"} == {}


def test_the_development_database_wants_the_password(huts: str) -> None:
    """A wrong password is refused, and the error does not repeat it."""
    with pytest.raises(CannotConnect) as caught, connected(f"{huts} password=guessed-wrong"):
        pass
    assert "guessed-wrong" not in str(caught.value)
    assert "warden" in str(caught.value)


def compose_command() -> list[str]:
    """The engine's plugin, or the program of its own that Debian has."""
    plugin = subprocess.run(["docker", "compose", "version"], capture_output=True, check=False)
    if plugin.returncode == 0:
        return ["docker", "compose"]
    if shutil.which("docker-compose"):
        return ["docker-compose"]
    reason = "neither the engine's compose plugin nor docker-compose is installed"
    if os.environ.get("ROWRECKON_REQUIRE_DOCKER") == "1":
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)


@pytest.fixture
def composed(database_image: str, tool_image: str, tmp_path: Path) -> Iterator[Callable[..., str]]:
    """What compose prints when told something, with the file of docker/ and the images of these tests."""
    images = {"database": {"image": database_image}, "rowreckon": {"image": tool_image}}
    override = tmp_path / "images.yaml"
    override.write_text(json.dumps({"services": images}))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        environment = {**os.environ, "HUTS_PASSWORD": PASSWORD, "HUTS_PORT": str(free.getsockname()[1])}
    files = ["-f", str(ROOT / "docker" / "compose.yaml"), "-f", str(override)]
    command = [*compose_command(), "-p", f"rowreckon-test-{os.getpid()}", *files]

    def compose(*words: str) -> str:
        done = subprocess.run(
            [*command, *words],
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=180,
            check=False,
        )
        assert done.returncode == 0, done.stderr[-2000:]
        return done.stdout

    try:
        yield compose
    finally:
        compose("down", "--volumes", "--timeout", "5")


# the database is in another container, so on another machine; its role `warden` is a plain one
_LEAVE = ("--yes",)


@pytest.mark.full
def test_compose_brings_up_the_database_and_sweeps_it(composed: Callable[..., str]) -> None:
    """The tool's container sweeps the sample lists on the database's, which its health check lets it wait for."""
    composed("up", "-d", "--no-build", "database")
    where = "import rowreckon.server.samples as s; print(s.__path__[0])"
    samples = composed("run", "--rm", "-T", "--entrypoint", "/opt/rowreckon/bin/python", "rowreckon", "-c", where)
    audits = [
        json.loads(
            composed(
                *("run", "--rm", "-T", "rowreckon", "sweep", f"{samples.strip()}/{queries}", *_LEAVE),
                *("--format", "json", *role),
            )
        )
        for queries, role in (("queries.sql", ()), ("desk_queries.sql", ("--role", DESK)))
    ]
    assert {plan["outcome"] for audit in audits for plan in audit["plans"]} == {"ran"}
    assert sum(audit["summary"]["plans"] for audit in audits) == len(sample_queries())
    assert audits[0]["summary"]["crossed"] >= 10


def run_tool(image: str, entrypoint: list[str], command: list[str], engine: Any, **options: Any) -> tuple[int, str]:
    """Run a container to its end: exit status and standard output."""
    container = engine.containers.run(image, command, entrypoint=entrypoint, detach=True, **options)
    try:
        status = container.wait(timeout=180)["StatusCode"]
        return status, container.logs(stdout=True, stderr=False).decode()
    finally:
        container.remove(force=True)


def test_the_tool_audits_a_plan_in_a_container(tool_image: str, engine: Any) -> None:
    """The image's command reads a mounted plan and prints the audit as JSON."""
    plans = {str(ROOT / "sample_plans"): {"bind": "/plans", "mode": "ro"}}
    command = ["audit", "--format", "json", "/plans/stale-statistics.18.json"]
    status, out = run_tool(tool_image, ["rowreckon"], command, engine, volumes=plans, network_mode="none")
    assert status == 0
    assert json.loads(out)["schema"] == "rowreckon.audit/2"


DEMO = """
import os
from rowreckon.server.sweeping.demo import run_demo
runs = run_demo()
print(os.geteuid() != 0, len(runs), {run.outcome for run in runs})
"""


@pytest.mark.parametrize("user", ["rowreckon", "root"])
def test_the_demonstration_needs_no_network(tool_image: str, engine: Any, user: str) -> None:
    """In a container without any network the demonstration runs, as an ordinary user and as root."""
    status, out = run_tool(
        tool_image, ["/opt/rowreckon/bin/python"], ["-c", DEMO], engine, network_mode="none", user=user
    )
    assert (status, out.strip()) == (0, f"{user != 'root'} {len(sample_queries())} {{'ran'}}")
