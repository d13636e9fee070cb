"""Configuration files: they name servers that need no question, and grant nothing else.

What `<HOST>`, `<PORT>` and `<DATABASE>` stand for is the server that the list is swept on, which stands elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from psycopg.conninfo import conninfo_to_dict

from rowreckon.cli.config import Config, read_config
from rowreckon.errors import RowreckonError

from .house import SECRET, House
from .relays import elsewhere, own_address
from .tool import PRIVILEGED, Watch, rowreckon

NOT_THIS_ONE = (
    "*", "", ".", "/", ":", "?", ".*", "%", "0.0.0.0", "0.0.0.0/0", "localhost", "127.0.0.1", "::1", "any", "all",
    ":<PORT>", "/<DATABASE>", ":<PORT>/<DATABASE>", "<HOST>.", ".<HOST>", "<HOST>.example", "x<HOST>", "<HOST>:1",
    "<HOST>:*", "<HOST>/*", "<HOST>/postgres", "<HOST>:<PORT>/postgres", "<HOST>,other", "other,<HOST>", "host=<HOST>",
    "postgresql://<HOST>", "<HOST>:<PORT>:<PORT>", "<HOST>/<DATABASE>/x", "<HOST>\\n", "keeper@<HOST>", "::ffff:<HOST>",
)  # fmt: skip
"""Entries of the allow list that are not this server's name, address, port and database."""
THIS_ONE = ("<HOST>", "<HOST>:<PORT>", "<HOST>/<DATABASE>", "<HOST>:<PORT>/<DATABASE>")


@pytest.fixture
def afar(newest_house: House) -> Iterator[str]:
    """The keeper's way to the house from elsewhere."""
    address = own_address()
    if address is None:
        pytest.skip("this machine has no address but the loopback's")
    with elsewhere(newest_house.keeper, address) as dsn:
        yield dsn


def allowing(folder: Path, dsn: str, entries: tuple[str, ...]) -> str:
    """A configuration with this allow list."""
    parts = conninfo_to_dict(dsn)
    listed = ", ".join(f'"{entry}"' for entry in entries)
    for mark, key in (("<HOST>", "host"), ("<PORT>", "port"), ("<DATABASE>", "dbname")):
        listed = listed.replace(mark, str(parts[key]))
    path = folder / "config.toml"
    path.write_text(f"[servers]\nallow = [{listed}]\n")
    return str(path)


def swept(folder: Path, dsn: str, config: str, command: str = "sweep") -> tuple[int, str]:
    """Sweep one harmless query there, with nobody to ask: the status, and all that was printed."""
    query = folder / "q.sql"
    query.write_text("-- name: harmless\nselect n from trio;\n")
    done = rowreckon(command, str(query), "--dsn", dsn, ROWRECKON_CONFIG=config)
    assert "Traceback" not in done.stderr
    return done.returncode, done.stdout + done.stderr


def test_an_allow_list_of_others(afar: str, watch: Watch, tmp_path: Path) -> None:
    """Wildcards, parts and other spellings are no name of this server: nothing is executed, the status is 2."""
    for command in ("sweep", "trial"):
        status, text = swept(tmp_path, afar, allowing(tmp_path, afar, NOT_THIS_ONE), command)
        assert status == 2
        assert "--yes" in text
    watch.unchanged()


@pytest.mark.full
@pytest.mark.parametrize("entry", NOT_THIS_ONE)
def test_each_entry_for_others(afar: str, watch: Watch, tmp_path: Path, entry: str) -> None:
    """Each alone, so that none hides behind a file that was not read for another's sake."""
    status, text = swept(tmp_path, afar, allowing(tmp_path, afar, (entry,)))
    assert status == 2
    assert "--yes" in text
    watch.unchanged()


@pytest.mark.parametrize("entry", [THIS_ONE[-1], *(pytest.param(one, marks=pytest.mark.full) for one in THIS_ONE[:-1])])
def test_the_twin_is_answered(afar: str, watch: Watch, tmp_path: Path, entry: str) -> None:
    """This server's own name: the list is swept, and nothing changes."""
    status, text = swept(tmp_path, afar, allowing(tmp_path, afar, (entry,)))
    assert status == 0, text
    watch.unchanged()


def granted() -> Iterator[str]:
    """Every option of the commands that take a server, as a configuration might try to give it."""
    options: set[str] = set()
    for command in ("sweep", "trial", "audit", "check"):
        options |= set(re.findall(r"--[a-z][a-z-]*", rowreckon(command, "--help").stdout))
    for option in sorted(options - {"--help"}):
        plain, joined = option.removeprefix("--"), option.removeprefix("--").replace("-", "_")
        yield f"{joined} = true\n"
        yield f"[servers]\nallow = []\n{plain} = true\n"
        yield f"[sweep]\n{joined} = true\n"
        yield f"['{option}']\nvalue = 'x'\n"
        yield f"[servers]\nallow = []\n[servers.dev]\n{joined} = 'x'\n"


MEDDLING = (
    "[servers]\nallow = 'x'\n",
    "[servers]\nallow = [['x']]\n",
    "[servers]\nallow = [{host = 'x', allow_volatile = true}]\n",
    "servers = ['x']\n",
    "[[servers]]\nallow = ['x']\n",
    "[servers]\nallow = []\n[sql]\nbefore = \"select snare.spring('config')\"\n",
    "include = '/etc/passwd'\n",
    "[servers]\nallow = [true]\n",
    "[Servers]\nallow = ['x']\n",
    "select snare.spring('config');\n",
)


def test_a_configuration_grants_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each option in each shape is an error that names the file; none is taken, and none is passed over in silence."""
    path = tmp_path / "config.toml"
    monkeypatch.setenv("ROWRECKON_CONFIG", str(path))
    texts = [*granted(), *MEDDLING]
    assert len(texts) > 100
    for text in texts:
        path.write_text(text)
        with pytest.raises(RowreckonError) as caught:
            read_config()
        assert str(path) in caught.value.sentence(), text
    path.write_text("[servers]\nallow = ['huts.example']\n")
    assert read_config() == Config(("huts.example",))


@pytest.mark.parametrize("option", ["allow_volatile", pytest.param("allow_privileged_role", marks=pytest.mark.full)])
def test_flags_in_a_configuration(afar: str, newest_house: House, watch: Watch, tmp_path: Path, option: str) -> None:
    """The command says so as well, and runs nothing with such a file, on this machine or elsewhere."""
    path, query = tmp_path / "config.toml", tmp_path / "q.sql"
    path.write_text(f"[servers]\nallow = ['{conninfo_to_dict(afar)['host']}']\n[sweep]\n{option} = true\nyes = true\n")
    query.write_text("-- name: call\nselect snare.spring('config');\n")
    for dsn in (newest_house.keeper, newest_house.warden, afar):
        done = rowreckon("sweep", str(query), "--dsn", dsn, ROWRECKON_CONFIG=str(path))
        assert done.returncode == 2
        assert "Traceback" not in done.stderr
    watch.unchanged()


def test_what_is_no_configuration(afar: str, watch: Watch, tmp_path: Path) -> None:
    """A secret file, a folder, an endless device, a pipe: one sentence, nothing of the content, nothing executed."""
    secret = tmp_path / "secret"
    secret.write_text(f"keeper:{SECRET}:1\n")
    for target in (secret, tmp_path, "/dev/zero", "/dev/stdin", "/proc/self/environ"):
        status, text = swept(tmp_path, afar, str(target))
        assert status == 2, target
        assert SECRET not in text
        assert "PYTHONPATH" not in text
    watch.unchanged()


def test_a_superuser_needs_the_command_line(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """Neither an allow list nor a connection's options nor the environment are the flag for a privileged role."""
    path, query = tmp_path / "config.toml", tmp_path / "q.sql"
    path.write_text("[servers]\nallow = ['warden', 'localhost']\n")
    query.write_text("-- name: harmless\nselect n from trio;\n")
    variables = {"ROWRECKON_CONFIG": str(path), "ROWRECKON_ALLOW_PRIVILEGED_ROLE": "1", "ROWRECKON_SWEEP_YES": "1"}
    done = rowreckon("sweep", str(query), "--dsn", newest_house.warden, "--yes", **variables)
    assert done.returncode == 2
    assert PRIVILEGED in done.stderr
    allowed = rowreckon("sweep", str(query), "--dsn", newest_house.warden, PRIVILEGED, **variables)
    assert allowed.returncode == 0, allowed.stderr
    watch.unchanged()
