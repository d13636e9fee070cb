"""Two steps as texts: what is kept, under which names, and where nothing is written. No server is asked.

Which rows such texts give is compared by a live server in `test_query_texts.py` and `test_kept_result.py`. What is held
here are rules of SQL: which WITH query a name means ("WITH Queries" in the documentation), that ORDER BY may mean an
output column ("SELECT", ORDER BY Clause), that statistics take expressions from 14 on (its release notes).
"""

from __future__ import annotations

import pytest

from rowreckon.capture import Capture
from rowreckon.catalog.facts import Catalog, Column, Relation
from rowreckon.remedies.asked_whole import asked_whole
from rowreckon.remedies.kept_result import kept_result
from rowreckon.remedies.subject import Subject, TableName
from rowreckon.remedies.two_steps import kept_apart
from rowreckon.sql.grammar import parse, printed

COUNTS = "select hut, count(*) as n from stays group by hut"
BY_NAME = "from huts h join stays s on s.hut = h.hut where h.name = 'hut 11'"


def _table(oid: int, name: str, *columns: str) -> Relation:
    return Relation.model_construct(
        oid=oid,
        schema_="public",
        name=name,
        kind="table",
        columns=tuple(
            Column.model_construct(name=each, type="integer", attnum=n) for n, each in enumerate(columns, start=1)
        ),
    )


HUTS, STAYS = _table(1, "huts", "hut", "name", "valley"), _table(2, "stays", "stay", "hut", "month", "name")
VALLEY = Catalog.model_construct(server_version=180006, relations=(HUTS, STAYS))


def test_the_rows_of_two_tables_are_kept_with_the_columns_that_the_rest_reads() -> None:
    step = kept_apart(f"select s.month, h.valley {BY_NAME}", VALLEY, ("h", "s"))

    assert step is not None
    assert step.columns == {"month", "valley"}
    assert "WHERE" not in step.second
    assert "h.name = 'hut 11'" in step.first
    assert "h.month" in step.second
    assert "s." not in step.second


def test_columns_of_one_name_are_kept_apart() -> None:
    step = kept_apart(f"select s.name, h.name {BY_NAME}", VALLEY, ("h", "s"))

    assert step is not None
    assert step.columns == {"name", "h_name"}


@pytest.mark.parametrize(
    "query",
    [
        f"select s.month as name {BY_NAME} order by name",
        "select h.valley from huts h, generate_series(1, 3) s where h.hut = 3",
        "select h.valley from huts h, elsewhere s where h.hut = 3",
        f"select s.month, unknown {BY_NAME}",
        f"select s.month {BY_NAME} limit 3",
        "not a query",
    ],
    ids=["ORDER BY an output's name", "a function", "a table unknown", "a column unknown", "LIMIT", "no SQL"],
)
def test_nothing_is_kept_apart_where_the_text_does_not_tell(query: str) -> None:
    assert kept_apart(query, VALLEY, ("h", "s")) is None


def test_a_column_may_be_ordered_by_where_no_output_has_its_name() -> None:
    assert kept_apart(f"select s.month as late {BY_NAME} order by valley", VALLEY, ("h", "s")) is not None


def _kept(query: str) -> tuple[str, ...]:
    drafts = kept_result(Subject(alias="w", curable=False), Capture(name="huts", query=query))
    return drafts[0].sql_trial if drafts else ()


@pytest.mark.parametrize(
    ("query", "second"),
    [
        (f"with w as ({COUNTS}) select n from w where n = 4", "SELECT n FROM w_kept w WHERE n = 4"),
        (f"with w as ({COUNTS}) select n from w c where n = 4", "SELECT n FROM w_kept c WHERE n = 4"),
        (
            f"with w as ({COUNTS}), x as (select * from w where n = 4) select n from x",
            "WITH x AS (SELECT * FROM w_kept w WHERE n = 4) SELECT n FROM x",
        ),
        (f"with w as ({COUNTS}) select n from w, public.w p", "SELECT n FROM w_kept w, public.w p"),
        (f"select n from ({COUNTS}) w where n = 4", "SELECT n FROM w_kept w WHERE n = 4"),
    ],
    ids=["WITH query", "under another alias", "that another reads", "beside a table of its name", "subquery"],
)
def test_the_result_is_read_in_place_of_what_computes_it(query: str, second: str) -> None:
    fill, analyze, rest = _kept(query)

    assert fill == "CREATE TEMPORARY TABLE w_kept AS SELECT hut, count(*) AS n FROM stays GROUP BY hut"
    assert analyze == "ANALYZE w_kept"
    assert rest == second


@pytest.mark.parametrize(
    "query",
    [
        f"with w as ({COUNTS}) select * from w where n = 4 for update",
        "with recursive w as (select 1 as n union all select n + 1 from w where n < 5) select * from w where n = 4",
        f"with recursive w as ({COUNTS}) select * from w where n = 4",
        f"with a as (select * from w), w as ({COUNTS}) select * from w where n = 4",
        "with a as (select * from stays), w as (select hut, count(*) as n from a group by hut) select * from w",
        "with a as (select * from stays) select n from (select hut, count(*) as n from a group by hut) w",
        f"with w as ({COUNTS}) select * from w, (with w as ({COUNTS}) select * from w) again",
        f"select * from stays where exists (with w as ({COUNTS}) select from w)",
        "with gone as (delete from stays returning hut), w as (select 1 as n) select * from w, gone",
        "with w(hut, n) as (select hut, count(*) from stays group by hut) select * from w where n = 4",
        "select * from huts h, lateral (select count(*) as n from stays s where s.hut = h.hut) w where n = 4",
        f"select * from ({COUNTS}) w where n = $1",
        f"select * from ({COUNTS}) w; select 1",
        "update stays set month = 1",
        "select 4 as n",
        "not a query",
    ],
)
def test_no_other_shape_is_taken_apart(query: str) -> None:
    """What is locked, recursive, reads another WITH query, writes, or hangs on a row beside it stays one statement."""
    assert _kept(query) == ()


@pytest.mark.parametrize(("version", "written"), [(130023, False), (140000, True), (180006, True)])
def test_a_filters_truth_has_statistics_from_14_on(version: int, written: bool) -> None:
    subject = Subject(table=TableName("huts", "public"), relation=HUTS, alias="h", columns=("valley",))
    capture = Capture(
        name="huts",
        query="select hut from huts h where h.valley % 7 = 3",
        catalog=Catalog.model_construct(server_version=version, relations=(HUTS,)),
    )
    drafts = asked_whole(subject, capture)

    assert bool(drafts) is written
    if drafts:
        (draft,) = drafts
        asked = parse("SELECT hut FROM huts h WHERE (h.valley % 7 = 3) IS TRUE")
        assert draft.sql[-1] == printed(asked)
        assert draft.kind == "query_rewrite"
        assert draft.reason.endswith("The planner then needs no rule for the filter.")
