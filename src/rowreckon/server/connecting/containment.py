"""Asking the server itself, right before and right after each statement, whether the guards still stand.

Whether the transaction may write, whose session it is, the limits, how the next text is read: if anything is otherwise
than it was set, the item ends there with a sentence.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.permission import Limits, NotPermitted

_SETTINGS: Final = (
    "transaction_read_only",
    "statement_timeout",
    "lock_timeout",
    "idle_in_transaction_session_timeout",
    "standard_conforming_strings",
    "client_encoding",
    "session_replication_role",
    "search_path",
    "role",
)
_READ: Final = ", ".join(f"pg_catalog.current_setting('{name}')" for name in _SETTINGS)
# functions and casts alone, each with its schema: no operator that a search path could bring in
_STATE: Final = f"select current_user::pg_catalog.text, session_user::pg_catalog.text, {_READ}".encode()
_NAMES: Final = ("current_user", "session_user", *_SETTINGS)
_LIMIT: Final = (
    b"select pg_catalog.set_config('statement_timeout', %s, true), pg_catalog.set_config('lock_timeout', %s, true),"
    b" pg_catalog.set_config('idle_in_transaction_session_timeout', %s, true),"
    b" pg_catalog.set_config('standard_conforming_strings', 'on', true)"
)
_WATCH: Final = _LIMIT + b", pg_catalog.set_config('client_connection_check_interval', '1000', true)"


@dataclass(slots=True)
class Containment:
    """The guards of one open transaction."""

    connection: Connection
    read_only: bool
    _expected: dict[str, str] = field(default_factory=dict)
    _asked: bool = False
    """Whether nothing of the item was sent since the server was last asked."""

    def limit(self, limits: Limits, *, watched: bool) -> None:
        """Set the limits for the rest of the transaction. `watched` has the server look for a vanished client."""
        given = (str(int(limits.statement_ms)), str(int(limits.lock_ms)), str(int(limits.idle_ms)))
        row = self.connection.execute(_WATCH if watched else _LIMIT, given).fetchone()
        assert row is not None
        names = ("statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout")
        self._expected.update(zip(names, map(str, row), strict=False))

    def begin(self) -> None:
        """Take what is in force for what has to stay, once the item's settings are applied. Raises NotPermitted where a
        guard is not as it was set."""
        found = self._state()
        wanted = {
            **self._expected,
            "transaction_read_only": "on" if self.read_only else "off",
            "standard_conforming_strings": "on",
            "client_encoding": "UTF8",
        }
        self._expected = {**found, **wanted}
        _compare(found, self._expected, "before it was sent")
        self._asked = True

    def changed(self, name: str, value: str) -> None:
        """This tool itself has set a setting, to what the server shows as `value`."""
        if name in self._expected:
            self._expected[name] = value

    def before(self) -> None:
        """Something of the item is about to be sent. Raises NotPermitted where anything is otherwise than it was."""
        if not self._asked:
            _compare(self._state(), self._expected, "before the statement was sent")
        self._asked = False

    def after(self) -> None:
        """It has ended. Raises NotPermitted where anything is otherwise than it was."""
        _compare(self._state(), self._expected, "while the statement ran")
        self._asked = True

    def _state(self) -> dict[str, str]:
        row = self.connection.execute(_STATE).fetchone()
        assert row is not None
        return dict(zip(_NAMES, map(str, row), strict=True))


def _compare(found: dict[str, str], expected: dict[str, str], when: str) -> None:
    for name, value in expected.items():
        if found[name] != value:
            raise NotPermitted(f"a guard was lifted {when}: {name} is {found[name]!r}, not {value!r}")
