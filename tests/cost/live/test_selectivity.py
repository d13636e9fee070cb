"""Selectivities from statistics, compared with the rows that live servers estimate."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.cost import (
    GroupRelation,
    estimate_num_groups,
    get_variable_numdistinct,
)
from rowreckon.cost.units import clamp_row_est

from .common_values import eqjoinsel_inner, eqjoinsel_semi
from .facts import Facts
from .histogram import scalarineqsel

TABLES = """
drop table if exists s1, s2;
create table s1(id int, m int, h int, n int, t text, x int, y int);
insert into s1 select i, case when i%10<4 then 1 when i%10<6 then 2 else i end, (i*i)%5003,
  case when i%4=0 then null else i%200 end, 'k'||(i%300), i%50, (i%50)/5 from generate_series(1,20000) i;
create table s2(id int, m int, n int);
insert into s2 select i, case when i%3=0 then 1 else i*2 end, i%400 from generate_series(1,6000) i;
analyze s1;
analyze s2;
"""


@pytest.fixture(scope="module", autouse=True)
def tables(facts: Facts) -> Iterator[None]:
    """Two tables with frequent values, nulls and a histogram."""
    facts.connection.execute(TABLES.encode())
    yield
    facts.connection.execute("drop table s1, s2")


def estimate(facts: Facts, query: str) -> float:
    """Rows that the server expects."""
    facts.use()
    return float(facts.explain(query)["Plan Rows"])


@pytest.mark.parametrize("column", ["m", "n", "id"])
def test_equality_join(facts: Facts, column: str) -> None:
    """With frequent values on both sides, with nulls, and with neither."""
    share = eqjoinsel_inner(facts.column("s1", column), facts.column("s2", column))
    seen = estimate(facts, f"select * from s1 join s2 using ({column})")
    assert clamp_row_est(share * 20000.0 * 6000.0) == seen
    if column == "m":
        assert seen == 16006000


@pytest.mark.parametrize("column", ["m", "n", "id", "h"])
def test_semi_and_anti_join(facts: Facts, column: str) -> None:
    """Share of the outer rows that find a match, and the rest."""
    inner = "n" if column == "h" else column
    share = eqjoinsel_semi(facts.column("s1", column), facts.column("s2", inner), 6000.0)
    condition = f"(select 1 from s2 where s2.{inner} = s1.{column})"
    assert clamp_row_est(20000.0 * share) == estimate(facts, f"select * from s1 where exists {condition}")
    assert clamp_row_est(20000.0 * (1.0 - share)) == estimate(facts, f"select * from s1 where not exists {condition}")


@pytest.mark.parametrize("column", ["id", "m", "h", "n"])
@pytest.mark.parametrize("operator", ["<", "<=", ">", ">="])
@pytest.mark.parametrize("constant", [-3, 0, 1, 2, 57, 199, 1234, 4000, 19900, 30000])
def test_inequalities(facts: Facts, column: str, operator: str, constant: int) -> None:
    """Histogram, frequent values and nulls together, inside and outside the bounds."""
    share = scalarineqsel(
        facts.ordered("s1", column), constant, greater=operator[0] == ">", inclusive=operator.endswith("=")
    )
    seen = estimate(facts, f"select * from s1 where {column} {operator} {constant}")
    assert clamp_row_est(share * 20000.0) == seen


def test_groups(facts: Facts) -> None:
    """One column under a filter, two columns with the cap of a tenth of the table."""
    h = get_variable_numdistinct(facts.column("s1", "h"))[0]
    x = get_variable_numdistinct(facts.column("s1", "x"))[0]
    some = estimate(facts, "select * from s1 where x = 3")
    groups = estimate_num_groups([GroupRelation((h,), some, 20000.0)], some)
    assert groups == estimate(facts, "select h from s1 where x = 3 group by h")
    groups = estimate_num_groups([GroupRelation((h, x), 20000.0, 20000.0)], 20000.0)
    assert groups == estimate(facts, "select h, x from s1 group by h, x")
