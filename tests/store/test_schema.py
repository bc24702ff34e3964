"""The shape of the record: every column explained, migrations numbered and safe, newer forms left alone."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from loggerd.errors import StoreError, StoreTooNew
from loggerd.store.connection import beside
from loggerd.store.record import RecordReader, RecordWriter
from loggerd.store.schema import MIGRATIONS, SCHEMA_VERSION, Migration, migrate, version_of


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


def look(path: Path, sql: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return connection.execute(sql).fetchall()


def test_every_column_is_explained_in_the_file(path: Path) -> None:
    RecordWriter.open(path).close()
    columns = look(
        path,
        "SELECT m.name, c.name FROM sqlite_master m JOIN pragma_table_info(m.name) c WHERE m.type = 'table'"
        " UNION SELECT name, '' FROM sqlite_master WHERE type = 'table'",
    )
    notes = look(path, "SELECT table_name, column_name, unit, meaning FROM schema_notes")
    assert {(table, column) for table, column, _, _ in notes} == set(columns)
    assert all(unit and meaning for _, _, unit, meaning in notes)
    for table, sql in look(path, "SELECT name, sql FROM sqlite_master WHERE type = 'table'"):
        meanings = [meaning for name, column, _, meaning in notes if name == table]
        assert all(str(meaning) in str(sql) for meaning in meanings), f"{table}: a comment is missing in its DDL"
        assert "STRICT" in str(sql)


def test_every_foreign_key_holds_and_wrong_types_are_refused(path: Path) -> None:
    with closing(RecordWriter.open(path)) as writer:
        connection = writer._connection
        with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
            connection.execute("INSERT INTO event VALUES (1, 99, 0, 0, 'a', 'b', 'c')")
        with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT"):
            connection.execute("INSERT INTO checkpoint VALUES ('house', 'x', 1, 0, x'', 0)")


def test_migrations_are_numbered_without_gaps() -> None:
    assert [migration.to_version for migration in MIGRATIONS] == list(range(1, SCHEMA_VERSION + 1))


def test_migrating_twice_changes_nothing(path: Path) -> None:
    RecordWriter.open(path).close()
    before = look(path, "SELECT type, name, sql FROM sqlite_master")
    with closing(RecordWriter.open(path)) as writer:
        assert migrate(writer._connection) == 0
    assert look(path, "SELECT type, name, sql FROM sqlite_master") == before


def _add(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE added (id INTEGER PRIMARY KEY) STRICT")


def _fail(connection: sqlite3.Connection) -> None:
    _add(connection)
    raise sqlite3.OperationalError("no")


def test_older_record_is_copied_and_then_renewed(path: Path) -> None:
    with closing(RecordWriter.open(path)) as writer:
        writer.begin_session("live", 1, 2, "kept")
    newer = (*MIGRATIONS, Migration(SCHEMA_VERSION + 1, _add))
    RecordWriter.open(path, migrations=newer).close()
    assert look(path, "SELECT note FROM session, added") == []
    assert look(path, "PRAGMA user_version") == [(SCHEMA_VERSION + 1,)]
    copy = beside(path, f".form-{SCHEMA_VERSION}")
    assert look(copy, "PRAGMA user_version") == [(SCHEMA_VERSION,)]
    assert look(copy, "SELECT note FROM session") == [("kept",)]


def test_failed_migration_leaves_the_older_form(path: Path) -> None:
    RecordWriter.open(path).close()
    with pytest.raises(StoreError):
        RecordWriter.open(path, migrations=(*MIGRATIONS, Migration(SCHEMA_VERSION + 1, _fail)))
    assert look(path, "PRAGMA user_version") == [(SCHEMA_VERSION,)]
    assert look(path, "SELECT count(*) FROM sqlite_master WHERE name = 'added'") == [(0,)]
    RecordWriter.open(path).close()


def test_newer_record_is_refused_and_left_byte_for_byte(path: Path) -> None:
    newer = (*MIGRATIONS, Migration(SCHEMA_VERSION + 1, _add))
    RecordWriter.open(path, migrations=newer).close()
    content = path.read_bytes()
    for opener in (RecordWriter.open, RecordReader.open):
        with pytest.raises(StoreTooNew, match="newer version"):
            opener(path)
    assert path.read_bytes() == content


def test_older_record_is_not_for_readers(path: Path) -> None:
    RecordWriter.open(path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 0")
        assert version_of(connection) == 0
    with pytest.raises(StoreError, match="start the service once"):
        RecordReader.open(path)


def test_database_of_another_program_is_refused_and_left_alone(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE theirs (x)")
    content = path.read_bytes()
    with pytest.raises(StoreError, match="not a record of loggerd"):
        RecordWriter.open(path)
    assert path.read_bytes() == content
