"""Worst inputs that somebody else thought of for every way in, and a process that measures them.

Each is a text of about as many bytes as asked for, and what it is read as. `measure` forks a process for each out of
one that has loaded everything, so that what is measured is the reading: its processor seconds and its largest memory.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

Maker = Callable[[int], str | bytes]

PLAN: Final = Path(__file__).parents[2] / "sample_plans" / "stale-statistics.18.json"
_HEAD: Final = "2026-07-01 10:00:00.000 UTC [7] LOG:  duration: 5.000 ms  plan:\n"
_SCAN: Final = "Seq Scan on huts  (cost=0.00..1.00 rows=1 width=4) (actual time=0.1..0.2 rows=1 loops=1)\n"
_KEY: Final = '{"schema":"rowreckon.mask-key/1","key":"00","names":{'
_AUDIT: Final = '{"schema":"rowreckon.audit/2","plans":['
_XML: Final = '<explain xmlns="http://www.postgresql.org/2009/explain"><Query><Plan>'


def _fill(piece: str, before: str = "", after: str = "") -> Maker:
    return lambda size: before + piece * (size // len(piece.encode())) + after


def _numbered(piece: Callable[[int], str], before: str = "", after: str = "") -> Maker:
    def make(size: int) -> str:
        each = max(1, len(piece(10_000)))
        return before + "".join(piece(number) for number in range(size // each)) + after

    return make


def _packed(piece: bytes, times: int) -> Maker:
    """A little gzip that holds `times` as many bytes."""
    return lambda size: gzip.compress(piece * (size * times // len(piece)))


def _steps(size: int) -> str:
    """Lines each of which stands further to the right."""
    return "".join(f"{' ' * n}->  {_SCAN}" for n in range(int((2 * size) ** 0.5)))


def _csv_log(size: int) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    row = [
        "2026-07-01 10:00:00.000 UTC",
        "u",
        "d",
        "7",
        "x",
        "1.1",
        "1",
        "SELECT",
        "",
        "",
        "",
        "LOG",
        "00000",
        '"' * 500,
    ]
    for _ in range(size // 1100):
        writer.writerow([*row, *[""] * 12])
    return out.getvalue()


def _json_log(size: int) -> str:
    line = json.dumps(
        {"timestamp": "2026-07-01 10:00:00.000 UTC", "error_severity": "LOG", "message": _HEAD[35:] + "[" * 300}
    )
    return (line + "\n") * (size // len(line))


def _capture(size: int) -> str:
    document = json.loads(PLAN.read_text("utf-8"))
    return json.dumps(
        {"schema": "rowreckon.capture/1", "name": "n", "explain": document[0], "notes": ["n" * 50] * (size // 54)}
    )


INPUTS: Final[dict[str, tuple[str, Maker]]] = {
    "open brackets": ("plan", _fill("[")),
    "objects in objects": ("plan", _fill('{"a":')),
    "closed brackets": ("plan", _fill("]")),
    "pairs of brackets": ("plan", _fill("[],", "[", "1]")),
    "many documents": ("plan", _fill("{}\n")),
    "beginnings of plans": ("plan", _fill('[\n  {\n    "Plan": {\n      "Node Type": "Seq Scan",\n')),
    "beginnings in a line": ("plan", _fill('[{"Plan": {"Node Type": "Seq Scan", ')),
    "one number": ("plan", _fill("9", '[{"Plan": {"Node Type": "Seq Scan", "Plan Rows": ', "}}]")),
    "a string of escapes": ("plan", _fill("\\u0041", '[{"Plan": {"Node Type": "', '"}}]')),
    "a string of backslashes": ("plan", _fill("\\\\", '[{"Plan": {"Node Type": "', '"}}]')),
    "one key again and again": ("plan", _fill('"a":1,', '[{"Plan": {"Node Type": "Seq Scan",', '"b":1}}]')),
    "different keys": ("plan", _numbered(lambda n: f'"k{n}":1,', '[{"Plan": {"Node Type": "Seq Scan",', '"b":1}}]')),
    "blanks": ("plan", _fill(" ")),
    "lines without anything": ("plan", _fill("\n")),
    "carriage returns": ("plan", _fill("\r")),
    "blanks before a plan": ("plan", lambda size: " " * size + PLAN.read_text("utf-8")),
    "quotation marks": ("plan", _fill('"')),
    "quotation marks and blanks": ("plan", _fill('" ')),
    "borders": ("plan", _fill("-" * 79 + "\n", " QUERY PLAN\n")),
    "headings": ("plan", _fill(" QUERY PLAN \n------------\n")),
    "bars": ("plan", _fill("| ")),
    "bars in lines": ("plan", _fill("| a |\n", "+---+\n")),
    "pluses at ends": ("plan", _fill(' "a": 1,   +\n', " QUERY PLAN\n-----\n [   +\n")),
    "records": ("plan", _fill("-[ RECORD 1 ]---\nQUERY PLAN | [ \n")),
    "row counts": ("plan", _fill("(1 row)\n")),
    "boxes": ("plan", _fill("│ ─ ┼ ")),
    "fences": ("plan", _fill("```\n")),
    "fences with words": ("plan", _fill("```json\n[\n")),
    "arrows": ("plan", _fill("->  ")),
    "scans ever further right": ("plan", _steps),
    "sub-nodes": ("plan", _fill(f"  ->  {_SCAN}", "Append  (cost=0.00..1.00 rows=1 width=4)\n")),
    "costs in a line": ("plan", _fill("(cost=0.00..1.00 rows=1 width=4) ")),
    "half a cost": ("plan", _fill("(cost=0.00..")),
    "times in a line": ("plan", _fill(" (actual time=", "Seq Scan on huts")),
    "a name without end": ("plan", _fill("a", "Seq Scan on ", "  (cost=0.00..1.00 rows=1 width=4)\n")),
    "name in quotes": ("plan", _fill('""', 'Seq Scan on "', '"  (cost=0.00..1.00 rows=1 width=4)\n')),
    "filter of brackets": ("plan", _fill("(", f"{_SCAN}  Filter: ", "\n")),
    "filter of quotes": ("plan", _fill("'", f"{_SCAN}  Filter: (a = ", ")\n")),
    "filter of ands": ("plan", _fill(" AND (a = 1)", f"{_SCAN}  Filter: ((a = 1)", ")\n")),
    "filter of casts": ("plan", _fill("::text", f"{_SCAN}  Filter: (a", ")\n")),
    "a long list of keys": ("plan", _fill("a, ", "Sort  (cost=0.00..1.00 rows=1 width=4)\n  Sort Key: ", "b\n")),
    "filters": ("plan", _fill("  Filter: (a = 1)\n", _SCAN)),
    "unknown lines": ("plan", _fill("  Odd Thing: 1\n", _SCAN)),
    "different unknown lines": ("plan", _numbered(lambda n: f"  Odd {n}: 1\n", _SCAN)),
    "workers": ("plan", _numbered(lambda n: f"  Worker {n}:  actual time=0.1..0.2 rows=1 loops=1\n", _SCAN)),
    "buffers": ("plan", _fill(" shared hit=1", f"{_SCAN}  Buffers:", "\n")),
    "settings": ("plan", _numbered(lambda n: f"a{n} = 'b', ", f"{_SCAN}Settings: ", "c = 'd'\n")),
    "colons": ("plan", _fill(": ")),
    "combining marks": ("plan", _fill("\u0301")),
    "zero bytes": ("plan", _fill("\0")),
    "elements": ("plan", _fill("<a>")),
    "elements of a plan": ("plan", _fill("<Plans><Plan>", _XML)),
    "comments": ("plan", _fill("<!--", "<explain>")),
    "entities": ("plan", _fill("&amp;", f"{_XML}<Node-Type>", "</Node-Type></Plan></Query></explain>")),
    "attributes": ("plan", _numbered(lambda n: f" a{n}='b'", "<explain", "/>")),
    "declarations": ("plan", _numbered(lambda n: f" xmlns:a{n}='b'", "<explain", "/>")),
    "character data": ("plan", _fill("<![CDATA[]]>", f"{_XML}<Node-Type>", "</Node-Type></Plan></Query></explain>")),
    "beginnings of XML": ("plan", _fill('<explain xmlns="http://www.postgresql.org/2009/explain">\n')),
    "dashes": ("plan", _fill("- ")),
    "items": ("plan", _fill("- Plan:\n")),
    "mappings in a line": ("plan", _fill("a: ")),
    "flow mappings": ("plan", _fill("{a: ", "- Plan: ")),
    "anchors": ("plan", _numbered(lambda n: f"    a{n}: &a{n} x\n", "- Plan:\n")),
    "references": ("plan", _fill("    - *a\n", "- Plan:\n    Node Type: &a x\n    Plans:\n")),
    "merges": ("plan", _fill("    <<: *a\n", "- x: &a {b: 1}\n- Plan:\n")),
    "block text": ("plan", _fill("      x\n", "- Plan:\n    Filter: |\n")),
    "question marks": ("plan", _fill("? ")),
    "hashes": ("plan", _fill("#\n", "- Plan:\n")),
    "yaml quotes": ("plan", _fill("''", "- Plan:\n    Filter: '", "'\n")),
    "yaml nested ever deeper": (
        "plan",
        lambda size: "- Plan:\n" + "".join(f"{' ' * (2 * n)}Plans:\n" for n in range(2, int(size**0.5))),
    ),
    "heads": ("log", _fill(_HEAD)),
    "a line without end": ("log", _fill("x", _HEAD)),
    "following lines": ("log", _fill("\tx\n", _HEAD)),
    "following brackets": ("log", _fill("\t[\n", _HEAD)),
    "stamps in a line": ("log", _fill("2026-07-01 10:00:00.000 UTC [7] ", "", "\n")),
    "details": ("log", _fill("2026-07-01 10:00:00.000 UTC [7] DETAIL:  x\n")),
    "beginnings of entries": ("log", _fill(f'{_HEAD}\t{{\n\t  "Query Text": "select \n')),
    "texts": ("log", _fill(f"{_HEAD}\tQuery Text: select 1\n\t{_SCAN}")),
    "queries all different": ("log", _numbered(lambda n: f"{_HEAD}\tQuery Text: select x{n} from y{n}\n\t{_SCAN}")),
    "prefixes": ("log", _fill("[][][]<> :: LOG:  ", "", "\n")),
    "csv quotes": ("log.csv", _fill('"')),
    "csv doubled quotes": ("log.csv", _csv_log),
    "csv commas": ("log.csv", _fill(",")),
    "csv quote left open": ("log.csv", _fill("a,b\n", '2026-07-01 10:00:00.000 UTC,"u')),
    "json log brackets": ("log.json", _json_log),
    "json log braces": ("log.json", _fill("{\n")),
    "packed blanks": ("log.gz", _packed(b" ", 1)),
    "packed lines": ("log.gz", _packed(b"\n", 1)),
    "packed zeros": ("log.gz", _packed(b"\0", 1)),
    "many small members": ("log.gz", lambda size: gzip.compress(b"x\n") * (size // 25)),
    "half an entry, packed": ("log.gz", _packed(b"\t[", 1)),
    "zeros behind": ("log.gz", lambda size: gzip.compress(_HEAD.encode()) + b"\0" * size),
    "notes": ("capture", _capture),
    "heads of answers": ("facts", _fill('{"facts_md5": "0123456789abcdef0123456789abcdef", "answer": {')),
    "answers in lines": ("facts", _fill('{"facts_md5": "0123456789abcdef0123456789abcdef", "answer": {}}\n')),
    "answer of brackets": ("facts", _fill("[", '{"facts_md5": "0123456789abcdef0123456789abcdef", "answer": ')),
    "answer of quotes": ("facts", _fill('\\"', '{"facts_md5": "0123456789abcdef0123456789abcdef", "answer": "')),
    "answers in bars": ("facts", _fill('| {"facts_md5": "0123456789abcdef0123456789abcdef", "answer": +|\n')),
    "list of brackets": ("list", _fill("(", "select ")),
    "semicolons": ("list", _fill(";")),
    "list of quotes": ("list", _fill("'")),
    "dollars": ("list", _fill("$a$ ")),
    "different dollars": ("list", _numbered(lambda n: f"$a{n}$ ")),
    "comments that nest": ("list", _fill("/* ")),
    "comments in lines": ("list", _fill("-- name: x\n")),
    "statements": ("list", _fill("select 1;\n")),
    "names": ("list", _fill("-- name: a\nselect 1;\n")),
    "settings and queries": ("list", _numbered(lambda n: f"set a.b{n} to 1; select 1;\n")),
    "prepared and executed": ("list", _numbered(lambda n: f"prepare p{n} as select 1; execute p{n};\n")),
    "temporary tables": ("list", _numbered(lambda n: f"create temp table t{n} (a int); select 1;\n")),
    "atomic bodies": ("list", _fill("create function f() begin atomic select 1; ")),
    "psql's commands": ("list", _fill("\\d\n")),
    "broken statements": ("list", _fill("select from from; ")),
    "a sum": ("list", _fill("1+", "select ", "1")),
    "a list of constants": ("list", _fill("1,", "select 1 where 1 in (", "1)")),
    "toml tables": ("toml", _fill("[a]\n")),
    "toml keys": ("toml", _numbered(lambda n: f"k{n} = [1]\n")),
    "toml parts": ("toml", _fill("a.", "", "b = 1\n")),
    "toml tables of many parts": ("toml", _numbered(lambda n: f"[a.b{n}.c.d]\n")),
    "toml arrays": ("toml", _fill("[", "a = ")),
    "toml values": ("toml", _fill("1,", "a = [", "1]\n")),
    "toml quotes": ("toml", _fill('"""')),
    "baseline of plans": ("baseline", _fill('{"source":"a"},', _AUDIT, "{}]}")),
    "baseline of brackets": ("baseline", _fill("[")),
    "names in a key file": ("key", _numbered(lambda n: f'"n_{n:010x}":"a",', _KEY, '"x":"y"}}')),
}  # fmt: skip


def words_for(kind: str, path: Path) -> list[str]:
    """The command that reads a file of this kind."""
    if kind in ("facts", "baseline"):
        return ["audit", str(PLAN), f"--{kind}", str(path)]
    if kind == "key":
        return ["audit", str(PLAN), "--mask-names", str(path)]
    if kind in ("list", "toml"):
        return ["sweep", str(path.with_suffix(".sql")), "--dsn", "host=/nowhere"]
    return ["audit", str(path)]


def write_input(folder: Path, name: str, size: int) -> list[str]:
    """Write the input and give the command's words."""
    kind, make = INPUTS[name]
    data = make(size)
    ending = {
        "plan": "plan.txt",
        "facts": "txt",
        "baseline": "json",
        "key": "key",
        "capture": "capture.json",
        "list": "sql",
    }
    path = folder / f"input.{ending.get(kind, kind)}"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    if kind == "toml":
        path.with_suffix(".sql").write_text("-- name: a\nselect $1;\n")
    return words_for(kind, path)


@dataclass(frozen=True)
class Took:
    """What a reading took: how it ended, processor seconds, bytes of memory at most, what was said."""

    name: str
    size: int
    status: int
    seconds: float
    bytes: int
    said: str


class Measurer:
    """A process that has loaded everything, and forks one for each reading."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.reading.second_series"],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
        )

    def measure(self, name: str, size: int) -> Took:
        """Read this input at this size."""
        assert self._process.stdin is not None
        assert self._process.stderr is not None
        print(json.dumps([name, size]), file=self._process.stdin, flush=True)
        for line in self._process.stderr:
            if line.startswith("@"):
                return Took(*json.loads(line[1:]))
        raise AssertionError(f"the measuring process ended at {name}")

    def end(self) -> None:
        """Close it."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait()


def main() -> None:
    """For each line `[name, size]` on standard input one `[name, size, status, seconds, bytes, words]` as JSON."""
    from rowreckon.cli.run import run

    run(["audit", str(PLAN), "--format", "json"])
    sys.stdout.flush()
    for line in sys.stdin:
        name, size = json.loads(line)
        with tempfile.TemporaryDirectory() as folder:
            words = write_input(Path(folder), name, size)
            said = Path(folder) / "said"
            child = os.fork()
            if child == 0:
                resource.setrlimit(resource.RLIMIT_CPU, (60, 90))
                null = os.open(os.devnull, os.O_RDWR)
                os.dup2(null, 0)
                os.dup2(null, 1)
                os.dup2(os.open(said, os.O_WRONLY | os.O_CREAT), 2)
                os._exit(run(words))
            _, status, used = os.wait4(child, 0)
            told = said.read_text("utf-8", errors="replace")[:2000]
        seconds = round(used.ru_utime + used.ru_stime, 3)
        answer = [name, size, os.waitstatus_to_exitcode(status), seconds, used.ru_maxrss * 1024, told]
        print("@" + json.dumps(answer), file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()
