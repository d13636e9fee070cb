"""Capture files give back what was written, and masked ones hold no literal and no sampled value."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from rowreckon.capture import Alternative, Capture, SessionFacts
from rowreckon.captures.capture_file import capture_from_document, capture_to_document, read_written, write_capture
from rowreckon.captures.masking import mask_capture
from rowreckon.errors import BrokenPlan, UnreadableFile
from rowreckon.intake import read_path
from rowreckon.plan import lay_out, parse_document
from rowreckon.server.sweeping.facts import read_catalogs
from rowreckon.sql.masking import mask_expression, mask_statement

from .conftest import Session

QUERY = """select h.id, b.guest /* remember Kanari */ from hut h join booking b on b.hut_id = h.id
where b.nights = 29 and h.name = 'Kanari 4711' and b.guest in ('Kanari A', 'B') -- Kanari
and b.made > '2024-06-01' limit 4711"""


def capture(huts: Session, query: str = QUERY) -> Capture:
    """A capture with everything in it, sampled values included."""
    raw = huts.value(f"explain (analyze, buffers, verbose, settings, format json) {query}")
    document = parse_document(raw[0])
    other = huts.document(query)
    return Capture(
        name="huts/bookings",
        query=query,
        captured_at="2026-01-02T03:04:05Z",
        server_version=huts.connection.info.server_version,
        settings={"work_mem": "4MB"},
        explain=document,
        session=SessionFacts(role="warden", search_path="public", row_security=True),
        catalog=read_catalogs(huts.connection, [lay_out(document.plan)], trust="file", with_values=True)[0],
        alternatives=(
            Alternative(switched_off=("enable_hashjoin",), explain=other),
            Alternative(switched_off=("enable_mergejoin",), explain=other, asked_of="stand_in"),
        ),
        runs_ms=(1.5, 2.25),
        notes=('it said: "Kanari 9"',),
    )


def test_round_trip(huts: Session, tmp_path: Path) -> None:
    """Written, read, written again: the same capture and the same bytes; EXPLAIN's JSON is as the server printed it."""
    raw = huts.value(f"explain (analyze, buffers, verbose, settings, format json) {QUERY}")
    whole = capture(huts).model_copy(update={"explain": parse_document(raw[0])})
    path = tmp_path / "a.capture.json"
    write_capture(whole, path)
    again, altered = read_written(path)
    assert altered is None
    assert again.catalog == whole.catalog
    assert capture_to_document(again) == capture_to_document(whole)
    assert json.loads(path.read_text(encoding="utf-8"))["explain"] == raw
    write_capture(again, tmp_path / "b.capture.json")
    assert (tmp_path / "b.capture.json").read_bytes() == path.read_bytes()
    (taken_in,) = read_path(path)
    assert isinstance(taken_in, Capture)
    assert taken_in.catalog == whole.catalog


def test_masked_capture_holds_no_value(huts: Session) -> None:
    """Planted words and numbers are gone from every part; names, rows, costs and fractions are as before."""
    huts.run("""
      create index booking_kanari on booking(hut_id) where guest <> 'Kanari 4711' and nights <> 4711;
      create table berth(id int, kind text) partition by list (kind);
      create table berth_kanari partition of berth for values in ('Kanari 4711');
    """)
    try:
        whole = capture(huts)
        masked = mask_capture(whole)
        text = json.dumps(capture_to_document(masked))
        assert "4711" in json.dumps(capture_to_document(whole))
        assert not re.search(r"Kanari|4711|2024-06-01", text)
        assert not re.search(r"guest \d", text)
        bounds = mask_capture(capture(huts, "select * from berth where kind = 'Kanari 4711'"))
        assert not re.search(r"Kanari|4711", json.dumps(capture_to_document(bounds)))
        assert mask_capture(masked) == masked or capture_to_document(mask_capture(masked)) == capture_to_document(
            masked
        )
        for before, after in zip(
            lay_out(whole.explain.plan).nodes,  # type: ignore[union-attr]
            lay_out(masked.explain.plan).nodes,  # type: ignore[union-attr]
            strict=True,
        ):
            for key in ("node_type", "total_cost", "plan_rows", "actual_rows", "alias", "relation_name", "index_name"):
                assert getattr(before, key, None) == getattr(after, key, None)
        kept, lost = whole.catalog, masked.catalog
        assert kept is not None
        assert lost is not None
        assert [r.pages for r in kept.relations] == [r.pages for r in lost.relations]
        assert [j.ascending for j in kept.join_clauses] == [j.ascending for j in lost.join_clauses]
        assert [e.paths[0].total_cost for e in kept.relation_estimates] == [
            e.paths[0].total_cost for e in lost.relation_estimates
        ]
        assert capture_from_document(capture_to_document(masked)).catalog == lost
    finally:
        huts.run("drop index booking_kanari; drop table berth")


@pytest.mark.parametrize(
    ("text", "masked"),
    [
        ("(a.x = 5) AND (a.t = 'it''s')", "(a.x = '***') AND (a.t = '***')"),
        ("(t ~~ 'x%'::text)", "(t ~~ '***'::text)"),
        ("(k = ANY ('{1,22,\"a,b\"}'::integer[]))", "(k = ANY ('{***,***,***}'::integer[]))"),
        ("(n)::numeric(10,2) > 1.5e3", "(n)::numeric(10,2) > '***'"),
        ("(v)::character varying(20) = 'abc'", "(v)::character varying(20) = '***'"),
        ("(x)::integer = f(77)", "(x)::integer = f('***')"),
        ("(hashed SubPlan 1) OR (InitPlan 2).col1 = $3", "(hashed SubPlan 1) OR (InitPlan 2).col1 = $3"),
        ('"Hut 12"."a 1" = E\'x\\\'y\' -- secret', '"Hut 12"."a 1" = \'***\''),
        ("select $tag$ a $tag$, $$b$$, U&'x' /* c */", "select '***', '***', '***'"),
        ("hut_12 = 0x1F and y2 = .5", "hut_12 = '***' and y2 = '***'"),
        ("where t = 'cut shor", "where t = …"),
    ],
)
def test_masking_of_text(text: str, masked: str) -> None:
    """Literals of every spelling; what was cut off is left out; names and types stay. Common practice, no source."""
    mask = mask_statement if text.startswith("select") else mask_expression

    assert mask(text) == masked


def test_bad_files_are_one_sentence(tmp_path: Path) -> None:
    """Another schema, no JSON, no file, a wrong value: each says what and where."""
    with pytest.raises(BrokenPlan, match=r"schema is 'rowreckon.capture/9'"):
        capture_from_document({"schema": "rowreckon.capture/9"})
    with pytest.raises(BrokenPlan, match=r"does not belong.*line"):
        capture_from_document({"schema": "rowreckon.capture/1", "line": "many"})
    with pytest.raises(BrokenPlan, match="EXPLAIN object"):
        capture_from_document({"schema": "rowreckon.capture/1", "explain": [1, 2]})
    path = tmp_path / "x.capture.json"
    with pytest.raises(UnreadableFile):
        read_written(path)
    path.write_text("{")
    with pytest.raises(BrokenPlan, match="line 1"):
        read_written(path)
