"""The smallest facts: one setting, one operator, one function, one missing thing; and the base they share.

Units: pages are blocks of `Catalog.block_size` bytes, rows are rows of the whole relation, costs are planner units,
fractions and selectivities lie between 0 and 1. What could not be read is None, never 0 or -1.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

from rowreckon.bounds import Cost, Difference, Name, Oid, Rows, Text


class Fact(BaseModel):
    """Common settings of every fact: frozen, and keys of a newer release are passed over."""

    model_config = ConfigDict(
        frozen=True,
        extra="ignore",
        populate_by_name=True,
        serialize_by_alias=True,
        protected_namespaces=(),
        defer_build=True,
    )


class MissingFact(Fact):
    """Something that could not be read, why, and the command or right that would bring it."""

    what: Text
    why: Text
    how: Text | None = None
    relation: Name | None = None


class Setting(Fact):
    """One row of pg_settings. `value` is a number in `unit` (kB, 8kB, ms, …), a bool, or the text as it stands."""

    name: Name
    value: bool | Difference | Text | None
    unit: Name | None = None
    source: Name | None = None


class Tablespace(Fact):
    """Page costs that a tablespace sets for itself; None means that the server's setting holds."""

    oid: Oid
    name: Name
    seq_page_cost: Cost | None = None
    random_page_cost: Cost | None = None


class OperatorFacts(Fact):
    """An equality or comparison operator between two types (pg_operator, and the cost of its function)."""

    name: Name
    left_type: Name
    right_type: Name
    can_merge: bool
    can_hash: bool
    restriction_estimator: Name | None = None
    join_estimator: Name | None = None
    procost: Cost = 1.0
    leakproof: bool | None = None


Volatility = Literal["immutable", "stable", "volatile"]


class FunctionFacts(Fact):
    """A function that a plan names (pg_proc). `prorows` is 0 unless it returns a set."""

    schema_name: Name
    name: Name
    arguments: Text
    procost: Cost
    prorows: Rows
    returns_set: bool
    volatility: Volatility
    parallel: Literal["safe", "restricted", "unsafe"] | None = None
    support: Name | None = None
    language: Name | None = None
