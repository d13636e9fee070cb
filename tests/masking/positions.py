"""A canary in every place of PostgreSQL's grammar that can hold a literal, told by the grammar itself.

The seeds hold every message that the raw parser makes trees of (`unseen_messages` says which are left). Then

- `planted` puts a constant into every field of type Node of every message in them, whether the seed had something
  there or not, and keeps what the grammar prints and reads again with the constant in it;
- `spelled` replaces each literal token of what came of it by each way in which such a literal can be written.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import postgast
from postgast import pg_query_pb2 as pb

from rowreckon.sql.grammar import NotSql, parse, scan

CANARY: Final = "zqvkanari"
"""A word that stands in no seed, name or key word."""
NUMBER: Final = 918273645
_MOST_TRIES: Final = 12
_SEEDS: Final = Path(__file__).with_name("seeds.sql")

# Messages of parse analysis, the planner, PL/pgSQL and libpg_query itself, which no text is read into
# (PostgreSQL 18, src/include/nodes/primnodes.h and parsenodes.h: "post-parse" or "output of the parse analysis").
_NEVER_PARSED_TEXT: Final = """
    Aggref AlternativeSubPlan ArrayCoerceExpr ArrayExpr CallContext CaseTestExpr CoerceToDomain CoerceToDomainValue
    CoerceViaIO CollateExpr ConvertRowtypeExpr DistinctExpr FieldSelect FieldStore FromExpr FuncExpr InferenceElem
    InlineCodeBlock IntList JsonConstructorExpr JsonExpr JsonTablePath JsonTablePathScan JsonTableSiblingJoin
    MergeAction NextValueExpr NullIfExpr OidList OnConflictExpr OpExpr PLAssignStmt Param PartitionRangeDatum Query
    RTEPermissionInfo RangeTblEntry RangeTblFunction RangeTblRef RelabelType ReturningExpr RowCompareExpr RowMarkClause
    ScalarArrayOpExpr ScanResult ScanToken SetOperationStmt SortGroupClause SubPlan SubscriptingRef SummaryResult
    TableFunc TableSampleClause TargetEntry Var WindowClause WindowFunc WindowFuncRunCondition WithCheckOption
"""
NEVER_PARSED: Final = frozenset(_NEVER_PARSED_TEXT.split())


@dataclass(frozen=True, slots=True)
class Place:
    """A statement with a canary in it; `field` is the message and field that holds it."""

    field: str
    text: str


_Candidate = tuple[str, int, str, str | None, str]
_TOLD: Final = 4


@lru_cache(maxsize=1)
def seeds() -> tuple[str, ...]:
    """The seed statements."""
    return tuple(line for line in _SEEDS.read_text("utf-8").splitlines() if line and not line.startswith("--"))


def messages(tree: Any) -> Iterator[Any]:
    """A message and all that it holds."""
    waiting = [tree]
    while waiting:
        message = waiting.pop()
        yield message
        for field, value in message.ListFields():
            if field.message_type is not None:
                waiting.extend(value if field.is_repeated else (value,))


def unseen_messages() -> set[str]:
    """Messages that no seed holds."""
    held = {message.DESCRIPTOR.name for seed in seeds() for message in messages(parse(seed))}
    return set(pb.DESCRIPTOR.message_types_by_name) - held


@lru_cache(maxsize=1)
def planted() -> tuple[Place, ...]:
    """One statement for each field of each message that takes a constant, in a seed's own surroundings.

    The grammar's printer can crash on trees that no parser makes, so all are printed in processes of their own.
    """
    done = subprocess.run(
        [sys.executable, "-m", "tests.masking.positions"], stdout=subprocess.PIPE, text=True, check=True
    )
    return tuple(Place(*json.loads(line)) for line in done.stdout.splitlines())


def _plant() -> None:
    """Print each place found; a process that crashes is followed by one for the candidates after the one at fault."""
    waiting = list(_candidates())
    known: set[str] = set()
    while waiting:
        readable, writable = os.pipe()
        child = os.fork()
        if child == 0:
            _plant_from(waiting, set(known), writable)
            os._exit(0)
        os.close(writable)
        tried = 0
        with os.fdopen(readable) as lines:
            for line in lines:
                told = json.loads(line)
                tried = told[0] + 1
                if len(told) == _TOLD:
                    print(json.dumps(told[2:]), flush=True)
                known.add(told[1])
        status = os.waitpid(child, 0)[1]
        waiting = [] if status == 0 else waiting[tried:]


def _plant_from(candidates: list[_Candidate], known: set[str], out: int) -> None:
    for number, (seed, at, field, holder, name) in enumerate(candidates):
        key = f"{name} {holder}"
        if key not in known:
            # told before it is tried: what crashes once is not tried again
            os.write(out, f"{json.dumps([number, f'{key} {seed[:20]}'])}\n".encode())
            text = _with_canary(seed, at, field, holder)
            if text is not None:
                known.add(key)
                os.write(out, f"{json.dumps([number, key, name, text])}\n".encode())


def _candidates() -> Iterator[_Candidate]:
    """Seed, number of the message in it, field, what the constant stands in, and the field's whole name."""
    tried: Counter[str] = Counter()
    for seed in seeds():
        for number, message in enumerate(messages(parse(seed))):
            for field in message.DESCRIPTOR.fields:
                if field.message_type is None or field.message_type.name != "Node":
                    continue
                name = f"{message.DESCRIPTOR.name}.{field.name}"
                for holder in (None, "String", "List"):
                    tried[f"{name} {holder}"] += 1
                    if tried[f"{name} {holder}"] <= _MOST_TRIES:
                        yield seed, number, field.name, holder, name


def _with_canary(seed: str, number: int, field: str, holder: str | None) -> str | None:
    tree = parse(seed)
    message = next(message for at, message in enumerate(messages(tree)) if at == number)
    constant = _constant(holder)
    held = getattr(message, field)
    if message.DESCRIPTOR.fields_by_name[field].is_repeated:
        (held[0] if held else held.add()).CopyFrom(constant)
    else:
        held.CopyFrom(constant)
    try:
        text: str = postgast.deparse(tree)
        tokens = scan(text)
        parse(text)
    except (postgast.PgQueryError, NotSql, ValueError):
        return None
    return text if any(CANARY in token.text and token.kind == "string" for token in tokens) else None


def _constant(holder: str | None) -> Any:
    node = pb.Node()
    if holder == "String":
        node.string.sval = CANARY
    elif holder == "List":
        node.list.items.add().a_const.sval.sval = CANARY
    else:
        node.a_const.sval.sval = CANARY
    return node


STRINGS: Final = (
    f"'{CANARY}'",
    f"E'a\\n{CANARY}\\''",
    f"U&'{CANARY}\\0041'",
    f"N'{CANARY}'",
    f"$${CANARY}$$",
    f"$t1${CANARY} '$$' $t1$",
    f"'a'\n  'b {CANARY}'",
    f"'{{1,{CANARY},\"a, {CANARY}\"}}'",
    f'\'{{"k": "{CANARY}", "n": {NUMBER}}}\'',
    f"'{NUMBER} seconds'",
    f"'it''s {CANARY}'",
)
NUMBERS: Final = (str(NUMBER), f"{NUMBER}.5", f".{NUMBER}", f"{NUMBER}e3", "918_273_645", hex(NUMBER), oct(NUMBER))
BITS: Final = (f"b'{NUMBER:b}'", f"B'{NUMBER:b}'")
HEXES: Final = (f"x'{NUMBER:x}'", f"X'{NUMBER:X}'")
SECRETS: Final = (CANARY, str(NUMBER), "918_273_645", f"{NUMBER:x}", f"{NUMBER:X}", f"{NUMBER:o}", f"{NUMBER:b}")
"""What must be found nowhere: the canary however it was written."""


def spelled(statement: str) -> Iterator[str]:
    """The statement with each of its literals written in each other way, one at a time; only what is SQL still."""
    tokens = scan(statement)
    for number, token in enumerate(tokens):
        for spelling in _spellings(token.text, token.kind):
            before, after = statement[: token.start], statement[token.end :]
            text = f"{before}{spelling}{after}"
            if number + 1 < len(tokens) and tokens[number + 1].says("uescape"):
                continue
            if spelling.startswith("$") and before[-1:].isalnum():
                continue  # a dollar within a name is part of it
            try:
                parse(text)
            except NotSql:
                continue
            yield text


def commented(statement: str) -> str:
    """The statement with canaries in comments of both kinds, nested ones too, wherever one may stand."""
    pieces = [statement[token.start : token.end] for token in scan(statement)]
    kinds = (f" /* {CANARY} /* '{CANARY} */ {NUMBER} */ ", f" -- {CANARY} '{NUMBER}\n")
    return "".join(piece + kinds[number % 2] for number, piece in enumerate(pieces))


def all_canaries(statement: str) -> str:
    """The statement with a canary in each of its plain strings."""
    pieces: list[str] = []
    end = 0
    for token in scan(statement):
        if token.kind == "string" and token.text.startswith("'"):
            pieces += statement[end : token.start], f"'{CANARY}'"
            end = token.end
    return "".join((*pieces, statement[end:]))


def _spellings(text: str, kind: str) -> tuple[str, ...]:
    if kind == "number":
        return NUMBERS
    if kind != "string":
        return ()
    return BITS if text[0] in "bB" else HEXES if text[0] in "xX" else STRINGS


if __name__ == "__main__":
    _plant()
