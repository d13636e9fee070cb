"""PostgreSQL's own functions, reviewed: which act although they are declared stable, which don't although volatile.

Reviewed were all functions of pg_proc with an OID below 16384 on servers of 13 to 18.  Volatile ones are refused unless
they stand in `HARMLESS`; stable and immutable ones run unless they stand in `ACTING`.
"""

from __future__ import annotations

from typing import Final

_VOLATILE: Final = "volatile and so able to act outside this transaction"
_RUNS_TEXT: Final = "which runs what a text or a table's name says"
_CALLS_BY_OID: Final = "which calls what a type or function given as a value names"
_TAKES_A_NUMBER: Final = "which takes a transaction number that no rollback gives back"


def _words(*texts: str) -> frozenset[str]:
    return frozenset(word for text in texts for word in text.split())


HARMLESS: Final = _words(
    # random numbers, clocks, identifiers: nothing is changed but the backend's own seed
    """random random_normal setseed array_sample array_shuffle clock_timestamp timeofday timezone gen_random_uuid uuidv4
    uuidv7 pg_sleep pg_sleep_for pg_sleep_until current_query bernoulli system""",
    # what the session or the cluster tells of itself
    """currval lastval pg_sequence_last_value pg_get_sequence_data txid_status pg_xact_status pg_xact_commit_timestamp
    pg_xact_commit_timestamp_origin pg_last_committed_xact pg_get_multixact_members pg_is_in_recovery pg_is_in_backup
    pg_is_wal_replay_paused pg_get_wal_replay_pause_state pg_last_wal_receive_lsn pg_last_wal_replay_lsn
    pg_last_xact_replay_timestamp pg_current_wal_lsn pg_current_wal_insert_lsn pg_current_wal_flush_lsn pg_lock_status
    pg_blocking_pids pg_safe_snapshot_blocking_pids pg_prepared_xact pg_notification_queue_usage pg_control_checkpoint
    pg_control_init pg_control_recovery pg_control_system pg_get_wait_events pg_get_backend_memory_contexts
    pg_get_shmem_allocations pg_get_wal_resource_managers pg_show_replication_origin_status pg_stat_have_stats
    pg_replication_origin_session_is_setup pg_stat_get_backend_io pg_stat_get_backend_wal pg_stat_get_io
    pg_stat_get_recovery_prefetch pg_stat_get_xact_blocks_fetched pg_stat_get_xact_blocks_hit
    pg_stat_get_xact_function_calls pg_stat_get_xact_function_self_time pg_stat_get_xact_function_total_time
    pg_stat_get_xact_numscans pg_stat_get_xact_tuples_deleted pg_stat_get_xact_tuples_fetched
    pg_stat_get_xact_tuples_hot_updated pg_stat_get_xact_tuples_inserted pg_stat_get_xact_tuples_newpage_updated
    pg_stat_get_xact_tuples_returned pg_stat_get_xact_tuples_updated""",
    # sizes of files and the tree of partitions: looked at, not touched
    """pg_relation_size pg_table_size pg_indexes_size pg_total_relation_size pg_database_size pg_tablespace_size
    pg_partition_tree pg_partition_ancestors pg_collation_actual_version pg_database_collation_actual_version""",
)
"""Declared volatile, harmless by effect."""

_XML: Final = frozenset(
    f"{what}_to_{form}"
    for what in ("table", "query", "cursor", "schema", "database")
    for form in ("xml", "xmlschema", "xml_and_xmlschema")
)
# a type's input function, by the type's name or OID: a domain's checks run with it; and validators of bodies
_BY_OID: Final = _words(
    """pg_input_is_valid pg_input_error_info domain_in domain_recv array_in array_recv record_in record_recv range_in
    range_recv multirange_in multirange_recv anyrange_in anymultirange_in anycompatiblerange_in
    anycompatiblemultirange_in satisfies_hash_partition fmgr_sql_validator fmgr_c_validator fmgr_internal_validator"""
)
ACTING: Final = {
    # the XML family reads a table that may be a view, or runs a query; full text has its statistics and rewriting
    **dict.fromkeys(_XML | {"ts_stat", "ts_rewrite"}, _RUNS_TEXT),
    **dict.fromkeys(_BY_OID, _CALLS_BY_OID),
    **dict.fromkeys(("pg_current_xact_id", "txid_current"), _TAKES_A_NUMBER),
}
"""Declared stable or immutable (or both kinds under one name), and yet running something else, with the reason."""

RUNNERS: Final = _words(
    # tablefunc, xml2, dblink: declared stable or immutable at least in part, and given a query as text
    """crosstab crosstab2 crosstab3 crosstab4 crosstabn crosstab_hash connectby connectby_text connectby_text_serial
    xpath_table dblink dblink_exec dblink_open dblink_fetch dblink_close dblink_connect dblink_connect_u
    dblink_disconnect dblink_send_query dblink_get_result dblink_record"""
)
"""Functions of extensions, by name or by their symbol in the library, that run text as SQL whatever they declare."""

FILLS_RECORDS: Final = ("populate_record", "populate_recordset", "populate_record_valid")
"""Endings of names of functions that turn text into a row, whose columns may be of a domain."""


def why_not(name: str, volatility: str, *, writing: bool) -> str | None:
    """Why one of PostgreSQL's own functions is not called unasked; None where it is harmless.

    `volatility` is pg_proc's letter. `writing`: the statement is a permitted write, of which it is said beforehand that
    sequences advance.
    """
    if name in ACTING:
        return ACTING[name]
    if volatility != "v" or name in HARMLESS or (writing and name == "nextval"):
        return None
    return _VOLATILE


def why_not_of_others(name: str, symbol: str | None, volatility: str) -> str | None:
    """The same of a function that is none of PostgreSQL's own, in whatever language."""
    if name in RUNNERS or symbol in RUNNERS:
        return _RUNS_TEXT
    return _VOLATILE if volatility == "v" else None
