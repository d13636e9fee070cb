"""Spoiled schema files: whatever stands in them, reading ends with facts or with one sentence, with no other error.

`ROWRECKON_FUZZ_SEED` names another seed; `-m full` spoils many more.
"""

from __future__ import annotations

import contextlib
import os
import random

import pytest

from rowreckon.declared.reading import SchemaFiles, decoded, read_text
from rowreckon.declared.result import declared_of
from rowreckon.errors import InputError
from tests.declared.scene import FROM_14, FROM_15, MIGRATIONS, RICH

SEED = os.environ.get("ROWRECKON_FUZZ_SEED", "1")
STATISTICS = """
SELECT * FROM pg_catalog.pg_restore_relation_stats('version', '180006'::integer, 'schemaname', 'huts',
 'relname', 'visits', 'relpages', '19'::integer, 'reltuples', '3000'::real, 'relallvisible', '19'::integer);
SELECT * FROM pg_catalog.pg_restore_attribute_stats('version', '180006'::integer, 'schemaname', 'huts',
 'relname', 'visits', 'attname', 'guest', 'inherited', 'f'::boolean, 'null_frac', '0'::real, 'avg_width', '9'::integer,
 'n_distinct', '-0.5'::real, 'most_common_vals', '{"a","b"}'::text, 'most_common_freqs', '{0.5,0.25}'::real[],
 'histogram_bounds', '{"c d",e}'::text, 'correlation', '0.1'::real);
"""
ALL = (RICH + FROM_14 + FROM_15, *MIGRATIONS, STATISTICS)
SPLINTERS = (
    *("'", '"', "$$", "/*", "--", ";", "(", ")", "\\", "\n\\.\n", "\x00", "\ud800", "NULL", "1e999", "-1", "9" * 400),
    *(" cascade", " if exists", " only ", " like ", " partition of ", "copy x from stdin;\n", "set search_path to ;"),
    *("alter table huts.huts ", "rename to huts", "drop schema huts cascade;", "{", "}", ",", "nan", "�"),
)


def spoiled(dice: random.Random) -> str:
    """One of the files with a few places changed: left out, doubled, moved, or filled with something else."""
    text = dice.choice(ALL)
    for _ in range(dice.randint(1, 6)):
        start = dice.randrange(len(text) + 1)
        end = min(start + dice.choice((0, 1, 5, 60)), len(text))
        piece = dice.choice((dice.choice(SPLINTERS), text[start:end] * 2, "", dice.choice(ALL)[start : start + 40]))
        text = text[:start] + piece + text[end:]
    return text


def read(texts: list[str]) -> None:
    """Files of these texts, read and turned into facts."""
    found = SchemaFiles()
    for number, text in enumerate(texts):
        with contextlib.suppress(InputError):
            read_text(found, f"{number}.sql", decoded(text.encode("utf-8", "surrogatepass"), f"{number}.sql"))
    declared = declared_of(
        found, {name for _, name in found.schema.tables}, {name for _, name in found.schema.functions}
    )
    for relation in declared.relations:
        assert len({i.name for i in relation.indexes}) == len(relation.indexes)
        assert found.schema.tables[(relation.schema_, relation.name)].name == relation.name
    for (home, name), (table, index) in found.schema.indexes.items():
        assert (index.schema, index.name) == (home, name)
        assert table.indexes[name] is index
        assert found.schema.tables[(table.schema, table.name)] is table
    for note in found.notes:
        assert "\n" not in note


def _many(count: int) -> None:
    for number in range(count):
        dice = random.Random(f"{SEED} {number}")
        read([spoiled(dice) for _ in range(dice.randint(1, 3))])


def test_spoiled_files() -> None:
    """A few in every run."""
    _many(60)


@pytest.mark.full
def test_many_spoiled_files() -> None:
    """Thousands."""
    _many(3_000)
