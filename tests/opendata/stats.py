"""Five tables of the STATS benchmark and the published true counts of 261 of its sub-queries.

Han et al., "Cardinality Estimation in DBMS: A Comprehensive Benchmark Evaluation", PVLDB 15(4), 2021. The data are not
part of this project: what needs them skips where they are absent.
"""

from __future__ import annotations

import csv
import lzma
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import psycopg
import pytest

FOLDER: Final = Path(
    os.environ.get("ROWRECKON_STATS_DIR", Path(__file__).parents[3] / "shared" / "open-data" / "stats")
)
# The columns that the benchmark's queries name, simplified as in its publication.
SCHEMA: Final = """
create table users(id int primary key, reputation int, creationdate timestamp, views int, upvotes int, downvotes int);
create table posts(id int primary key, posttypeid int, creationdate timestamp, score int, viewcount int,
  owneruserid int, answercount int, commentcount int, favoritecount int, lasteditoruserid int);
create table postlinks(id int primary key, creationdate timestamp, postid int, relatedpostid int, linktypeid int);
create table badges(id int primary key, userid int, date timestamp);
create table tags(id int primary key, count int, excerptpostid int);
"""
_FILES: Final = {"users": "users", "posts": "posts", "postlinks": "postLinks", "badges": "badges", "tags": "tags"}


@dataclass(frozen=True)
class Published:
    """One sub-query and the number of rows that was published for it."""

    rows: int
    query: str


def published() -> tuple[Published, ...]:
    """All of them, in the file's order; the test skips where the file is absent."""
    path = FOLDER / "counts.tsv"
    if not path.exists():
        pytest.skip(f"no {path}: set ROWRECKON_STATS_DIR")
    with path.open(newline="") as file:
        lines = csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE)
        return tuple(Published(int(line["rows"]), line["query"]) for line in lines)


def load_stats(dsn: str) -> None:
    """Create, fill and analyze the five tables in the database of `dsn`; no index but those of their keys."""
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(SCHEMA.encode())
        for table, name in _FILES.items():
            content = lzma.decompress((FOLDER / f"{name}.csv.xz").read_bytes())
            columns = content[: content.index(b"\n")].decode().strip()
            with connection.cursor().copy(
                f"copy {table}({columns}) from stdin with (format csv, header)".encode()
            ) as to:
                to.write(content)
        connection.execute(b"vacuum analyze")
