"""What is read of files where statements are odd, unreadable or hostile."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon.declared.facts import Declared, DeclaredRelation
from rowreckon.declared.reading import SchemaFiles, decoded, read_text
from rowreckon.declared.result import declared_of
from rowreckon.errors import UnreadableFile

TABLES = "create table huts (id int primary key, name text);\ncreate table visits (id int, hut_id int);\n"


def read(*texts: str) -> tuple[Declared, list[str]]:
    """What files of these texts declare, and the notes."""
    found = SchemaFiles()
    for number, text in enumerate(texts):
        read_text(found, f"{number}.sql", text)
    return declared_of(found, {name for _, name in found.schema.tables}), found.notes


def relation(name: str, *texts: str) -> DeclaredRelation:
    """One relation of what files of these texts declare."""
    found = read(*texts)[0].relation(name)
    assert found is not None
    return found


def test_files_are_merged_in_their_order() -> None:
    """An index made in the first and dropped in the second is gone; the table stays whole."""
    made = TABLES + "create index visits_hut on visits (hut_id);"

    assert relation("visits", made).index("visits_hut") is not None
    assert relation("visits", made, "drop index visits_hut;").indexes == ()
    assert relation("visits", made, "drop index visits_hut;").whole


def test_a_later_dump_takes_the_place_of_an_earlier() -> None:
    """The table of the later file counts, with its indexes and no others."""
    found = relation("visits", TABLES + "create index old on visits (id);", "create table visits (id int, day date);")

    assert found.indexes == ()
    assert [c.name for c in found.columns] == ["id", "day"]


@pytest.mark.parametrize(
    "unread",
    [
        "do $$ begin alter table visits add primary key (id); end $$;",
        "do $$ begin execute 'create index on ' || 'vis' || 'its (id)'; end $$;",
        "select add_the_index('visits');",
        "call reindex_all('visits');",
        "alter table visits frobnicate;",
        "\\i more.sql",
        "rollback;",
        "create index on visits (id",
    ],
)
def test_what_is_unread_leaves_no_index_absent(unread: str) -> None:
    """Where something unread may have made an index, that none is listed says nothing; a note names the line."""
    declared, notes = read(TABLES + unread + "\n")
    found = declared.relation("visits")

    assert found is not None
    assert not found.whole
    assert len(notes) == 1
    assert notes[0].startswith("0.sql, line 3: ")


def test_what_is_unread_leaves_other_tables_whole() -> None:
    """A block that names one table alone says nothing of another."""
    assert relation("huts", TABLES + "do $$ begin alter table visits add primary key (id); end $$;").whole


def test_without_its_create_a_table_is_not_whole() -> None:
    """An index is known of it, and the absence of others is not."""
    found = relation("visits", "create index on visits (hut_id);")

    assert not found.whole
    assert [i.name for i in found.indexes] == ["visits_hut_id_idx"]


def test_names_and_values_stand_in_no_note() -> None:
    """Notes can't be masked name by name: they hold key words and places alone."""
    secrets = "create table klara (a int) frobnicate 'klara';\nselect klara('klara');\nalter index klara rename to b;"
    notes = read(TABLES + secrets)[1]

    assert len(notes) == 3
    assert not any("klara" in note for note in notes)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"PGDMP\x01\x0e", "custom format"),
        (b"\xff\xfe\x00", "no UTF-8"),
    ],
)
def test_what_is_no_text_is_said(content: bytes, words: str) -> None:
    """One sentence, with what to do."""
    with pytest.raises(UnreadableFile, match=words):
        decoded(content, "schema.sql")


@pytest.mark.parametrize("text", ["", "-- nothing", "hello world, this is no SQL", "\x00\x00", "'", '{"Plan": 1}'])
def test_what_is_no_sql_is_refused(text: str) -> None:
    """A file in which nothing can be read is an error, not an empty schema."""
    with pytest.raises(UnreadableFile, match="no SQL"):
        read_text(SchemaFiles(), "x.sql", text)


HOSTILE = {
    "tables": "create table t%d ();\n",
    "indexes of one table": "create index on t (a);\n",
    "columns by LIKE": "create table t%d (like wide);\n",
    "partitions and indexes": "create table p%d partition of t default; create index on t (a);\n",
    "column added": "alter table t add column c%d int;\n",
    "column renamed": "alter table t rename column a to b; alter table t rename column b to a;\n",
    "table renamed": "alter table t rename to t2; alter table t2 rename to t;\n",
    "schemas dropped": "create table s%d.t (); drop schema s%d cascade;\n",
    "functions dropped": "drop function f%d cascade;\n",
    "search path": "set search_path to a%d, b, c; alter table t set (fillfactor = 50);\n",
    "heirs of heirs": "create table h%d () inherits (t);\n",
    "statistics": "create statistics on a, b from t;\n",
    "doubts": "do 'a%d';\n",
    "restored": "select pg_restore_attribute_stats('schemaname', 'public', 'relname', 't', 'attname', 'z%d');\n",
    "foreign keys": "alter table t add foreign key (a) references t;\n",
    "levels of heirs": "create table l%d (); alter table l%d inherit t; alter table t rename to l%d_; "
    "alter table l%d rename to t;\n",
    "columns of heirs": "create table h%d () inherits (t); alter table t rename a to b; alter table t rename b to a;\n",
    "columns referred to": "create table r%d (a int references t (a)); alter table t rename a to b; "
    "alter table t rename b to a;\n",
}


def steps(kind: str, count: int) -> int:
    """How many lines of ours a file of so many such statements takes to read."""
    import sys

    wide = ", ".join(f"c{n} int" for n in range(40))
    unit = HOSTILE[kind]
    lines = "".join(unit.replace("%d", str(n)) for n in range(count))
    head = f"create table wide ({wide});\ncreate table t (a int, b int) partition by list (a);\n"
    found, taken = SchemaFiles(), 0
    found.schema.budget.left = 200

    def count_line(frame: object, event: str, argument: object) -> object:
        nonlocal taken
        taken += event == "line"
        return count_line

    before = sys.gettrace()
    sys.settrace(count_line)  # type: ignore[arg-type]
    try:
        read_text(found, "x.sql", head + lines)
    finally:
        sys.settrace(before)
    return taken


@pytest.mark.parametrize("kind", HOSTILE)
def test_short_statements_do_not_add_up(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four times the statements take no more than about four times the steps, once the bounds on what is kept hold."""
    from rowreckon.declared import schema

    monkeypatch.setattr(schema, "MOST_INDEXES_OF_A_TABLE", 8)
    monkeypatch.setattr(schema, "MOST_INDEXES", 16)
    monkeypatch.setattr(schema, "MOST_COLUMNS", 200)
    monkeypatch.setattr(schema, "MOST_REFERRING", 4)
    monkeypatch.setattr(schema, "DEEPEST", 4)
    few, many = steps(kind, 16), steps(kind, 64)

    assert many < 6 * few


def test_the_bounds_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond them a note, and nothing counts as absent."""
    from rowreckon.declared import schema

    monkeypatch.setattr(schema, "MOST_INDEXES_OF_A_TABLE", 3)
    declared, notes = read("create table t (a int);" + "create index on t (a);" * 5)
    found = declared.relation("t")

    assert found is not None
    assert len(found.indexes) == 3
    assert not found.whole
    assert any("too many indexes" in note for note in notes)


def test_a_file_is_not_executed(tmp_path: Path) -> None:
    """Neither SQL nor psql's commands: what would write a file leaves none."""
    mark = tmp_path / "mark"
    text = f"copy (select 1) to '{mark}';\n\\! touch {mark}\n\\o {mark}\ncopy (select 1) to program 'touch {mark}';\n"
    read(TABLES + text)

    assert not mark.exists()


@pytest.mark.parametrize(
    "circle",
    [
        "create table a (); alter table a inherit a;",
        "create table a (x int); create table b () inherits (a); alter table a inherit b; alter table a rename x to y;",
        "create table a (x int) partition by list (x); create table b partition of a default partition by list (x);"
        "alter table b attach partition a default; alter table a add column z int; drop table a;",
    ],
)
def test_a_table_is_never_its_own_heir(circle: str) -> None:
    """The statement is named, and nothing goes round for ever."""
    notes = read(circle)[1]

    assert any("own heir" in note for note in notes)


def test_levels_without_end() -> None:
    """Heirs of heirs beyond the bound are named; a change of the first goes down to those that are kept."""
    levels = "".join(f"create table t{n + 1} () inherits (t{n});\n" for n in range(300))
    declared, notes = read("create table t0 (a int);\n" + levels + "alter table t0 rename a to b;")

    assert any("too many levels deep" in note for note in notes)
    last = declared.relation("t50")
    assert last is not None
    assert [c.name for c in last.columns] == ["b"]
