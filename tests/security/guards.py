"""Settings that hold a guard in place, and every spelling in which a list could lift them.

A list's last query divides by zero where the guard is gone, so that the server itself says whether it still holds.
"""

from __future__ import annotations

READ_ONLY = "select 1 / (current_setting('transaction_read_only') = 'on')::int"
ROLE = "select 1 / (current_user = 'guide')::int"
SESSION = "select 1 / (session_user = 'keeper')::int"
TIME = "select 1 / (current_setting('statement_timeout') <> '0')::int"
LOCKS = "select 1 / (current_setting('lock_timeout') <> '0')::int"
STRINGS = "select 1 / (current_setting('standard_conforming_strings') = 'on')::int"
ENCODING = "select 1 / (current_setting('client_encoding') = 'UTF8')::int"

_NAMES = {
    "transaction_read_only": ("off", READ_ONLY),
    "default_transaction_read_only": ("off", READ_ONLY),
    "role": ("none", ROLE),
    "session_authorization": ("warden", SESSION),
    "statement_timeout": ("0", TIME),
    "lock_timeout": ("0", LOCKS),
    "standard_conforming_strings": ("off", STRINGS),
    "client_encoding": ("LATIN1", ENCODING),
}


def _spelled(name: str, value: str) -> dict[str, str]:
    escaped = name.replace("_", "\\005f") if "_" in name else "r\\006fle"
    return {
        "plain": f"set {name} = {value}" if value.isalpha() or value.isdigit() else f"set {name} = '{value}'",
        "to": f"set {name} to '{value}'",
        "quoted": f"set \"{name}\" = '{value}'",
        "capitals": f"SET {name.upper()} = '{value}'",
        "quoted capitals": f"SET \"{name.upper()}\" = '{value}'",
        "unicode": f"set u&\"{escaped}\" = '{value}'",
        "unicode, own escape": f"set u&\"{escaped.replace(chr(92), '!')}\" uescape '!' = '{value}'",
        "local": f"set local {name} = '{value}'",
        "session": f"set session {name} = '{value}'",
        "commented": f"set/*a*/{name}/*b*/=--c\n'{value}'",
        "escape literal": f"set {name} = e'{''.join(f'{chr(92)}x{ord(letter):02x}' for letter in value)}'",
        "default": f"set {name} to default",
        "reset": f"reset {name}",
        "quoted reset": f'reset "{name.upper()}"',
        "set_config": f"select set_config('{name}', '{value}', false)",
        "local set_config": f"select pg_catalog.set_config('{name.upper()}', '{value}', true)",
        "named set_config": f"select set_config(setting_name => '{name}', new_value => '{value}', is_local => true)",
        "computed set_config": f"select set_config('{name[:2]}' || '{name[2:]}', '{value}', true)",
    }


_OTHERS: dict[str, tuple[str, str]] = {
    "set transaction": ("set transaction read write", READ_ONLY),
    "set local transaction": ("set local transaction read write", READ_ONLY),
    "session characteristics": ("set session characteristics as transaction read write", READ_ONLY),
    "two modes": ("set transaction isolation level read committed, read write", READ_ONLY),
    "begin": ("begin read write", READ_ONLY),
    "start transaction": ("start transaction read write", READ_ONLY),
    "commit": ("commit", READ_ONLY),
    "end": ("end", READ_ONLY),
    "rollback": ("rollback", READ_ONLY),
    "abort and chain": ("abort and chain", READ_ONLY),
    "reset all": ("reset all", TIME),
    "discard all": ("discard all", TIME),
    "set role": ("set role none", ROLE),
    "set role, quoted": ('set role "keeper"', ROLE),
    "set role, literal": ("set role 'keeper'", ROLE),
    "set local role": ("set local role keeper", ROLE),
    "set session role": ("set session role none", ROLE),
    "reset role": ("reset role", ROLE),
    "session authorization": ("set session authorization 'warden'", SESSION),
    "local session authorization": ("set local session authorization warden", SESSION),
    "default session authorization": ("set session authorization default", ROLE),
    "reset session authorization": ("reset session authorization", ROLE),
    "set names": ("set names 'LATIN1'", ENCODING),
    "alter role": ("alter role keeper set transaction_read_only = off", READ_ONLY),
    "do block": ("do $$ begin set transaction_read_only = off; end $$", READ_ONLY),
    "prepared": ("prepare s as select set_config('transaction_read_only', 'off', true);; execute s", READ_ONLY),
    "view of settings": ("update pg_settings set setting = 'off' where name = 'transaction_read_only'", READ_ONLY),
}

LIFTS: dict[str, tuple[str, str]] = {
    **{
        f"{name}, {spelling}": (statement, probe)
        for name, (value, probe) in _NAMES.items()
        for spelling, statement in _spelled(name, value).items()
    },
    **_OTHERS,
}

HARMLESS_SETTINGS = {
    "plain": "set work_mem = '8MB'",
    "quoted": "set \"work_mem\" = '8MB'",
    "capitals": "SET ENABLE_SEQSCAN TO OFF",
    "quoted capitals": 'SET "ENABLE_HASHJOIN" = off',
    "unicode": "set u&\"work\\005fmem\" = '8MB'",
    "local": "set local random_page_cost = 1.5",
    "session": "set session geqo = off",
    "default": "set work_mem to default",
    "reset": "reset work_mem",
    "time zone": "set time zone 'UTC'",
}
