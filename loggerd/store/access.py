"""Who may look: people, their sessions, tokens of programs, and the trail of what was done about it.

Each change stands in one transaction with its line of the trail. Secrets come in as hashes only. Times are epoch ms.
Everything here may raise StoreError.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path

from loggerd.model.access import Role, Scope
from loggerd.model.throttle import Tries, TryLimit, after_wrong, taken_back, wait_ms
from loggerd.store.access_file import AccessFile
from loggerd.store.access_shapes import AuditLine, NewSession, Person, StoredSession, Token

MOST_AUDIT_LINES = 20_000
MOST_SESSIONS = 50
MOST_DEVICES = 20
"""Of one person."""
MOST_TRIES = 5_000
SEEN_EVERY_MS = 300_000
"""So often at most it is written down that a session or token was used: the card wears."""
_PERSON = "person.id, person.name, person.role, person.password, person.language, person.fahrenheit, person.created_ms"
_SESSION = f"session.id, began_ms, seen_ms, ends_ms, agent, address, {_PERSON}"
_JOINED = f"SELECT {_SESSION} FROM session JOIN person ON person.id = session.person"


def folded(name: str) -> str:
    """A name as it is found: telephones begin it with a capital."""
    return name.casefold()


class AccessStore:
    """The file of who may look, beside one record. For any number of threads and processes."""

    def __init__(self, record: Path) -> None:
        self._file = AccessFile(record)
        self._file.prepare()

    @property
    def path(self) -> Path:
        return self._file.path

    # -- people --

    def people(self) -> list[Person]:
        with self._file.reading() as connection:
            return [_person(row) for row in connection.execute(f"SELECT {_PERSON} FROM person ORDER BY folded")]

    def person(self, name: str) -> Person | None:
        with self._file.reading() as connection:
            row = connection.execute(f"SELECT {_PERSON} FROM person WHERE folded = ?", (folded(name),)).fetchone()
        return None if row is None else _person(row)

    def add_person(self, name: str, role: Role, password: str, line: AuditLine) -> bool:
        """`password`: its hash. Returns False where there is somebody of that name."""
        with self._file.writing() as connection:
            row = (name, folded(name), role.value, password, line.at_ms)
            done = connection.execute(
                "INSERT OR IGNORE INTO person (name, folded, role, password, language, fahrenheit, created_ms)"
                " VALUES (?, ?, ?, ?, 'en', 0, ?)",
                row,
            )
            return _noted(connection, done, line)

    def remove_person(self, person: int, line: AuditLine) -> bool:
        """Sessions and devices go with the person."""
        with self._file.writing() as connection:
            return _noted(connection, connection.execute("DELETE FROM person WHERE id = ?", (person,)), line)

    def set_role(self, person: int, role: Role, line: AuditLine) -> bool:
        with self._file.writing() as connection:
            done = connection.execute("UPDATE person SET role = ? WHERE id = ?", (role.value, person))
            return _noted(connection, done, line)

    def set_password(self, person: int, password: str, line: AuditLine) -> bool:
        """A new hash; whoever was signed in as this person is so no longer."""
        with self._file.writing() as connection:
            for table in ("session", "device"):
                connection.execute(f"DELETE FROM {table} WHERE person = ?", (person,))
            done = connection.execute("UPDATE person SET password = ? WHERE id = ?", (password, person))
            return _noted(connection, done, line)

    def rehash(self, person: int, former: str, password: str) -> None:
        """The same password hashed at a higher cost, unless it has been changed meanwhile."""
        with self._file.writing() as connection:
            connection.execute(
                "UPDATE person SET password = ? WHERE id = ? AND password = ?", (password, person, former)
            )

    def set_reading(self, person: int, language: str, fahrenheit: bool) -> None:
        with self._file.writing() as connection:
            connection.execute(
                "UPDATE person SET language = ?, fahrenheit = ? WHERE id = ?", (language, fahrenheit, person)
            )

    # -- sessions --

    def begin_session(self, new: NewSession, line: AuditLine) -> bool:
        """Returns False where the password that was found right has been changed, or the person removed, meanwhile."""
        with self._file.writing() as connection:
            now_ms = line.at_ms
            connection.execute("DELETE FROM session WHERE ends_ms <= ?", (now_ms,))
            done = connection.execute(
                "INSERT INTO session (hash, person, began_ms, seen_ms, ends_ms, agent, address)"
                " SELECT ?, id, ?, ?, ?, ?, ? FROM person WHERE id = ? AND password = ?",
                (new.hash, now_ms, now_ms, new.ends_ms, new.agent, new.address, new.person, new.password),
            )
            if done.rowcount == 1:
                connection.execute(
                    "INSERT INTO device (hash, person, used_ms) VALUES (?1, ?2, ?3)"
                    " ON CONFLICT (hash) DO UPDATE SET used_ms = ?3 WHERE person = ?2",
                    (new.device, new.person, now_ms),
                )
                _only_last(connection, "session", "seen_ms", new.person, MOST_SESSIONS)
                _only_last(connection, "device", "used_ms", new.person, MOST_DEVICES)
            return _noted(connection, done, line)

    def session(self, hash_: bytes) -> StoredSession | None:
        with self._file.reading() as connection:
            row = connection.execute(f"{_JOINED} WHERE session.hash = ?", (hash_,)).fetchone()
        return None if row is None else _session(row)

    def sessions(self, person: int | None = None) -> list[StoredSession]:
        """Of one person or of all, the last used first; also those whose time is over."""
        with self._file.reading() as connection:
            sql = f"{_JOINED} WHERE ?1 IS NULL OR person.id = ?1 ORDER BY seen_ms DESC, session.id DESC"
            return [_session(row) for row in connection.execute(sql, (person,))]

    def saw_session(self, session: StoredSession, now_ms: int) -> None:
        """Written down only when it was last long enough ago."""
        if abs(now_ms - session.seen_ms) >= SEEN_EVERY_MS:
            with self._file.writing() as connection:
                connection.execute("UPDATE session SET seen_ms = ? WHERE id = ?", (now_ms, session.id))

    def shorten_session(self, session: int, ends_ms: int) -> None:
        """It ends then, unless it ends before."""
        with self._file.writing() as connection:
            sql = "UPDATE session SET ends_ms = ?1 WHERE id = ?2 AND ends_ms > ?1"
            connection.execute(sql, (ends_ms, session))

    def end_session(self, session: int, person: int, line: AuditLine) -> bool:
        """One of this person's. Returns False where there is none such."""
        with self._file.writing() as connection:
            done = connection.execute("DELETE FROM session WHERE id = ? AND person = ?", (session, person))
            return _noted(connection, done, line)

    def end_sessions(self, person: int, line: AuditLine) -> int:
        """All of this person's; returns how many."""
        with self._file.writing() as connection:
            done = connection.execute("DELETE FROM session WHERE person = ?", (person,))
            note(connection, line)
            return done.rowcount

    def is_device(self, hash_: bytes, person: int) -> bool:
        """Whether this person has signed in from it before."""
        with self._file.reading() as connection:
            sql = "SELECT count(*) FROM device WHERE hash = ? AND person = ?"
            return bool(connection.execute(sql, (hash_, person)).fetchone()[0])

    # -- tokens --

    def add_token(self, name: str, hash_: bytes, scope: Scope, line: AuditLine) -> bool:
        """Returns False where the name is taken, be it by one that was revoked."""
        with self._file.writing() as connection:
            done = connection.execute(
                "INSERT OR IGNORE INTO token (name, hash, scope, created_ms) VALUES (?, ?, ?, ?)",
                (name, hash_, scope.value, line.at_ms),
            )
            return _noted(connection, done, line)

    def revoke_token(self, name: str, line: AuditLine) -> bool:
        with self._file.writing() as connection:
            sql = "UPDATE token SET revoked_ms = ? WHERE name = ? AND revoked_ms IS NULL"
            return _noted(connection, connection.execute(sql, (line.at_ms, name)), line)

    def tokens(self) -> list[Token]:
        with self._file.reading() as connection:
            return [_token(row) for row in connection.execute(f"{_TOKENS} ORDER BY name")]

    def token(self, hash_: bytes) -> Token | None:
        """One that holds."""
        with self._file.reading() as connection:
            row = connection.execute(f"{_TOKENS} WHERE hash = ? AND revoked_ms IS NULL", (hash_,)).fetchone()
        return None if row is None else _token(row)

    def saw_token(self, token: Token, now_ms: int) -> None:
        if token.used_ms is None or abs(now_ms - token.used_ms) >= SEEN_EVERY_MS:
            with self._file.writing() as connection:
                connection.execute("UPDATE token SET used_ms = ? WHERE id = ?", (now_ms, token.id))

    # -- wrong tries --

    def try_once(self, limits: Sequence[TryLimit], now_ms: int) -> int:
        """Count a try as wrong beforehand, so that many at once gain nothing. Returns 0, or how long to wait (ms):
        then nothing was counted."""
        with self._file.writing() as connection:
            former = {limit: _tries(connection, limit.key) for limit in limits}
            longest = max((wait_ms(tries, limit, now_ms) for limit, tries in former.items()), default=0)
            if longest == 0:
                for limit, tries in former.items():
                    _put_tries(connection, limit.key, after_wrong(tries, limit, now_ms))
                connection.execute(
                    "DELETE FROM tries WHERE key IN (SELECT key FROM tries ORDER BY last_ms DESC LIMIT -1 OFFSET ?)",
                    (MOST_TRIES,),
                )
            return longest

    def was_right(self, own: Iterable[TryLimit], shared: Iterable[TryLimit]) -> None:
        """The try was right: what counts this person's own tries is forgotten, of the others that one is taken back."""
        with self._file.writing() as connection:
            connection.executemany("DELETE FROM tries WHERE key = ?", [(limit.key,) for limit in own])
            for limit in shared:
                _put_tries(connection, limit.key, taken_back(_tries(connection, limit.key)))

    # -- links of mails --

    def use_link(self, hash_: bytes, who: str, now_ms: int, ends_ms: int) -> bool:
        """Note that a link is used; returns False where it has been before."""
        with self._file.writing() as connection:
            connection.execute("DELETE FROM used_link WHERE ends_ms < ?", (now_ms,))
            sql = "INSERT OR IGNORE INTO used_link (hash, who, used_ms, ends_ms) VALUES (?, ?, ?, ?)"
            return connection.execute(sql, (hash_, who, now_ms, ends_ms)).rowcount == 1

    def unuse_link(self, hash_: bytes) -> None:
        """What it was used for could not be done."""
        with self._file.writing() as connection:
            connection.execute("DELETE FROM used_link WHERE hash = ?", (hash_,))

    def link_used_ms(self, hash_: bytes) -> int | None:
        with self._file.reading() as connection:
            row = connection.execute("SELECT used_ms FROM used_link WHERE hash = ?", (hash_,)).fetchone()
        return None if row is None else int(row[0])

    # -- the trail --

    def note(self, line: AuditLine) -> None:
        with self._file.writing() as connection:
            note(connection, line)

    def audit(self, most: int) -> list[AuditLine]:
        """The last lines, the newest first."""
        with self._file.reading() as connection:
            sql = "SELECT at_ms, who, address, what, words FROM audit ORDER BY id DESC LIMIT ?"
            return [AuditLine(*row) for row in connection.execute(sql, (most,))]


_TOKENS = "SELECT id, name, scope, created_ms, used_ms, revoked_ms FROM token"


def note(connection: sqlite3.Connection, line: AuditLine) -> None:
    """Add a line to the trail; the oldest beyond MOST_AUDIT_LINES go."""
    added = connection.execute(
        "INSERT INTO audit (at_ms, who, address, what, words) VALUES (?, ?, ?, ?, ?)",
        (line.at_ms, line.who, line.address, line.what, line.words),
    )
    connection.execute("DELETE FROM audit WHERE id <= ?", ((added.lastrowid or 0) - MOST_AUDIT_LINES,))


def _noted(connection: sqlite3.Connection, done: sqlite3.Cursor, line: AuditLine) -> bool:
    """Whether anything was done; then it is told in the trail."""
    if done.rowcount != 1:
        return False
    note(connection, line)
    return True


def _only_last(connection: sqlite3.Connection, table: str, used: str, person: int, most: int) -> None:
    """Those that were used last stay."""
    connection.execute(
        f"DELETE FROM {table} WHERE id IN"
        f" (SELECT id FROM {table} WHERE person = ? ORDER BY {used} DESC, id DESC LIMIT -1 OFFSET ?)",
        (person, most),
    )


def _tries(connection: sqlite3.Connection, key: str) -> Tries:
    row = connection.execute("SELECT wrong, last_ms, until_ms FROM tries WHERE key = ?", (key,)).fetchone()
    return Tries() if row is None else Tries(*row)


def _put_tries(connection: sqlite3.Connection, key: str, tries: Tries) -> None:
    connection.execute(
        "INSERT INTO tries (key, wrong, last_ms, until_ms) VALUES (?1, ?2, ?3, ?4)"
        " ON CONFLICT (key) DO UPDATE SET wrong = ?2, last_ms = ?3, until_ms = ?4",
        (key, tries.wrong, tries.last_ms, tries.until_ms),
    )


def _person(row: Sequence[object]) -> Person:
    identity, name, role, password, language, fahrenheit, created_ms = row
    assert isinstance(identity, int)
    assert isinstance(created_ms, int)
    return Person(identity, str(name), Role(role), str(password), str(language), bool(fahrenheit), created_ms)


def _session(row: Sequence[object]) -> StoredSession:
    identity, began_ms, seen_ms, ends_ms, agent, address = row[:6]
    assert isinstance(identity, int)
    assert isinstance(began_ms, int)
    assert isinstance(seen_ms, int)
    assert isinstance(ends_ms, int)
    return StoredSession(identity, _person(row[6:]), began_ms, seen_ms, ends_ms, str(agent), str(address))


def _token(row: tuple[int, str, str, int, int | None, int | None]) -> Token:
    identity, name, scope, created_ms, used_ms, revoked_ms = row
    return Token(identity, name, Scope(scope), created_ms, used_ms, revoked_ms)
