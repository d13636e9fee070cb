"""Build a grid on a server and measure all its cases."""

from __future__ import annotations

from typing import Any

import psycopg

from .cases import Case, cases, parallel_cases
from .measure import Measured, measure
from .shapes import Shape, shape_cases
from .tables import SHARED, pairs


def build(connection: psycopg.Connection[Any], *, seed: int, count: int, largest: int) -> None:
    """The grid's tables."""
    for statement in [*SHARED, *(s for pair in pairs(seed, count, largest) for s in pair.statements())]:
        connection.execute(statement.encode())


def run(
    connection: psycopg.Connection[Any], *, seed: int, tables: int, count: int, largest: int, flips: bool = True
) -> list[Measured]:
    """Measure `count` cases over `tables` pairs that `build` made with the same seed."""
    return measure_all(connection, cases(seed, pairs(seed, tables, largest), count), flips=flips)


def run_parallel(
    connection: psycopg.Connection[Any], *, seed: int, tables: int, count: int, largest: int, flips: bool = True
) -> list[Measured]:
    """Measure `count` cases that several processes may share, over the same pairs."""
    return measure_all(connection, parallel_cases(seed, pairs(seed, tables, largest), count), flips=flips)


def measure_all(connection: psycopg.Connection[Any], wanted: list[Case], *, flips: bool = True) -> list[Measured]:
    """Measure these cases."""
    found: list[Measured] = []
    for case in wanted:
        found += measure(connection, case, flips=flips)
    return found


def build_shapes(connection: psycopg.Connection[Any], made: list[Shape]) -> None:
    """The tables of the other shapes."""
    for statement in [*SHARED, *(s for shape in made for s in shape.statements())]:
        connection.execute(statement.encode())


def run_shapes(
    connection: psycopg.Connection[Any], made: list[Shape], *, seed: int, count: int, flips: bool = True
) -> list[Measured]:
    """Measure `count` cases over the tables that `build_shapes` made."""
    return measure_all(connection, shape_cases(seed, made, count), flips=flips)
