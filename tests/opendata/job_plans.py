"""113 plans that others published over one database: the Join Order Benchmark, run by EXPLAIN ANALYZE on one server.

The queries: Leis et al., "How Good Are Query Optimizers, Really?", PVLDB 9(3), 2015, over 21 tables of IMDb's data.
The plans: Bergmann, Hartmann, Habich and Lehner (TU Dresden), https://github.com/rbergm/PostBOUND, Apache License 2.0
(its LICENSE.txt at this commit), of release 14 or later by their keys (Async Capable), with Memoize switched off (the
README beside them). They are not part of this project: what needs them skips where they are absent. To get them:

    git clone https://github.com/rbergm/PostBOUND && cd PostBOUND
    git checkout 6b4c3643dc2304153360dd0f963e6e10e24bdf1e
    cp LICENSE.txt postbound/old/workloads/job-results-implicit.csv FOLDER  # the one that ROWRECKON_JOB_DIR names
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
from pathlib import Path
from typing import Any, Final

import pytest

FOLDER: Final = Path(
    os.environ.get("ROWRECKON_JOB_DIR", Path(__file__).parents[3] / "shared" / "open-data" / "job-plans")
)
_FILE: Final = "job-results-implicit.csv"
_SHA256: Final = "5c625431bc1f4a528aa38881758d5dd325dc65b399bf85f6d2d67bbed2336a52"
_LONGEST_FIELD: Final = 1_000_000


def write_plans(folder: Path) -> tuple[Path, ...]:
    """Write each plan as NAME.json into `folder`; their paths in the published order. Skips where they are absent.

    They were taken without VERBOSE, and tables without a schema are never taken for one. The benchmark's script names
    no schema either, so that all its tables lie in one: that is written in, as VERBOSE would have printed it.
    """
    written: list[Path] = []
    for name, document in _published():
        _write_schemas(document[0]["Plan"])
        path = folder / f"{name}.json"
        path.write_text(json.dumps(document), "utf-8")
        written.append(path)
    return tuple(written)


def _published() -> list[tuple[str, Any]]:
    path = FOLDER / _FILE
    if not path.exists():
        pytest.skip(f"no {path}: set ROWRECKON_JOB_DIR")
    content = path.read_bytes()
    assert hashlib.sha256(content).hexdigest() == _SHA256, f"{path} is not the file of the commit named here"
    csv.field_size_limit(_LONGEST_FIELD)
    lines = csv.DictReader(content.decode().splitlines(keepends=True))
    return [(line["label"], json.loads(line["query_result"])) for line in lines]


def _write_schemas(node: dict[str, Any]) -> None:
    if "Relation Name" in node:
        node["Schema"] = "public"
    for child in node.get("Plans", ()):
        _write_schemas(child)
