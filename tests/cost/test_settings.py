"""Settings read from EXPLAIN and from pg_settings.

Source of the forms: EXPLAIN (SETTINGS, FORMAT JSON) and pg_settings of live servers 13 to 18.
"""

from __future__ import annotations

import pytest

from rowreckon.cost import CostSettings
from rowreckon.cost.settings import major_of
from rowreckon.errors import BrokenPlan, UsageError


def test_explain_prints_text_with_units() -> None:
    """Memory with its unit, numbers, and on or off."""
    settings = CostSettings.from_explain(
        {
            "work_mem": "64kB",
            "random_page_cost": "1.1",
            "effective_cache_size": "640kB",
            "min_parallel_table_scan_size": "0",
            "enable_seqscan": "off",
            "max_parallel_workers_per_gather": "4",
            "hash_mem_multiplier": "1.5",
            "search_path": "huts, public",
        },
        180004,
    )
    assert settings.server_major == 18
    assert settings.work_mem_bytes == 65536
    assert settings.hash_mem_bytes == 98304
    assert settings.random_page_cost == 1.1
    assert settings.effective_cache_size == 80
    assert settings.min_parallel_table_scan_size == 0
    assert settings.enable_seqscan is False
    assert settings.max_parallel_workers_per_gather == 4


@pytest.mark.parametrize(
    ("text", "kilobytes"), [("64kB", 64), ("4MB", 4096), ("1GB", 1048576), ("1TB", 2**30), ("8192B", 8)]
)
def test_memory_units(text: str, kilobytes: float) -> None:
    """All units that PostgreSQL prints."""
    assert CostSettings.from_explain({"work_mem": text}, 16).work_mem == kilobytes


def test_nothing_printed_means_defaults() -> None:
    """An empty object: all built-in defaults of the release."""
    assert CostSettings.from_explain({}, 14) == CostSettings(server_major=14)
    assert CostSettings.from_explain(None, 140011) == CostSettings(server_major=14)


def test_pg_settings_rows_carry_their_unit() -> None:
    """effective_cache_size in blocks of 8kB, work_mem in kB, the version as a row."""
    settings = CostSettings.from_pg_settings(
        [
            ("server_version_num", "130023", None),
            ("work_mem", "4096", "kB"),
            ("effective_cache_size", "524288", "8kB"),
            ("enable_hashjoin", "off", None),
            ("cpu_tuple_cost", "0.01", None),
            ("DateStyle", "ISO, MDY", None),
        ]
    )
    assert settings == CostSettings(server_major=13, enable_hashjoin=False)
    assert settings.hash_mem_multiplier == 1.0


@pytest.mark.parametrize("name", ["work_mem", "enable_sort", "random_page_cost"])
def test_what_cannot_be_read_is_named(name: str) -> None:
    """One sentence with the setting's name and value."""
    with pytest.raises(BrokenPlan, match=f"{name}.*'plenty'"):
        CostSettings.from_explain({name: "plenty"}, 16)


def test_unknown_release() -> None:
    """No version, and a version older than all that is modelled."""
    with pytest.raises(UsageError, match="release"):
        CostSettings.from_pg_settings([("work_mem", "4096", "kB")])
    with pytest.raises(UsageError, match="12"):
        CostSettings(server_major=12)


def test_majors() -> None:
    """server_version_num or a major."""
    assert [major_of(v) for v in (130023, 180004, 16)] == [13, 18, 16]
