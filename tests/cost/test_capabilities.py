"""Each planner feature begins with its release and with no other. The boundaries are settled by tests/cost/live."""

from __future__ import annotations

import inspect

import pytest

from rowreckon import releases
from rowreckon.cost import capabilities

FIRST = {
    "has_memoize": 14,
    "remembers_other_types": 15,
    "marks_never_analyzed": 14,
    "has_doubled_hash_mem": 15,
    "has_balanced_merge_order": 15,
    "knows_partitioned_indexes": 16,
    "counts_partition_tuples": 18,
    "has_right_anti_join": 16,
    "has_right_semi_join": 18,
    "has_parallel_right_hash_join": 16,
    "ignores_switches_among_partial_paths": 18,
    "has_memoize_hit_by_calls": 16,
    "counts_memoize_key_width": 16,
    "caps_array_scans": 17,
    "scales_density_by_fillfactor": 17,
    "materializes_below_gather": 17,
    "has_skip_scan": 18,
    "counts_disabled_nodes": 18,
    "rebalances_hash_batches": 18,
    "has_exact_gather_merge_rows": 18,
    "knows_cte_columns": 17,
    "knows_grouped_values": 18,
    "has_bump_allocated_groups": 18,
    "has_whole_group_sorts": 16,
    "sorts_in_part_for_distinct": 16,
    "shares_distinct": 15,
    "divides_shared_subqueries": 15,
}
LAST = {"charges_every_subquery_scan": 15}


@pytest.mark.parametrize("feature", [*FIRST, *LAST])
def test_begins_or_ends_with_its_release(feature: str) -> None:
    """On every release that is modelled."""
    has = getattr(capabilities, feature)
    for major in releases.MODELLED:
        assert has(major) is (major >= FIRST[feature] if feature in FIRST else major <= LAST[feature])


def test_every_feature_is_here() -> None:
    """A new one takes its release along."""
    functions = inspect.getmembers(capabilities, inspect.isfunction)
    own = {name for name, of in functions if of.__module__ == capabilities.__name__}
    # mutants of a function stand beside it
    assert {name for name in own if "__mutmut" not in name} == {*FIRST, *LAST}
