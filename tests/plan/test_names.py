"""Names of nodes, conditions, figures and blocks against what a real server prints of the same plans as text."""

from __future__ import annotations

import json
import re

import psycopg
import pytest

from rowreckon.capture import Capture
from rowreckon.intake import read_text
from rowreckon.plan.details import conditions, figures, own_blocks
from rowreckon.plan.names import full_name, printed_name
from rowreckon.plan.printed import called
from rowreckon.plan.tree import PlanTree, lay_out
from tests.servers.databases import fresh_database, run_script

SCHEMA = """
create table huts(id int primary key, region text);
insert into huts select i, 'region ' || i % 7 from generate_series(1, 2000) i;
create table bookings(id int primary key, hut int, nights int);
insert into bookings select i, i % 2000, i % 9 from generate_series(1, 60000) i;
create index bookings_hut on bookings(hut);
analyze huts, bookings;
"""
_TEXT_WORDS = {
    "Peak Memory Usage": "Memory(?: Usage)?",
    "Sort Space Used": "(?:Memory|Disk)",
    "Hash Batches": "Batches",
    "HashAgg Batches": "Batches",
    "Cache Hits": "Hits",
    "Cache Misses": "Misses",
    "Cache Evictions": "Evictions",
}
SHARED = "set parallel_setup_cost = 0; set parallel_tuple_cost = 0; set min_parallel_table_scan_size = 0; "
QUERIES = (
    "select region, count(*) from huts join bookings on hut = huts.id group by region order by region",
    SHARED + "select region, sum(nights) from huts join bookings on hut = huts.id group by region order by 1",
    SHARED + "set enable_hashagg = off; select hut, sum(nights) from bookings group by hut",
    "select * from huts left join bookings on hut = huts.id and nights = 3 where region = 'region 2'",
    "set enable_hashjoin = off; select * from huts where exists (select from bookings where hut = huts.id)",
    "set enable_hashjoin = off; set enable_nestloop = off; "
    "select * from huts full join bookings on hut = huts.id where nights > 2 or nights is null",
    "select * from huts where not exists (select from bookings where hut = huts.id and nights > 7)",
    "select id from huts order by id desc limit 3",
    "select id from huts except all select hut from bookings",
    "select region, nights, count(*) from huts, bookings where huts.id < 9 group by grouping sets ((region), (nights))",
    "select nights, (select max(id) from huts) from bookings where hut in (4, 9) and nights <> 2 order by nights",
    "update bookings set nights = 1 where hut = 3",
    "select * from huts h, lateral (select * from bookings where hut = h.id order by nights limit 1) b where h.id < 40",
)


@pytest.fixture(scope="module")
def plans(server: str) -> list[tuple[PlanTree, str]]:
    """Each query's plan as JSON, laid out, and as text, in one transaction that is rolled back."""
    found = []
    with fresh_database(server) as dsn:
        run_script(dsn, SCHEMA)
        with psycopg.connect(dsn) as connection:
            for query in QUERIES:
                *before, last = query.split("; ")
                for statement in before:
                    connection.execute(statement)
                told = {
                    form: connection.execute(f"explain (analyze, buffers, costs off, timing off, format {form}) {last}")
                    for form in ("json", "text")
                }
                ((document,),) = told["json"].fetchall()
                text = "\n".join(row[0] for row in told["text"])
                connection.rollback()
                (capture,) = read_text(json.dumps(document))
                assert isinstance(capture, Capture)
                assert capture.explain is not None
                found.append((lay_out(capture.explain.plan), text))
    return found


def _printed(text: str) -> list[str]:
    """The heads of the nodes, in the order in which they stand."""
    heads = [re.match(r"\s*(?:->\s+)?(.*?)\s+\((?:actual|never executed)", line) for line in text.split("\n")]
    return [head.group(1) for head in heads if head]


def test_names_are_those_of_the_text_form(plans: list[tuple[PlanTree, str]]) -> None:
    """Every head begins with the name, and nothing but a relation or an index follows."""
    seen = set()
    for tree, text in plans:
        heads = _printed(text)
        assert len(heads) == len(tree.nodes)
        for node, head in zip(tree.nodes, heads, strict=True):
            name = full_name(node)
            seen.add(name)
            assert printed_name(node.model_dump(by_alias=True)) == name
            assert re.fullmatch(re.escape(name) + r"(?: (?:on|using) .*)?", head), (name, head)
    assert {"Finalize GroupAggregate", "Parallel Seq Scan", "Index Only Scan Backward", "Hash Right Join"} <= seen
    assert len(seen) > 20


def test_conditions_and_figures_are_those_of_the_text_form(plans: list[tuple[PlanTree, str]]) -> None:
    """Each stands in the text, under the same word."""
    told = 0
    for tree, text in plans:
        for node in tree.nodes:
            for item in conditions(node):
                assert f"{item.kind}: {item.condition}" in text
                told += 1
            for key, value in figures(node).items():
                if not value or node.loops != 1:
                    continue  # the text form leaves most zeros out; what several processes share differs by run
                word = _TEXT_WORDS.get(key, key)
                assert re.search(rf"{word}: {value:g}(?:kB)?\b", text), (key, value)
    assert told > 20


def test_own_blocks_add_up_to_what_the_root_touched(plans: list[tuple[PlanTree, str]]) -> None:
    """PostgreSQL prints each node's blocks with those below it; each is told once here.

    An InitPlan runs where its value is first needed, and its blocks are printed there too.
    """
    for tree, _ in plans:
        aside = {
            below
            for number, node in enumerate(tree.nodes)
            if node.parent_relationship == "InitPlan"
            for below in tree.subtree(number)
        }
        own = [
            own_blocks(node, [tree.nodes[child] for child in tree.children[number]])
            for number, node in enumerate(tree.nodes)
            if number not in aside
        ]
        assert sum(blocks.shared_hit for blocks in own if blocks) == tree.nodes[0].shared_hit_blocks
    assert sum(tree.nodes[0].shared_hit_blocks or 0 for tree, _ in plans) > 0


def test_a_node_is_called_by_its_name_and_what_it_reads() -> None:
    """As a reader finds it in the plan, who counts no nodes: by the aliases below it, four and more in part."""
    scans = [{"Node Type": "Seq Scan", "Relation Name": "huts", "Alias": alias} for alias in ("a", "b", "c", "d")]
    hash_ = {"Node Type": "Hash", "Plans": scans[1:2]}
    join = {"Node Type": "Hash Join", "Join Type": "Left", "Plans": [scans[0], hash_]}
    plan = {"Node Type": "Append", "Plans": [join, *scans[2:], {"Node Type": "Result"}]}

    assert [called(plan, number) for number in (0, 1, 2, 7)] == [
        "the Append of a, b, c and 1 more",
        "the Hash Left Join of a and b",
        "the Seq Scan of a",
        "the Result",
    ]
