"""Making copies of a database and dropping them, whatever happens in between."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import UTC, datetime

import psycopg
from psycopg import sql

from rowreckon.errors import CannotConnect, StatementFailed
from rowreckon.server.connecting.connection import Connection, ended, first_line
from rowreckon.server.connecting.neutral import neutral_rows
from rowreckon.server.connecting.patience import limited
from rowreckon.server.trials.database_settings import carry_settings
from rowreckon.server.trials.leftovers import hold, let_go, state_of_database
from rowreckon.server.trials.names import COMMENT, limit_of, new_name
from rowreckon.server.trials.read_price import other_sessions
from rowreckon.server.trials.staying import lost
from rowreckon.signals import held, leaving

ConnectTo = Callable[[str | None], AbstractContextManager[Connection]]
"""Connects to a database of the server by name; None: to the source."""

_BY_FILES_KB = 32 * 1024
"""From this size on the server copies files rather than logging every page (STRATEGY FILE_COPY, from 15, before it the
only way), which PostgreSQL's documentation suggests for all but small templates. Copies of 122 MB took 1.5 s by pages
and 0.6 s by files (18, medians of three in turn); the size is common practice, no source."""
_OWNER = "select pg_catalog.pg_get_userbyid(datdba), session_user from pg_catalog.pg_database where datname = %s"
_ANYBODY_TEMPORARY = "select pg_catalog.has_database_privilege('public', %s, 'TEMPORARY')"
_CAN_NOT_CLONE = (
    psycopg.errors.InvalidParameterValue,
    psycopg.errors.FeatureNotSupported,
    psycopg.errors.SystemError,
    psycopg.errors.InternalError_,
)
"""A server built without it, and what a file system's refusal becomes (errcode_for_file_access in elog.c)."""
_ATTEMPTS = 4


@dataclass(slots=True)
class Copies:
    """The copies of one trial. `admin` stays on the source and does nothing there; it makes and drops."""

    connect: ConnectTo
    admin: Connection
    source: str
    size_kb: float
    alive: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    made: int = 0
    copy_ms: float | None = None
    """What the first copy took."""
    _oids: dict[str, int] = field(default_factory=dict)
    _again: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)

    def make(self, template: str | None = None) -> str:
        """A new copy of the source, or of another copy; its name.

        Raises StatementFailed where none can be made, ConnectionLost, CannotConnect.
        """
        name = new_name()
        origin = template or self.source
        begun = time.perf_counter()
        self._come_back()
        try:
            self.admin.execute(b"SET statement_timeout = 0")
            hold(self.admin, name)
            if state_of_database(self.admin, name) is not None:
                raise StatementFailed(f"there is a database {name} already", hint="try again")
            self.alive.append(name)
            with limited(self.admin, 0):
                self._create(name, origin)
            self._finish(name)
        except psycopg.Error as error:
            gone = self.admin.closed
            with contextlib.suppress(StatementFailed):
                self.drop(name)
            raise (lost(error) if gone else self._failed(error, origin)) from None
        if self.copy_ms is None:
            self.copy_ms = (time.perf_counter() - begun) * 1000.0
        self.made += 1
        return name

    def drop(self, name: str) -> None:
        """Drop a copy, also over a new connection where the old one is gone. Raises StatementFailed with its name."""
        if name not in self.alive:
            return
        for attempt in range(_ATTEMPTS):
            try:
                if attempt or self.admin.closed:
                    with self.connect(None) as again:
                        self._drop(again, name)
                else:
                    self._drop(self.admin, name)
                    let_go(self.admin, name)
                self.alive.remove(name)
                return
            except (psycopg.Error, CannotConnect) as error:
                if attempt == _ATTEMPTS - 1:
                    reason = first_line(error) if isinstance(error, psycopg.Error) else error.sentence()
                    raise StatementFailed(
                        f"the copy {name} could not be dropped: {reason}",
                        hint="the next trial on this server will offer to remove it",
                    ) from None
                # a failed checkpoint may succeed once the server, or the copy dropped before, has made room
                time.sleep(0.5 * 2**attempt)

    def session(self, name: str) -> AbstractContextManager[Connection]:
        """A connection to a copy, which shows that its trial is running even where `admin` is lost."""
        return self._session(name)

    @contextlib.contextmanager
    def _session(self, name: str) -> Iterator[Connection]:
        with self.connect(name) as connection:
            try:
                hold(connection, name)
            except psycopg.Error as error:
                raise lost(error) from None
            yield connection

    def _come_back(self) -> None:
        """Connect to the source again where the server has ended `admin`, and hold the copies as before.

        Raises CannotConnect.
        """
        if not ended(self.admin):
            return
        self.admin = self._again.enter_context(self.connect(None))
        try:
            for name in self.alive:
                hold(self.admin, name)
        except psycopg.Error as error:
            raise lost(error) from None

    def _drop(self, connection: Connection, name: str) -> None:
        """Drop a database that is ours beyond doubt: as the server shows it now. Raises StatementFailed if it isn't."""
        now = state_of_database(connection, name)
        if now is None:
            return
        known = self._oids.get(name)
        if not now.owned or not (now.marked or now.oid == known):
            raise StatementFailed(
                f"the database {name} is not dropped: it does not bear the mark and the owner of a trial's copy"
            )
        connection.execute(b"SET statement_timeout = 0")
        with limited(connection, 0):
            connection.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))

    def drop_all(self) -> None:
        """Drop what is left; a Ctrl-C meanwhile does not keep the others from being dropped."""
        interrupted: KeyboardInterrupt | None = None
        troubles: dict[str, str] = {}
        # twice: dropping one makes the room that a checkpoint for another needs
        for _ in range(2):
            for name in list(reversed(self.alive)):
                for _ in range(_ATTEMPTS):
                    try:
                        self.drop(name)
                        break
                    except KeyboardInterrupt as error:
                        interrupted = error
                    except StatementFailed as error:
                        troubles[name] = error.sentence()
                        break
        self.notes += [trouble for name, trouble in troubles.items() if name in self.alive]
        if interrupted is not None:
            raise interrupted

    def staying(self) -> str | None:
        """What is left on the server if this process ends now, in a sentence; None where nothing is."""
        if not self.alive:
            return None
        one = len(self.alive) == 1
        named = f"{'the copy' if one else 'the copies'} {', '.join(self.alive)}"
        return f"{named} may stay on the server; the next trial there offers to drop {'it' if one else 'them'}"

    def _create(self, name: str, origin: str) -> None:
        if self.admin.info.server_version >= 150000 and self.size_kb >= _BY_FILES_KB:
            self._create_by_files(name, origin)
        else:
            self._create_with(name, origin, "")

    def _create_by_files(self, name: str, origin: str) -> None:
        """From 18 on the file system is asked to copy by itself, which may share what both have in common; where it
        can't, the server copies."""
        if self.admin.info.server_version >= 180000:
            with contextlib.suppress(*_CAN_NOT_CLONE):
                self.admin.execute(b"SET file_copy_method = clone")
                self._create_with(name, origin, " STRATEGY FILE_COPY")
                return
            self.admin.execute(b"SET file_copy_method = copy")
        self._create_with(name, origin, " STRATEGY FILE_COPY")

    def _create_with(self, name: str, origin: str, strategy: str) -> None:
        owner, _ = self._owner()
        # closed to everybody until only its maker may log in; marked from the first moment by its limit
        statement = (
            f"CREATE DATABASE {{}} TEMPLATE {{}} OWNER {{}} ALLOW_CONNECTIONS false CONNECTION LIMIT {{}}{strategy}"
        )
        self.admin.execute(
            sql.SQL(statement).format(
                sql.Identifier(name), sql.Identifier(origin), sql.Identifier(owner), sql.Literal(limit_of(name))
            )
        )
        made = state_of_database(self.admin, name)
        if made is not None:
            self._oids[name] = made.oid

    def _finish(self, name: str) -> None:
        """Mark it, close it to others, give it the source's settings, open it."""
        _, session = self._owner()
        copy = sql.Identifier(name)
        comment = COMMENT.format(source=self.source, when=datetime.now(UTC).isoformat(timespec="seconds"))
        run = self.admin.execute
        run(sql.SQL("COMMENT ON DATABASE {} IS {}").format(copy, sql.Literal(comment)))
        run(sql.SQL("REVOKE ALL ON DATABASE {} FROM PUBLIC").format(copy))
        run(sql.SQL("GRANT ALL ON DATABASE {} TO {}").format(copy, sql.Identifier(session)))
        if neutral_rows(self.admin, _ANYBODY_TEMPORARY, (self.source,))[0][0]:
            # for the roles that the list takes on; to connect is still its maker's alone
            run(sql.SQL("GRANT TEMPORARY ON DATABASE {} TO PUBLIC").format(copy))
        for note in carry_settings(self.admin, self.source, name):
            if note not in self.notes:
                self.notes.append(note)
        run(sql.SQL("ALTER DATABASE {} ALLOW_CONNECTIONS true").format(copy))

    def _owner(self) -> tuple[str, str]:
        row = neutral_rows(self.admin, _OWNER, (self.source,))[0]
        return str(row[0]), str(row[1])

    def _failed(self, error: psycopg.Error, origin: str) -> StatementFailed:
        hint = "try --in-place, or have a copy made for you and name it with --dsn"
        if isinstance(error, psycopg.errors.ObjectInUse) and not self.admin.closed:
            with contextlib.suppress(psycopg.Error):
                there = other_sessions(self.admin)
                if there and origin == self.source:
                    hint = f"end these sessions first: {'; '.join(there)}"
        return StatementFailed(
            f"no copy of {origin} could be made: {first_line(error)}", hint=hint, sqlstate=error.sqlstate
        )


@contextlib.contextmanager
def copies(connect: ConnectTo, admin: Connection, source: str, size_kb: float) -> Iterator[Copies]:
    """A maker of copies for as long as the block lasts; all of them are dropped at its end."""
    maker = Copies(connect, admin, source, size_kb)
    with leaving(maker.staying):
        try:
            yield maker
        finally:
            with held(), maker._again:
                maker.drop_all()
