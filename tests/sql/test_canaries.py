"""A canary in every place where PostgreSQL's grammar takes a literal: none is found in the masked text.

The places come from the grammar itself: every key word is set into frames of every kind of statement, and what the
grammar accepts is a place. Nothing here knows what the masking looks for.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import postgast
import pytest

from rowreckon.sql.grammar import NotSql, parse, scan
from rowreckon.sql.masking import mask_expression, mask_statement
from rowreckon.sql.tree import every_message, kind_of

WORD = "Zirbelkanari"
NUMBER = "918273645"

# Every way to write a literal (manual, "Constants"), with a canary in it.
STRINGS = (
    f"'{WORD}'", f"E'{WORD}\\n'", f"E'\\'{WORD}'", f"U&'{WORD}\\0061'", f"U&'{WORD}!0061' UESCAPE '!'", f"$${WORD}$$",
    f"${WORD}$x${WORD}$", f"$a$ $$ {WORD} $a$", f"N'{WORD}'", f"'it''s {WORD}'", f"'x'\n'{WORD}'", f"'%{WORD}_'",
    f"'{{1,\"{WORD}\",3}}'", f"'{{\"{WORD}\": 1}}'", f"date '{WORD}'", f"interval '{WORD}' year", f"'{WORD}'::text",
    f"cast('{WORD}' as text)", f"array['{WORD}']", f"row('{WORD}')", f"(('{WORD}'))", f"'{WORD}' collate \"C\"",
    f"json '{WORD}'", f"float8 '{WORD}'", f"/* {WORD} */ 'x'", f"/* a /* {WORD} */ {WORD} */ 1", f"'x' -- {WORD}\n",
)  # fmt: skip
NUMBERS = (
    NUMBER, f"-{NUMBER}", f"{NUMBER}.5", f".{NUMBER}", f"{NUMBER}e3", f"1e-{NUMBER}", f"b'{NUMBER}'", f"x'{NUMBER}'",
    f"'{NUMBER}'", f"array[{NUMBER}, 1]", f"({NUMBER})", f"{NUMBER}::int8", f"'{{{NUMBER}}}'::int[]",
)  # fmt: skip

# @ is a literal, % a key word: what the grammar accepts of it counts.
_FRAMES = r"""
% @
% a @
% a % @
% % @
% a.b = @
% a (@)
% a as @
% a is @
% a to @
% on table a is @
select % @
select %(@)
select %(a, @)
select %(@, a)
select %(a from @)
select %(a for @)
select %(@ in a)
select %(a as int default @)
select %(% a from @)
select a % @
select a % % @
select a % b and @
select not a % @
select a % (@)
select @ % a
select %(a % @)
select % a % @ end
select case a when @ then b end
select case when a then @ else b end
select a[@], b[@:@]
select % [@]
select a from b % @
select a from b % % @
select a from b % (@)
select a from b where c % @
select a from b where % (@)
select a from b % by @
select a from b % by (@)
select a from b % @ %
select a from b % @ rows only
select a from b % first @ rows only
select a from b tablesample % (@)
select a from b tablesample c (d) % (@)
select a from b for % of c % @
select a from %(@) c
select a from %(@ passing b columns c int path @)
select a from %(b, @ columns (c int path @ default @ on empty))
select sum(a) % (where b = @) from c
select sum(a) over (% by b rows @ %) from c
select % within group (order by @)
select sum(a) over (order by b rows between @ preceding and @ following) from c
with a as (select @) select % @
with a as (select b) % by c set d to @ default @ select e
values (@), (%)
table a % @
select (a % (@, b))
insert into a values (@)
insert into a select @ on conflict (b) do update set c = @ where d = @ returning @
update a set b = @, (c, d) = (@, @) where e = @
delete from a using b where c % @
update a set b[@] = c
merge into a using b on c = @ when matched and d = @ then update set e = @ when not matched then insert values (@)
create table a (b int % @)
create table a (b int % (@))
create table a (b text % c default @)
create table a (b int % % as (@) stored)
create table a (b int) % (c = @)
create table a (b % (@))
create table a (b int, constraint c check (d = @))
create table a partition of b for values % (@)
create table a partition of b for values from (@) to (@)
create table a (b int) partition by range ((c || @))
create index on a ((b || @)) where c = @
create index on a (b) with (c = @)
create view a as select @
create statistics a on (b || @), c from d
create % a as @
create % a from b options (c @)
create % a % @
create function a(b int default @) returns int language sql as @
create function a() returns int return @
create function a() returns int begin atomic select @; end
create function a() returns int as @ % @
create function a() returns int language sql set b to @ as @
create aggregate a (int) (sfunc = b, initcond = @)
create rule a as on insert to b where c = @ do instead insert into d values (@)
create type a as enum (@)
create trigger a before update on b for each row when (c = @) execute function d(@)
create % a with % @
create policy a on b using (c = @) with check (d = @)
create domain a as int default @ check (value > @)
create % a % b % @ % c
create % a owner b % @
create % a connection @ publication b
create sequence a % @
create sequence a % by @
create % a (b = @)
create % a type @ version @
create extension a version @
alter table a alter b set default @
alter table a add b int default @ check (c = @)
alter table a set (b = @)
alter table a alter b type int using c || @
alter % a % @
alter % a set b to @
alter % a options (set b @)
alter % a rename value @ to @
alter % a add value @ before @
alter % a connection @
alter system set a to @
alter % a % % @
alter % a set (b = @)
alter % a alter b set % @
alter role a in database b set c = @, @
set a to @
set a = @, @
set local a = @
set % @
set % % @
reset %
set session a to @
set % a to @
copy a from @
copy a to @ with (b @, c @)
copy a (b) from @ % @
copy (select @) to @
copy a to % @
copy a from stdin where b = @
prepare a as select @
execute a(@, b)
declare a cursor for select @
explain select @
explain (a @) select b
do @
do language a @
call a(@, b => @)
notify a, @
listen %
comment on % a is @
comment on % a on b is @
security label on % a is @
fetch @ from a
move % @ in a
prepare transaction @
% prepared @
load @
% a % @ from b
grant a to b % @
import foreign schema a from server b into c options (d @)
select xmlelement(name a, xmlattributes(@ as b), @)
select xmlpi(name a, @)
select xmlparse(% @)
select json_object(@ : @)
select json_value(a, @ passing @ as b default @ on empty)
select a is json % @
select extract(@ from a)
select overlay(a placing @ from @ for @)
select position(@ in a)
select trim(% @ from a)
select a at time zone @
select a like @ escape @
select a similar to @
select a between @ and @
select a in (@, @)
select a = any (array[@, @])
select (a, @) = (b, @)
select @::a.b
select a @> @
select a operator(pg_catalog.=) @
select f(variadic array[@])
select f(a => @)
select grouping sets ((@))
select a from b group by rollup (c, @), cube (@)
select a union select @ except all select @
select a into b from c where d = @
select normalize(a, %) || @
select a collate b || @
select current_timestamp(@)
select a from b join c on d = @
select a from lateral (select @) b
select a from b, f(@) with ordinality c
select a from rows from (f(@), g(@)) h
"""
FRAMES = tuple(filter(None, _FRAMES.split("\n")))


@lru_cache(maxsize=1)
def _key_words() -> tuple[str, ...]:
    names = (name.removesuffix("_P").lower() for name in postgast.pg_query_pb2.Token.keys())  # noqa: SIM118
    return tuple(sorted({word for word in names if word.isidentifier() and scan(word)[0].keyword}))


def _is_sql(text: str) -> bool:
    try:
        parse(text)
    except NotSql:
        return False
    return True


@lru_cache(maxsize=3)
def _places(literal: str) -> tuple[str, ...]:
    """Texts with @ where the grammar takes such a literal."""
    found: list[str] = []
    for frame in FRAMES:
        words = _key_words() if "%" in frame else ("",)
        for word in words:
            place = frame.replace("%", word)
            if _is_sql(place.replace("@", literal)):
                found.append(place)
    return tuple(dict.fromkeys(found))


def _planted(literals: tuple[str, ...], place: str) -> Iterator[str]:
    for literal in literals:
        text = place.replace("@", literal)
        if _is_sql(text):
            yield text


def _is_modifier(text: str) -> bool:
    """Whether the number stands between the brackets of a type, where it belongs to the type and stays."""
    return any(
        NUMBER in str(modifier)
        for message in every_message(parse(text))
        if kind_of(message) == "TypeName"
        for modifier in message.typmods
    )


def test_the_grammar_gives_places_enough() -> None:
    """Hundreds of them, over all kinds of statements: the check can fail."""
    strings, numbers = _places("'x'"), _places("1")
    kinds = {parse(p.replace("@", "'x'")).stmts[0].stmt.WhichOneof("node") for p in strings}
    kinds |= {parse(p.replace("@", "1")).stmts[0].stmt.WhichOneof("node") for p in numbers}

    assert len(strings) > 600
    assert len(numbers) > 600
    assert len(kinds) > 40
    assert all(_is_sql(f"select {literal}") for literal in (*STRINGS, *NUMBERS))


def test_no_string_is_found_in_a_masked_statement() -> None:
    """Strings of every kind, and comments, in every place that takes a string."""
    planted = [text for number, place in enumerate(_places("'x'")) for text in _planted(_some(STRINGS, number), place)]
    leaking = [text for text in planted if WORD in mask_statement(text)]

    assert len(planted) > 2000
    assert leaking == []


def test_no_number_is_found_in_a_masked_statement() -> None:
    """Numbers of every kind; those between the brackets of a type are the type's."""
    planted = [text for number, place in enumerate(_places("1")) for text in _planted(_some(NUMBERS, number), place)]
    leaking = [text for text in planted if NUMBER in mask_statement(text) and not _is_modifier(text)]

    assert len(planted) > 2000
    assert leaking == []


def _some(literals: tuple[str, ...], number: int) -> tuple[str, ...]:
    """The plain literal and four others, in turn, so that each comes in many places."""
    return (literals[0], *(literals[(number * 4 + step) % len(literals)] for step in range(4)))


def test_no_word_that_is_a_value_is_found_in_a_masked_statement() -> None:
    """Where the grammar makes a string of a word, as behind SET; roles and other names stay."""
    word = WORD.lower()
    planted = [place.replace("@", word) for place in _places(word)]
    values = [text for text in planted if _is_value(text, word)]

    assert len(values) > 10
    assert [text for text in values if word in mask_statement(text)] == []


def _is_value(text: str, word: str) -> bool:
    messages = list(every_message(parse(text)))
    if any(getattr(message, "name", None) in ("role", "session_authorization") for message in messages):
        return False
    return any(kind_of(message) == "A_Const" and message.sval.sval == word for message in messages)


@pytest.mark.parametrize("literal", [*STRINGS, *NUMBERS])
def test_no_literal_is_found_in_a_text_that_was_cut(literal: str) -> None:
    """At every character: what is left of a literal at the end is left out."""
    text = f"select a from b where c = {literal} and d = {literal} limit 1"
    for end in range(len(text)):
        for masked in (mask_statement(text[:end]), mask_expression(text[:end])):
            assert WORD[:6] not in masked, text[:end]
            assert NUMBER[:5] not in masked, text[:end]


def test_names_types_and_structure_stay() -> None:
    """Masking takes literals, not the rest: each masked statement still parses, but for its last word in few places."""
    places = _places("'x'")
    parsing = [place for place in places if _is_sql(mask_statement(place.replace("@", "'x'")))]

    assert len(parsing) > 0.97 * len(places)
