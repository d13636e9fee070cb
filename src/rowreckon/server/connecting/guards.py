"""The settings on which this tool's guards rest: no list and no option may set them, however the name is written.

Names are compared as PostgreSQL's parser gives them, in lower case, since the server compares them so.
"""

from __future__ import annotations

from typing import Final

_NAMES: Final = frozenset(
    {
        # whether a transaction may write, and how it sees the others
        "transaction",
        "transaction snapshot",
        "session characteristics",
        "constraints",
        "session_replication_role",
        # whose session it is; SET ROLE has a permission of its own
        "session_authorization",
        "is_superuser",
        # how the text of the next statement is read
        "standard_conforming_strings",
        "client_encoding",
        "backslash_quote",
        "lo_compat_privileges",
        # the limits
        "statement_timeout",
        "lock_timeout",
        "client_connection_check_interval",
        "deadlock_timeout",
        # what the server checks, writes beside its data, or loads
        "event_triggers",
        "restrict_nonsystem_relation_kind",
        "allow_system_table_mods",
        "zero_damaged_pages",
        "ignore_checksum_failure",
        "ignore_invalid_pages",
        "jit_dump_bitcode",
        "jit_debugging_support",
        "jit_profiling_support",
        "dynamic_library_path",
        "extension_control_path",
    }
)
_BEGINNINGS: Final = ("transaction_", "default_transaction_", "idle_", "tcp_")
_ENDINGS: Final = ("preload_libraries", "start_proc", "on_init", "_init", "transaction_timeout")


def guarded(name: str) -> bool:
    """Whether setting this would lift a guard, or have the server run or load something."""
    lower = name.lower()
    return lower in _NAMES or lower.startswith(_BEGINNINGS) or lower.endswith(_ENDINGS)
