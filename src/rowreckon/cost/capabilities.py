"""What each PostgreSQL release's planner can do, as one small predicate per feature.

Each takes the server's major version (one of `releases.MODELLED`) and names the release that brought the feature. No
other module of this package compares version numbers.
Source: the release notes of PostgreSQL 13 to 18 and optimizer/path, optimizer/util, utils/adt/selfuncs.c of
releases 15 and 18; boundaries in between were settled on live servers of all six majors.
"""

from __future__ import annotations


def remembers_other_types(major: int) -> bool:
    """Memoize keeps rows by a value of another type than what it is compared with, by that type's own hash function
    (check_memoizable in optimizer/plan/initsplan.c): 15."""
    return major >= 15


def has_memoize(major: int) -> bool:
    """Memoize above a parameterised inner side: 14."""
    return major >= 14


def marks_never_analyzed(major: int) -> bool:
    """`reltuples` of -1 says 'never vacuumed or analysed': 14 (`relpages` of 0 said it before)."""
    return major >= 14


def has_doubled_hash_mem(major: int) -> bool:
    """`hash_mem_multiplier` defaults to 2.0: 15 (1.0 before)."""
    return major >= 15


def has_balanced_merge_order(major: int) -> bool:
    """External sort merges with as many output as input tapes, so that a tape costs two buffers: 15."""
    return major >= 15


def knows_partitioned_indexes(major: int) -> bool:
    """A unique index of a partitioned table proves uniqueness: 16."""
    return major >= 16


def counts_partition_tuples(major: int) -> bool:
    """A partitioned table has its partitions' tuples: 18 (as many as its expected rows before)."""
    return major >= 18


def has_right_anti_join(major: int) -> bool:
    """Join type Right Anti, hash and merge only: 16."""
    return major >= 16


def has_right_semi_join(major: int) -> bool:
    """Join type Right Semi, hash only: 18."""
    return major >= 18


def has_parallel_right_hash_join(major: int) -> bool:
    """Parallel-aware hash join for Right and Full: 16."""
    return major >= 16


def ignores_switches_among_partial_paths(major: int) -> bool:
    """A partial path is refused for a cheaper one though that was switched off: 18, where switches became a count that
    add_partial_path_precheck in optimizer/util/pathnode.c leaves out of its first comparison."""
    return major >= 18


def has_memoize_hit_by_calls(major: int) -> bool:
    """Memoize's hit ratio counts repeated calls, (calls - ndistinct)/calls, times the cached share: 16."""
    return major >= 16


def counts_memoize_key_width(major: int) -> bool:
    """A Memoize entry's size includes the width of its key expressions: 16."""
    return major >= 16


def caps_array_scans(major: int) -> bool:
    """Index descents for `= ANY` are capped at a third of the index's pages: 17."""
    return major >= 17


def scales_density_by_fillfactor(major: int) -> bool:
    """The tuple density guessed for a never-analysed table obeys `fillfactor`: 17."""
    return major >= 17


def materializes_below_gather(major: int) -> bool:
    """A partial nested loop may keep its inner side in a Materialize: 17."""
    return major >= 17


def has_skip_scan(major: int) -> bool:
    """B-tree skip scan over leading columns without a condition: 18."""
    return major >= 18


def counts_disabled_nodes(major: int) -> bool:
    """Disabled path types are counted, not penalised by 1e10: 18."""
    return major >= 18


def rebalances_hash_batches(major: int) -> bool:
    """Hash joins trade batches for a larger hash table where batch files would cost more memory: 18."""
    return major >= 18


def has_exact_gather_merge_rows(major: int) -> bool:
    """Gather Merge over a sort multiplies rows by the parallel divisor: 18 (by the workers before)."""
    return major >= 18


def knows_grouped_values(major: int) -> bool:
    """The one column that a subquery groups by is known to repeat no value: 18."""
    return major >= 18


def knows_cte_columns(major: int) -> bool:
    """What is known of a query's columns is known of a common table expression's too: 17."""
    return major >= 17


def charges_every_subquery_scan(major: int) -> bool:
    """A subquery's scan that hands its rows on as they are is charged for each of them: up to 15."""
    return major < 16


def divides_shared_subqueries(major: int) -> bool:
    """Of a subquery that processes share each is expected to see its part of the rows: 15 (before, all of them)."""
    return major >= 15


def has_bump_allocated_groups(major: int) -> bool:
    """The entries of a hash aggregate's table are stored without headers: 18."""
    return major >= 18


def has_whole_group_sorts(major: int) -> bool:
    """An incremental sort is priced by groups of average size: 16 (by half as much again before)."""
    return major >= 16


def sorts_in_part_for_distinct(major: int) -> bool:
    """DISTINCT may sort incrementally: 16."""
    return major >= 16


def shares_distinct(major: int) -> bool:
    """Each process may remove its own repeated rows: 15."""
    return major >= 15
