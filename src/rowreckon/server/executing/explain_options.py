"""The options of EXPLAIN that the executor uses, by server version (server_version_num, such as 180006)."""

from __future__ import annotations


def reports_memory(server_version: int) -> bool:
    """MEMORY: what planning took (17)."""
    return server_version >= 170000


def reports_wal(server_version: int) -> bool:
    """WAL: what a write would log (13)."""
    return server_version >= 130000


def planning_options(server_version: int) -> str:
    """Options that plan without running."""
    return "VERBOSE, SETTINGS, FORMAT JSON"


def filling_options() -> str:
    """Options that run a statement for its time alone."""
    return "ANALYZE, TIMING OFF, FORMAT JSON"


def running_options(server_version: int, *, writes: bool, timing: bool) -> str:
    """Options that run the statement; per-node timing can be left out where its overhead matters."""
    words = ["ANALYZE", "VERBOSE", "BUFFERS", "SETTINGS"]
    if not timing:
        words.append("TIMING OFF")
    if writes and reports_wal(server_version):
        words.append("WAL")
    if reports_memory(server_version):
        words.append("MEMORY")
    return ", ".join([*words, "FORMAT JSON"])
