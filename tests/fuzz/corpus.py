"""What fuzzing starts from: one plan in every form and log that is read, and a way to change it for the worse."""

from __future__ import annotations

import json
import random
from typing import Any

PLAN: dict[str, Any] = {
    "Node Type": "Hash Join",
    "Parallel Aware": False,
    "Join Type": "Inner",
    "Startup Cost": 1.5,
    "Total Cost": 20.25,
    "Plan Rows": 12,
    "Plan Width": 8,
    "Actual Startup Time": 0.1,
    "Actual Total Time": 2.5,
    "Actual Rows": 4800,
    "Actual Loops": 1,
    "Hash Cond": "(b.hut_id = h.id)",
    "Plans": [
        {
            "Node Type": "Seq Scan",
            "Parent Relationship": "Outer",
            "Relation Name": "bookings",
            "Alias": "b",
            "Startup Cost": 0.0,
            "Total Cost": 9.5,
            "Plan Rows": 100,
            "Plan Width": 4,
            "Actual Rows": 5000,
            "Actual Loops": 1,
            "Filter": "(guest = 'Ä \"x\"'::text)",
        },
        {
            "Node Type": "Hash",
            "Parent Relationship": "Inner",
            "Startup Cost": 1.0,
            "Total Cost": 1.0,
            "Plan Rows": 40,
            "Plan Width": 4,
            "Actual Rows": 40,
            "Actual Loops": 1,
            "Plans": [
                {
                    "Node Type": "Seq Scan",
                    "Parent Relationship": "Outer",
                    "Relation Name": "huts",
                    "Alias": "h",
                    "Startup Cost": 0.0,
                    "Total Cost": 1.0,
                    "Plan Rows": 40,
                    "Plan Width": 4,
                    "Actual Rows": 40,
                    "Actual Loops": 1,
                }
            ],
        },
    ],
}
DOCUMENT = {"Query Text": "select * from bookings b join huts h on h.id = b.hut_id", "Plan": PLAN}
TEXT = """\
                              QUERY PLAN
----------------------------------------------------------------------
 Hash Join  (cost=1.50..20.25 rows=12 width=8) (actual time=0.100..2.500 rows=4800 loops=1)
   Hash Cond: (b.hut_id = h.id)
   ->  Seq Scan on bookings b  (cost=0.00..9.50 rows=100 width=4) (actual time=0.010..0.900 rows=5000 loops=1)
         Filter: (guest = 'Ä'::text)
         Rows Removed by Filter: 3
   ->  Hash  (cost=1.00..1.00 rows=40 width=4) (actual time=0.020..0.020 rows=40 loops=1)
         Buckets: 1024  Batches: 1  Memory Usage: 10kB
         ->  Seq Scan on huts h  (cost=0.00..1.00 rows=40 width=4) (actual time=0.001..0.010 rows=40 loops=1)
 Planning Time: 0.100 ms
 Execution Time: 2.600 ms
(10 rows)
"""
YAML = """\
- Plan:
    Node Type: "Nested Loop"
    Join Type: "Inner"
    Startup Cost: 0.00
    Total Cost: 9.00
    Plan Rows: 3
    Plan Width: 8
    Actual Rows: 7
    Actual Loops: 1
    Plans:
      - Node Type: "Seq Scan"
        Parent Relationship: "Outer"
        Relation Name: "huts"
        Alias: "huts"
        Plan Rows: 3
        Actual Rows: 7
        Actual Loops: 1
        Filter: "(name = 'x: y'::text)"
  Planning Time: 0.100
  Triggers:
  Execution Time: 0.200
"""
XML = """\
<explain xmlns="http://www.postgresql.org/2009/explain">
  <Query>
    <Plan>
      <Node-Type>Seq Scan</Node-Type>
      <Relation-Name>huts</Relation-Name>
      <Alias>huts</Alias>
      <Startup-Cost>0.00</Startup-Cost>
      <Total-Cost>1.00</Total-Cost>
      <Plan-Rows>40</Plan-Rows>
      <Plan-Width>4</Plan-Width>
      <Actual-Rows>40</Actual-Rows>
      <Actual-Loops>1</Actual-Loops>
      <Filter>(name &lt;&gt; 'x'::text)</Filter>
      <Plans>
      </Plans>
    </Plan>
    <Execution-Time>0.200</Execution-Time>
  </Query>
</explain>
"""
_HEAD = "2026-07-01 00:00:00.000 UTC [7] LOG:  duration: 2.600 ms  plan:"


def _stderr(body: str) -> str:
    return f"{_HEAD}\n\t" + body.rstrip().replace("\n", "\n\t") + "\n2026-07-01 00:00:01.000 UTC [7] LOG:  idle\n"


def _csv(body: str) -> str:
    message = f"duration: 2.600 ms  plan:\n{body}".replace('"', '""')
    return (
        '2026-07-01 00:00:00.000 UTC,"warden","huts",7,"[local]",64a0.7,1,"SELECT",2026-07-01 00:00:00 UTC,3/4,0,LOG,'
        f'00000,"{message}",,,,,,,,,"hut book","client backend",,0\n'
    )


def _jsonlog(body: str) -> str:
    record = {"timestamp": "2026-07-01 00:00:00.000 UTC", "error_severity": "LOG", "pid": 7}
    return json.dumps({**record, "message": f"duration: 2.600 ms  plan:\n{body}"}) + "\n"


_JSON = json.dumps(DOCUMENT, indent=2)
SEEDS: tuple[bytes, ...] = tuple(
    text.encode()
    for text in (
        json.dumps([DOCUMENT], indent=2),
        json.dumps(DOCUMENT),
        json.dumps([[json.dumps([DOCUMENT])]]),
        repr([([DOCUMENT],)]),
        TEXT,
        "> " + TEXT.replace("\n", "\n> "),
        "```\n" + TEXT.replace("\n", "+\n") + "```\n",
        YAML,
        XML,
        _stderr(_JSON),
        _stderr("Query Text: select 1\n" + "\n".join(line[1:] for line in TEXT.splitlines()[2:-1])),
        _stderr(YAML),
        _stderr(XML),
        _csv(_JSON),
        _jsonlog(_JSON),
    )
)
_TOKENS: tuple[bytes, ...] = tuple(
    token if isinstance(token, bytes) else token.encode()
    for token in (
        *"{}[]()\"'\\,:<>&|+-#\t\n\r",
        "\x00",
        "\u2028",
        "→",
        b"\xff\xfe",
        b"\xc3",
        "\\ud800",
        "&#0;",
        "<!DOCTYPE x [<!ENTITY a 'b'>]>",
        "&lol;",
        "!!python/object:os.system x",
        "&a [*a]",
        "<<: *a",
        "---\n",
        "1e999",
        "-0",
        "NaN",
        "9" * 400,
        "true",
        "null",
        '"Plan":',
        '"Plans": [',
        '"Node Type": ',
        "  ->  Seq Scan on huts  (cost=0.00..1.00 rows=1 width=4)",
        "(actual time=0.1..0.2 rows=1 loops=1)",
        "QUERY PLAN",
        "duration: 1.000 ms  plan:",
        _HEAD,
        '""',
        "SubPlan 1",
        "Workers",
        "Worker 0:  ",
        "rows=",
        "loops=0",
    )
)


def mutated(draw: random.Random) -> bytes:
    """A seed after one to eight changes: cut, repeated, spliced, sown with what is special to some form."""
    data = bytearray(draw.choice(SEEDS))
    for _ in range(draw.choice((1, 1, 2, 3, 5, 8))):
        if not data:
            data += draw.choice(_TOKENS)
        at = draw.randrange(len(data))
        kind = draw.randrange(8)
        if kind == 0:
            del data[at:]
        elif kind == 1:
            del data[:at]
        elif kind == 2:
            del data[at : at + draw.choice((1, 2, 9, 80))]
        elif kind == 3:
            data[at] = draw.randrange(256)
        elif kind == 4:
            data[at:at] = draw.choice(_TOKENS) * draw.choice((1, 1, 2, 40))
        elif kind == 5:
            piece = data[at : at + draw.choice((1, 5, 60, 400))]
            data[at:at] = bytes(piece) * draw.choice((1, 2, 12))
        elif kind == 6:
            other = draw.choice(SEEDS)
            data[at:] = other[draw.randrange(len(other)) :]
        else:
            line = data.rfind(b"\n", 0, at) + 1
            data[line:line] = draw.choice((b"\t", b"  ", b"> ", b"-- ", b"| ", b"        "))
    return bytes(data)


def tokens() -> tuple[bytes, ...]:
    """What is special to some form."""
    return _TOKENS
