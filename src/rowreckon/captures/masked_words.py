"""Masking of what is no SQL: sentences in which a server may have spoken, and the values of settings."""

from __future__ import annotations

import re
from typing import Any

from rowreckon.sql.masking import MASKED, UNREAD

SERVER_SAID = "the server's message is masked"
"""Stands for a message of a server's, which may repeat values of the data in any form."""

_VALUE_IN_WORDS = re.compile(r"\"[^\"]*\"|'[^']*'|(?<!SQLSTATE )(?<![\w.])\d[\d.]*+(?:[eE][+-]?\d+)?+(?!\w)")
_QUOTED = re.compile(r"\"[^\"]*\"|'[^']*(?:''[^']*)*'")
_SQLSTATE = re.compile(r" \(SQLSTATE [0-9A-Z]{5}\)\Z")

# Settings that the planner goes by, whose values are numbers, flags or words of PostgreSQL's own.
_PLANNER_TEXT = """
    autovacuum constraint_exclusion cursor_tuple_fraction default_statistics_target default_transaction_isolation
    effective_cache_size effective_io_concurrency from_collapse_limit hash_mem_multiplier io_combine_limit
    join_collapse_limit maintenance_work_mem max_parallel_workers max_parallel_workers_per_gather max_worker_processes
    min_parallel_index_scan_size min_parallel_table_scan_size parallel_leader_participation parallel_setup_cost
    parallel_tuple_cost plan_cache_mode random_page_cost recursive_worktable_factor row_security seq_page_cost
    shared_buffers temp_buffers track_counts work_mem
"""
_PLANNER = frozenset(_PLANNER_TEXT.split())
_PLANNER_BEGIN = ("enable_", "geqo", "jit", "cpu_")
_NAMES = frozenset({"search_path"})


def masked_reason(reason: str | None, *, outcome: str, sqlstate: str | None) -> str | None:
    """Why something has no result; a server's own message is left out, its SQLSTATE stays."""
    if reason is None:
        return None
    told = _SQLSTATE.search(reason)
    if told is not None:
        return SERVER_SAID + told.group()
    return SERVER_SAID if outcome == "failed" and sqlstate is not None else masked_sentence(reason)


def masked_sentence(text: str) -> str:
    """A sentence of ours, in which values stand between quotation marks or as digits; what follows a colon may be a
    server's message, and is left out."""
    said, colon, _ = text.partition(": ")
    return _VALUE_IN_WORDS.sub(MASKED, said) + (f": {UNREAD}" if colon else "")


def masked_name(text: str) -> str:
    """A query's name as somebody chose it, without what stands between quotation marks."""
    return _QUOTED.sub(f"'{MASKED}'", text)


def masked_setting(name: str, value: Any) -> Any:
    """A setting's value where the planner goes by it, or where it lists names; of all others it may be anything."""
    known = name in _PLANNER or name in _NAMES or ("." not in name and name.startswith(_PLANNER_BEGIN))
    return value if known or value is None else MASKED
