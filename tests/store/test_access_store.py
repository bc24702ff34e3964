"""The file of who may look: for its owner alone, several processes and threads at once, whole after a kill."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from loggerd.errors import StoreDamaged, StoreError, StoreTooNew
from loggerd.model.access import Role, Scope
from loggerd.model.throttle import TryLimit
from loggerd.store import access as module
from loggerd.store.access import AccessStore
from loggerd.store.access_file import make_private
from loggerd.store.access_shapes import AuditLine, NewSession, Person

NOW = 1_790_000_000_000
LIMIT = TryLimit("pair x", 5, 5_000, 900_000, 86_400_000)
SHARED = TryLimit("address x", 10, 5_000, 900_000, 86_400_000)


def line(what: str = "done", at_ms: int = NOW) -> AuditLine:
    return AuditLine(at_ms, "test", "", what)


@pytest.fixture
def store(tmp_path: Path) -> AccessStore:
    return AccessStore(tmp_path / "record.sqlite")


def anna(store: AccessStore) -> Person:
    store.add_person("Anna", Role.KEEPER, "hash 1", line())
    found = store.person("anna")
    assert found is not None
    return found


def begin(store: AccessStore, person: Person, number: int = 1, at_ms: int = NOW, password: str = "hash 1") -> bool:
    new = NewSession(bytes([number]), bytes([100 + number]), person.id, password, at_ms + 1000, "browser", "10.0.0.1")
    return store.begin_session(new, line("signed in", at_ms))


def test_only_its_owner_may_read_it_whatever_the_umask(tmp_path: Path) -> None:
    former = os.umask(0)
    try:
        store = AccessStore(tmp_path / "record.sqlite")
        modes = {stat.S_IMODE(store.path.stat().st_mode)}
        with store._file.writing() as connection:
            connection.execute("INSERT INTO audit VALUES (1, 1, '', '', '', '')")
            journal = store.path.with_name(store.path.name + "-journal")
            modes.add(stat.S_IMODE(journal.stat().st_mode))
    finally:
        os.umask(former)
    assert store.path == tmp_path / "record.sqlite.access"
    assert modes == {0o600}


def test_rights_of_others_are_taken_away_at_the_next_opening(tmp_path: Path) -> None:
    path = AccessStore(tmp_path / "record.sqlite").path
    path.chmod(0o644)
    AccessStore(tmp_path / "record.sqlite")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder to somebody else")
def test_what_root_makes_belongs_to_the_owner_of_the_folder(tmp_path: Path) -> None:
    os.chown(tmp_path, 4321, 4322)
    store = AccessStore(tmp_path / "record.sqlite")
    make_private(tmp_path / "key", b"k")
    for path in (store.path, tmp_path / "key"):
        assert (path.stat().st_uid, path.stat().st_gid) == (4321, 4322)


def test_a_private_file_is_made_once_and_whole(tmp_path: Path) -> None:
    assert make_private(tmp_path / "key", b"first")
    assert not make_private(tmp_path / "key", b"second")
    assert (tmp_path / "key").read_bytes() == b"first"
    assert [one.name for one in tmp_path.iterdir()] == ["key"]


def test_people_are_found_by_their_name_whatever_its_capitals(store: AccessStore) -> None:
    person = anna(store)
    assert (person.name, person.role, person.language, person.fahrenheit) == ("Anna", Role.KEEPER, "en", False)
    assert store.person("ANNA") == person
    assert store.person("anna' OR '1'='1") is None
    assert not store.add_person("ANNA", Role.READER, "hash 2", line())
    assert [one.name for one in store.people()] == ["Anna"]


def test_a_hash_is_never_shown(store: AccessStore) -> None:
    assert "hash 1" not in repr(anna(store))


def test_a_session_begins_only_while_the_password_holds_that_was_found_right(store: AccessStore) -> None:
    person = anna(store)
    store.set_password(person.id, "hash 2", line())
    assert not begin(store, person)
    assert store.sessions() == []
    assert begin(store, person, password="hash 2")


def test_a_changed_password_ends_sessions_and_forgets_devices(store: AccessStore) -> None:
    person = anna(store)
    begin(store, person)
    assert store.is_device(bytes([101]), person.id)
    store.set_password(person.id, "hash 2", line())
    assert store.session(bytes([1])) is None
    assert not store.is_device(bytes([101]), person.id)


def test_hashing_anew_does_not_undo_a_change_meanwhile(store: AccessStore) -> None:
    person = anna(store)
    begin(store, person)
    store.rehash(person.id, "hash 1", "hash 1 dearer")
    store.rehash(person.id, "hash 1", "hash of an old password")
    found = store.session(bytes([1]))
    assert found is not None
    assert found.person.password == "hash 1 dearer"


def test_who_is_removed_leaves_nothing_that_lets_in(store: AccessStore) -> None:
    person = anna(store)
    begin(store, person)
    assert store.remove_person(person.id, line("removed"))
    assert store.session(bytes([1])) is None
    assert store.person("anna") is None
    assert not store.remove_person(person.id, line("removed"))
    assert [one.what for one in store.audit(10)].count("removed") == 1


def test_the_id_of_somebody_elses_session_ends_nothing(store: AccessStore) -> None:
    person = anna(store)
    store.add_person("Ben", Role.READER, "hash 1", line())
    ben = store.person("ben")
    assert ben is not None
    begin(store, person)
    (session,) = store.sessions(person.id)
    assert not store.end_session(session.id, ben.id, line())
    assert store.end_session(session.id, person.id, line())


def test_use_is_written_down_every_five_minutes_at_most(store: AccessStore) -> None:
    begin(store, anna(store))
    seen = []
    for later in (299_999, 300_000, 400_000, 600_000):
        found = store.session(bytes([1]))
        assert found is not None
        store.saw_session(found, NOW + later)
        found = store.session(bytes([1]))
        assert found is not None
        seen.append(found.seen_ms - NOW)
    assert seen == [0, 300_000, 300_000, 600_000]


def test_sessions_and_devices_of_one_person_are_bounded(store: AccessStore, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_SESSIONS", 3)
    monkeypatch.setattr(module, "MOST_DEVICES", 2)
    person = anna(store)
    for number in range(1, 6):
        begin(store, person, number, NOW + number)
    assert [store.session(bytes([number])) is not None for number in range(1, 6)] == [False, False, True, True, True]
    assert [store.is_device(bytes([100 + number]), person.id) for number in range(1, 6)] == [False] * 3 + [True] * 2


def test_sessions_whose_time_is_over_are_cleared_away(store: AccessStore) -> None:
    person = anna(store)
    begin(store, person, 1, NOW)
    begin(store, person, 2, NOW + 1000)
    assert len(store.sessions()) == 1


def test_the_trail_is_bounded_and_its_newest_lines_stay(store: AccessStore, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_AUDIT_LINES", 5)
    for number in range(12):
        store.note(line(str(number)))
    assert [one.what for one in store.audit(100)] == ["11", "10", "9", "8", "7"]


def test_tries_survive_a_restart_and_are_bounded(store: AccessStore, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(5):
        assert store.try_once((LIMIT, SHARED), NOW) == 0
    again = AccessStore(store.path.with_name("record.sqlite"))
    assert again.try_once((LIMIT, SHARED), NOW + 1) == 4_999
    monkeypatch.setattr(module, "MOST_TRIES", 3)
    for number in range(10):
        again.try_once((TryLimit(f"name {number}", 5, 1, 1, 1),), NOW + 10 + number)
    with again._file.reading() as connection:
        assert [key for (key,) in connection.execute("SELECT key FROM tries ORDER BY key")] == [
            "name 7",
            "name 8",
            "name 9",
        ]


def test_while_one_waits_nothing_is_counted(store: AccessStore) -> None:
    """A stranger who goes on knocking does not make the wait longer."""
    for _ in range(5):
        store.try_once((LIMIT, SHARED), NOW)
    for later in range(1, 1000, 100):
        assert store.try_once((LIMIT, SHARED), NOW + later) > 0
    assert store.try_once((LIMIT, SHARED), NOW + 5_000) == 0


def test_a_right_try_forgets_own_ones_and_takes_one_back_of_the_others(store: AccessStore) -> None:
    for _ in range(4):
        store.try_once((LIMIT, SHARED), NOW)
    store.was_right((LIMIT,), (SHARED,))
    with store._file.reading() as connection:
        assert connection.execute("SELECT key, wrong FROM tries").fetchall() == [("address x", 3)]


def test_tokens_hold_until_they_are_revoked(store: AccessStore) -> None:
    assert store.add_token("garage", b"h", Scope.ENTER, line())
    assert not store.add_token("garage", b"i", Scope.READ, line())
    token = store.token(b"h")
    assert token is not None
    assert (token.scope, token.used_ms) == (Scope.ENTER, None)
    store.saw_token(token, NOW + 5)
    assert [one.used_ms for one in store.tokens()] == [NOW + 5]
    assert store.revoke_token("garage", line("revoked"))
    assert not store.revoke_token("garage", line("revoked"))
    assert store.token(b"h") is None


def test_a_link_is_used_once_and_forgotten_when_it_would_have_ended(store: AccessStore) -> None:
    assert store.use_link(b"a", "anna", NOW, NOW + 100)
    assert not store.use_link(b"a", "anna", NOW + 1, NOW + 100)
    assert store.link_used_ms(b"a") == NOW
    store.unuse_link(b"a")
    assert store.use_link(b"a", "anna", NOW + 2, NOW + 100)
    store.use_link(b"b", "anna", NOW + 101, NOW + 200)
    assert store.link_used_ms(b"a") is None


def test_what_is_deleted_is_not_left_lying_in_the_file(store: AccessStore) -> None:
    store.add_person("Anna", Role.KEEPER, "a-hash-that-can-be-found", line())
    assert b"a-hash-that-can-be-found" in store.path.read_bytes()
    person = store.person("anna")
    assert person is not None
    store.remove_person(person.id, line())
    assert b"a-hash-that-can-be-found" not in store.path.read_bytes()


_ADDS = """
import sys
from pathlib import Path
from loggerd.model.access import Role
from loggerd.store.access import AccessStore
from loggerd.store.access_shapes import AuditLine
store = AccessStore(Path(sys.argv[1]))
for number in range(25):
    name = f"{sys.argv[2]} {number}"
    assert store.add_person(name, Role.READER, "hash", AuditLine(number, "test", "", "added", name))
"""


def test_several_processes_and_threads_write_at_the_same_time(tmp_path: Path) -> None:
    """The file is made by whoever comes first; nothing of the others is lost."""
    record = tmp_path / "record.sqlite"
    running = [
        subprocess.Popen([sys.executable, "-c", _ADDS, str(record), name], stderr=subprocess.PIPE)
        for name in ("one", "two", "three")
    ]
    store = AccessStore(record)
    failed: list[BaseException] = []

    def write(name: str) -> None:
        try:
            for number in range(25):
                store.add_person(f"{name} {number}", Role.READER, "hash", line())
                store.people()
        except StoreError as error:
            failed.append(error)

    threads = [threading.Thread(target=write, args=(name,)) for name in ("four", "five")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for process in running:
        _, errors = process.communicate(timeout=120)
        assert process.returncode == 0, errors.decode()
    assert failed == []
    assert len(store.people()) == len(store.audit(1000)) == 125


def test_one_that_is_held_too_long_is_told(store: AccessStore, monkeypatch: pytest.MonkeyPatch) -> None:
    from loggerd.store import access_file

    monkeypatch.setattr(access_file, "_PATIENCE_SECONDS", 0.05)
    with store._file.writing(), pytest.raises(StoreError, match="another program has held it"):
        store.note(line())
    store.note(line())


def test_other_files_are_left_alone(tmp_path: Path) -> None:
    record = tmp_path / "record.sqlite"
    path = tmp_path / "record.sqlite.access"
    path.write_bytes(b"no database, but quite a long text that somebody has put here " * 20)
    with pytest.raises(StoreDamaged, match="add people anew"):
        AccessStore(record)
    path.unlink()
    other = sqlite3.connect(path)
    other.execute("PRAGMA application_id = 77")
    other.close()
    with pytest.raises(StoreError, match="not loggerd's"):
        AccessStore(record)
    path.unlink()
    newer = sqlite3.connect(AccessStore(record).path)
    newer.execute("PRAGMA user_version = 99")
    newer.close()
    with pytest.raises(StoreTooNew, match="newer loggerd"):
        AccessStore(record)


def test_without_a_folder_it_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no such folder"):
        AccessStore(tmp_path / "gone" / "record.sqlite")
