"""Hostile files of parameters beside a list, each with a twin of the same shape; and ones that are no parameters.

The list's query fails by a division by zero where read-only or the role has gone, so that the server says so itself.
"""

from __future__ import annotations

LIST = """-- name: number
select n / (current_setting('transaction_read_only') = 'on' and current_user = 'keeper')::int from trio where n > $1;
-- name: text
select n from trio where label = $1;
-- name: relation
select $1::regclass;
-- name: several
select n from trio where n = any ($1);
-- name: season
select $1::season;
"""

_NUMBERS = ("1); select snare.spring('value'); --", "snare.spring('value')", "1 union select snare.spring('value')")
_TEXTS = (
    "'; select snare.spring('value'); --",
    "\\\\'; select snare.spring('value'); --",
    "$$; select snare.spring('value'); $$",
    "$rowreckon$; select snare.spring('value'); $rowreckon$",
    "'::text); drop table notes; commit; select ('",
    "a' || snare.spring('value')::text || 'b",
    "E'a'\\n'\\\\' = ' ; select snare.spring('value'); -- '",
    "\\n\\\\! touch <YARD>/psql\\n",
    "%s %I $1 {} {0} :name @name ?",
    "\\u202e;evil",
)

VALUES: dict[str, tuple[str, str]] = {
    **{f"number {n}": (f'[number]\na = ["{text}"]', "[number]\na = [1]") for n, text in enumerate(_NUMBERS)},
    **{f"text {n}": (f'[text]\na = ["{text}"]', '[text]\na = ["one"]') for n, text in enumerate(_TEXTS)},
    "relation": ('[relation]\na = ["snare.attic\'; drop table notes; --"]', '[relation]\na = ["huts"]'),
    "array": ("[several]\na = [[\"1}'; select snare.spring('value'); --\"]]", "[several]\na = [[1, 2]]"),
    "array's end": ("[several]\na = [\"{1}'; select snare.spring('value'); --\"]", '[several]\na = ["{1,2}"]'),
    "enumeration": ("[season]\na = [\"winter'; select snare.spring('value'); --\"]", '[season]\na = ["winter"]'),
    "name of a set": ("[text]\n\"x'; select snare.spring('set'); --\" = ['one']", "[text]\n\"x y\" = ['one']"),
    "path as a name": ("[text]\n\"../../../outside\" = ['one']", "[text]\ninside = ['one']"),
    "more values": ("[number]\na = [1, \"); select snare.spring('value'); --\"]", "[number]\nb = [1]\nc = [2]"),
}
"""Values of a statement's parameters: they are sent beside it."""

MEDDLING: dict[str, str] = {
    "settings": "[number]\na = [1]\n[settings]\ntransaction_read_only = 'off'",
    "settings of a query": "[number]\na = [1]\n[number.settings]\nrole = 'warden'",
    "set": "[number]\na = [1]\n[set]\nrole = 'none'",
    "a setting": "transaction_read_only = 'off'\n[number]\na = [1]",
    "role": "role = 'warden'\n[number]\na = [1]",
    "connection": "dsn = 'user=warden'\n[number]\na = [1]",
    "flag": "allow_volatile = true\n[number]\na = [1]",
    "flag of a query": "[number]\na = [1]\nallow-volatile = true",
    "options": "[number]\na = [1]\n[sweep]\n--allow-writes = true",
    "servers": "[number]\na = [1]\n[servers]\nallow = ['*']",
    "query": "[number]\na = [1]\nquery = \"select snare.spring('query')\"",
    "another query": "[number]\na = [1]\n[\"snare.spring('name')\"]\na = [1]",
    "include": "include = '/etc/passwd'\n[number]\na = [1]",
    "table of values": "[number]\na = {transaction_read_only = 'off'}",
    "nested values": "[number]\na = [{sql = \"snare.spring('value')\"}]",
    "a null": '[text]\na = ["one\\u0000"]',
    "no TOML": "[number\na = [1]",
    "a query's text": "select snare.spring('toml');",
    "nothing named": "[nobody]\na = [1]",
    "no table": "number = [1]",
}
"""What a file of parameters has no word for: named as wrong, and nothing of it holds."""
