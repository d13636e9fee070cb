"""Where a value stands against a column, and the query with another one: PostgreSQL's grammar reads both."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from rowreckon.server.stand_in.filling import array_values
from rowreckon.sql.grammar import parse, printed
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.figures import SourceStatistics
from rowreckon.stand_in.values.places import comparisons, patterns_beside, prefix_of, with_value
from rowreckon.stand_in.values.spread import spread_of


def _facts() -> StandInFacts:
    """Two tables; what plans them does not matter here."""
    tables = {"stays": {"id": "integer", "hut": "integer", "paid": "boolean", "price": "numeric(8,2)"}}
    tables["stays"]["came"] = "timestamp with time zone"
    tables["huts"] = {"id": "integer", "name": "text", "built": "date", "place": "point"}
    relations, columns = [], []
    for oid, (name, types) in enumerate(tables.items(), 20_000):
        relations.append(
            {
                **{"oid": oid, "schema": "public", "name": name, "kind": "r", "pages": 1, "relpages": 1},
                **{"reltuples": 1, "relallvisible": 0, "row_security": False, "partition": False},
            }
        )
        columns += [
            {**{"relation": oid, "number": n, "name": c, "dropped": False, "not_null": False}, "type": t}
            for n, (c, t) in enumerate(types.items(), 1)
        ]
    server: dict[str, Any] = {"version": 180000, "block_size": 8192, "segment_pages": 131072, "encoding": "UTF8"}
    server |= {"collate": "C", "ctype": "C", "provider": "c", "locale": None}
    document = {"stand_in": "rowreckon.stand_in/1", "with_values": True, "schemas": ["public"], "server": server}
    return StandInFacts.model_validate({**document, "relations": relations, "columns": columns})


FACTS = _facts()


@pytest.mark.parametrize(
    ("query", "shown", "value", "changed"),
    [
        ("select from huts where name = 'Alm'", "huts.name = …", "x'y", "select from huts where name = 'x''y'"),
        ("select from huts h where 3 < h.id", "h.id > …", "-4", "select from huts h where -4 < h.id"),
        (
            "select from huts where built >= date '1950-01-01'",
            "huts.built >= …",
            "1999-12-31",
            "select from huts where built >= date '1999-12-31'",
        ),
        ("select from stays where paid = true", "stays.paid = …", "f", "select from stays where paid = false"),
        ("select from stays where price < 5", "stays.price < …", "7.25", "select from stays where price < 7.25"),
        ("select from stays where price < $1", "stays.price < $1", "7.25", "select from stays where price < 7.25"),
        (
            "select from stays where id between 1 and 9",
            "stays.id <= …",
            "7000000000",
            "select from stays where id between 1 and 9",
        ),
        ("select from stays where hut = $2::int", "stays.hut = $2", "8", "select from stays where hut = 8::int"),
        (
            "update stays set paid = true from huts h where h.id = hut and h.name > 'Alm'",
            "h.name > …",
            "Bo",
            "update stays set paid = true from huts h where h.id = hut and h.name > 'Bo'",
        ),
    ],
)
def test_a_value_is_put_into_the_tree(query: str, shown: str, value: str, changed: str) -> None:
    """The expected query stands beside; a value outside of its type's range is none."""
    tree = parse(query)
    place = next(p for p in comparisons(tree, FACTS).places if p.shown == shown)
    assert place.kind is not None
    read = place.kind.read(value)
    after = printed(with_value(tree, place, read)) if read is not None else printed(tree)

    assert after == printed(parse(changed))


@pytest.mark.parametrize(
    "query",
    [
        "with huts as (select 1 as id) select from huts where id = 3",
        "select from huts h join stays s on true where id = 3",
        "select from (select 1 as id) x where id = 3",
        "select from huts where id + 1 = 3",
        "select from huts where id = (select 3)",
        "select from elsewhere.huts where id = 3",
    ],
)
def test_what_can_not_be_told_is_no_place(query: str) -> None:
    """A name that hides the table, a column of two tables, of a query within, of an expression."""
    assert comparisons(parse(query), FACTS).places == ()


def test_conditions_of_another_kind_are_named() -> None:
    """Arrays' texts, patterns without a prefix, other operators; two comparisons that look the same are told apart."""
    query = (
        "select from huts where id = any ('{1,2}') and name like '%A' and built is distinct from '1950-01-01'"
        " and id > 3 and id > 4"
    )
    found = comparisons(parse(query), FACTS)

    assert found.others == ("huts.id", "huts.name", "huts.built")
    assert [place.shown for place in found.places] == ["huts.id > …", "huts.id > … (2)"]
    arrays = comparisons(parse("select from huts where id = any ($1) and name like $2"), FACTS)
    assert (arrays.others, arrays.places) == (("huts.id", "huts.name"), ())


@pytest.mark.parametrize(
    ("condition", "shown", "changed"),
    [
        ("id <> 3", "huts.id <> …", "id <> 9"),
        ("id in (1, 2, 3)", "huts.id in (… and 2 more)", "id in (9, 2, 3)"),
        ("id not in (1, $1)", "huts.id not in ($1)", "id not in (1, 9)"),
        ("id = any (array[1, 2]::int[])", "huts.id in (… and 1 more)", "id = any (array[9, 2]::int[])"),
        ("id <> all (array[1, 2])", "huts.id not in (… and 1 more)", "id <> all (array[9, 2])"),
        ("name like 'A%'", "huts.name like …", "name like '9'"),
        ("name not like 'A_m'", "huts.name not like …", "name not like '9'"),
    ],
)
def test_lists_and_patterns_are_places(condition: str, shown: str, changed: str) -> None:
    """One value of a list is varied, the others stay."""
    tree = parse(f"select from huts where {condition}")
    place = next(p for p in comparisons(tree, FACTS).places if p.shown == shown)
    assert place.kind is not None
    read = place.kind.read("9")
    assert read is not None
    assert printed(with_value(tree, place, read)) == printed(parse(f"select from huts where {changed}"))


def test_patterns_begin_as_values_do() -> None:
    """The signs behind the prefix stay; a beginning that would be a wildcard is left out."""
    assert patterns_beside("Al%m", ["Alm", "Brenta", "B", "a_b", "Brosen"]) == ["Al%m", "Br%m"]
    assert [prefix_of(p) for p in ("Al%", "A_m", "%m", "Alm", r"A\%", None)] == ["Al", "A", "", "", "", ""]


def test_an_inner_query_has_its_own_tables() -> None:
    """The inner `id` is that of stays, the outer one that of huts."""
    query = "select from huts where id = 1 and exists (select from stays where id = 2 and hut = huts.id)"
    found = comparisons(parse(query), FACTS)

    assert [place.shown for place in found.places] == ["huts.id = …", "stays.id = …"]
    assert found.equal == (((20_000, 2), (20_001, 1)),)


def test_shares_of_the_manuals_examples() -> None:
    """PostgreSQL manual, "Row Estimation Examples": unique1 < 1000 is 0.100697 of tenk1 with these bounds."""
    place = comparisons(parse("select from huts where id < 3"), FACTS).places[0]
    assert place.kind is not None
    figures: dict[str, Any] = {"number": 1, "inherited": False, "null_frac": 0, "width": 4, "distinct": -1}
    told = SourceStatistics.model_validate(
        {**figures, "relation": 20_001, "bounds": "{0,993,1997,3050,4040,5036,5957,7057,8029,9016,9995}"}
    )
    spread = spread_of(told, place.kind, lambda text: text.strip("{}").split(","))

    assert spread.up_to(1000) == pytest.approx(0.100697, abs=1e-6)


@pytest.mark.parametrize(
    ("column", "text"),
    [
        ("huts.built", "0001-01-01 00:00:00+14:00"),
        ("stays.came", "0001-01-01 00:00:00+14:00"),
        ("stays.came", "9999-12-31 23:59:59-14:00"),
        ("stays.price", "1e-999999999"),
        ("stays.price", "1e999999999"),
        ("stays.price", "0e-999999999"),
        ("stays.price", "NaN"),
        ("stays.id", "9" * 5_000),
    ],
)
def test_a_value_out_of_all_bounds_is_left_out(column: str, text: str) -> None:
    """A file may name any: none is written out to its last digit, none ends in another error."""
    table, name = column.split(".")
    place = comparisons(parse(f"select from {table} where {name} = '1'"), FACTS).places[0]
    assert place.kind is not None
    assert place.kind.read(text) is None


def test_a_literal_under_many_casts_is_a_place() -> None:
    """As many as a query may nest; the value is put under them, by PostgreSQL's own grammar."""
    casts = "::integer" * 1_500
    tree = parse(f"select from huts where id = 7{casts}")
    (place,) = comparisons(tree, FACTS).places
    assert place.given == "7"
    assert place.kind is not None
    value = place.kind.read("8")
    assert value is not None
    assert printed(with_value(tree, place, value)) == printed(parse(f"select from huts where id = 8{casts}"))


def test_neighbours_that_differ_far_behind_have_no_middle() -> None:
    """Two numbers of 91 digits that differ in the last one: more than is reckoned with."""
    place = comparisons(parse("select from stays where price < 1"), FACTS).places[0]
    assert place.kind is not None
    assert place.kind.between(Decimal("1e90"), Decimal(10**90 + 1)) is None
    middle = place.kind.between(Decimal(1), Decimal(2))
    assert middle is not None
    assert middle.at == Decimal("1.5")


def test_an_array_of_arrays_holds_no_values() -> None:
    """Statistics from a file: only an array of one dimension, as PostgreSQL prints one, has values (manual, "Array
    Value Input")."""
    assert array_values('{a,NULL,"NULL","b\\"c"}') == ["a", None, "NULL", 'b"c']
    for text in ("{{a},{b}}", "{a,{b}}", "{" * 2_000 + "}" * 2_000, "{", "{a}}", ""):
        assert array_values(text) == []
