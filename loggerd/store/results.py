"""What the analysis found: revisions, checkpoints, ledger entries with their figures, spans of marks, events."""

from __future__ import annotations

import sqlite3
import struct
import zlib
from collections.abc import Iterable, Iterator

from loggerd.errors import StoreDamaged, StoreError
from loggerd.model.ledger import Entry, Figure, Instant, LedgerName, MarkSpan
from loggerd.store.findings import write_findings
from loggerd.store.shapes import BankResults, Position, RecordEvent, Revision, StoredEntry, StoredMark

_POSITION = struct.Struct("<qq")
_PAGE = 200
_REVISION = "id, bank, fingerprint, settings_json, reason, created_wall_ms, raw_from_ms"


# -- revisions and checkpoints --


def revisions(connection: sqlite3.Connection, bank: str) -> list[Revision]:
    """All revisions of a bank, the current one last."""
    rows = connection.execute(f"SELECT {_REVISION} FROM revision WHERE bank = ? ORDER BY id", (bank,))
    return [Revision(*row) for row in rows]


def current_revision(connection: sqlite3.Connection, bank: str) -> Revision | None:
    row = connection.execute(
        f"SELECT {_REVISION} FROM revision WHERE bank = ? ORDER BY id DESC LIMIT 1", (bank,)
    ).fetchone()
    return Revision(*row) if row else None


def begin_revision(connection: sqlite3.Connection, revision: Revision) -> int:
    """Stores a new revision (its id is not looked at) and returns its id."""
    row = connection.execute(
        "INSERT INTO revision (bank, fingerprint, settings_json, reason, created_wall_ms, raw_from_ms)"
        " VALUES (?, ?, ?, ?, ?, ?) RETURNING id",
        (
            revision.bank,
            revision.fingerprint,
            revision.settings_json,
            revision.reason,
            revision.created_wall_ms,
            revision.raw_from_ms,
        ),
    ).fetchone()
    return int(row[0])


def checkpoint(connection: sqlite3.Connection, bank: str, revision: int) -> tuple[Position, bytes] | None:
    """The last stored state of a bank's fold. Raises StoreDamaged when it fails its check sum."""
    row = connection.execute(
        "SELECT session, mono_ms, state, crc FROM checkpoint WHERE bank = ? AND revision = ?", (bank, revision)
    ).fetchone()
    if row is None:
        return None
    position = Position(row[0], row[1])
    if _state_sum(position, row[2]) != row[3]:
        raise StoreDamaged(f'bank "{bank}": the stored state of the analysis fails its check sum; recompute the bank')
    return position, row[2]


def _state_sum(position: Position, state: bytes) -> int:
    return zlib.crc32(state, zlib.crc32(_POSITION.pack(position.session, position.mono_ms)))


# -- writing, inside a transaction --


def write_results(connection: sqlite3.Connection, found: BankResults) -> None:
    """Stores entries, marks and the state after them.

    Raises StoreError when the revision is not one of this bank.
    """
    owner = connection.execute("SELECT bank FROM revision WHERE id = ?", (found.revision,)).fetchone()
    if owner is None or owner[0] != found.bank:
        raise StoreError(f'bank "{found.bank}": revision {found.revision} is not one of this bank')
    for entry in found.results.entries:
        _write_entry(connection, found.bank, found.revision, entry)
    connection.executemany(
        "INSERT INTO mark (bank, revision, channel, mark, start_session, start_ms, end_session, end_ms, readings)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (found.bank, found.revision, span.channel, span.mark, *_ends(span), span.readings)
            for span in found.results.marks
        ],
    )
    write_findings(connection, found.bank, found.revision, found.results.findings)
    connection.execute(
        "INSERT INTO checkpoint VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (bank, revision) DO UPDATE SET"
        " session = excluded.session, mono_ms = excluded.mono_ms, state = excluded.state, crc = excluded.crc",
        (
            found.bank,
            found.revision,
            found.position.session,
            found.position.mono_ms,
            found.state,
            _state_sum(found.position, found.state),
        ),
    )


def _write_entry(connection: sqlite3.Connection, bank: str, revision: int, entry: Entry) -> None:
    row = connection.execute(
        "INSERT INTO entry (bank, revision, ledger, kind, start_session, start_ms, end_session, end_ms, complete)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id",
        (bank, revision, entry.ledger.value, entry.kind, *_ends(entry), int(entry.complete)),
    ).fetchone()
    connection.executemany(
        "INSERT INTO figure VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            (row[0], place, figure.name, figure.value, figure.low, figure.high, figure.reason)
            for place, figure in enumerate(entry.figures)
        ],
    )


def _ends(span: Entry | MarkSpan) -> tuple[int, int, int, int]:
    return span.start.session, span.start.at_ms, span.end.session, span.end.at_ms


def write_events(connection: sqlite3.Connection, events: Iterable[RecordEvent]) -> None:
    connection.executemany(
        "INSERT INTO event (session, mono_ms, wall_ms, kind, subject, text) VALUES (?, ?, ?, ?, ?, ?)",
        [(e.session, e.mono_ms, e.wall_ms, e.kind, e.subject, e.text) for e in events],
    )


# -- reading --


def visible_until(every: list[Revision], chosen: int | None) -> list[tuple[int, int | None]]:
    """Which entries to show: (revision, only those that ended before this time, None for all), oldest first.

    With `chosen` only that revision. Else the current one, and of each earlier one what the later ones could not
    fold any more because the readings were gone.
    """
    if chosen is not None:
        return [(chosen, None)]
    shown: list[tuple[int, int | None]] = []
    limit: int | None = None
    for revision in reversed(every):
        shown.append((revision.id, limit))
        limit = revision.raw_from_ms if limit is None else min(limit, revision.raw_from_ms)
    return shown[::-1]


def entries(
    connection: sqlite3.Connection,
    ledger: LedgerName,
    shown: tuple[int, int | None],
    span: tuple[int, int],
    raw_from_ms: int,
) -> Iterator[StoredEntry]:
    """Entries of one revision that lie at least partly in [from, until), in the order in which they were found."""
    revision, limit = shown
    from_ms, until_ms = span
    bank = connection.execute("SELECT bank FROM revision WHERE id = ?", (revision,)).fetchone()
    ids = connection.execute(
        "SELECT id FROM entry WHERE bank = ? AND ledger = ? AND revision = ? AND end_ms >= ? AND start_ms < ?"
        " AND end_ms <= ? ORDER BY id",
        (bank[0] if bank else "", ledger.value, revision, from_ms, until_ms, 2**63 - 1 if limit is None else limit),
    ).fetchall()
    for start in range(0, len(ids), _PAGE):
        for identity, entry in fetch_entries(connection, [row[0] for row in ids[start : start + _PAGE]]):
            recomputable = limit is None and entry.start.at_ms >= raw_from_ms
            yield StoredEntry(identity, revision, recomputable, entry)


def entries_after(connection: sqlite3.Connection, identity: int, most: int) -> list[tuple[str, StoredEntry]]:
    """The next entries of all banks, ledgers and revisions with a higher id, with the bank of each."""
    rows = connection.execute(
        "SELECT id, bank, revision FROM entry WHERE id > ? ORDER BY id LIMIT ?", (identity, most)
    ).fetchall()
    if not rows:
        return []
    found = dict(fetch_entries(connection, [row[0] for row in rows]))
    return [(bank, StoredEntry(one, revision, True, found[one])) for one, bank, revision in rows]


def fetch_entries(connection: sqlite3.Connection, ids: list[int]) -> list[tuple[int, Entry]]:
    """Entries of these ids with their figures, in order of id: two looks however many they are."""
    """Entries with their figures by their ids, in the order of the ids."""
    marks = ",".join("?" * len(ids))
    figures: dict[int, list[Figure]] = {identity: [] for identity in ids}
    for identity, *figure in connection.execute(
        f"SELECT entry, name, value, low, high, reason FROM figure WHERE entry IN ({marks}) ORDER BY entry, place",
        ids,
    ):
        figures[identity].append(Figure(*figure))
    rows = connection.execute(
        "SELECT id, ledger, kind, start_session, start_ms, end_session, end_ms, complete FROM entry"
        f" WHERE id IN ({marks}) ORDER BY id",
        ids,
    ).fetchall()
    return [
        (
            row[0],
            Entry(
                LedgerName(row[1]),
                row[2],
                Instant(row[3], row[4]),
                Instant(row[5], row[6]),
                bool(row[7]),
                tuple(figures[row[0]]),
            ),
        )
        for row in rows
    ]


def marks(connection: sqlite3.Connection, bank: str, revision: int, span: tuple[int, int]) -> Iterator[StoredMark]:
    """Spans of marks of one revision that lie at least partly in [from, until), in the order found."""
    last = 0
    while True:
        rows = connection.execute(
            "SELECT id, channel, mark, start_session, start_ms, end_session, end_ms, readings FROM mark"
            " WHERE bank = ? AND revision = ? AND end_ms >= ? AND start_ms < ? AND id > ? ORDER BY id LIMIT ?",
            (bank, revision, *span, last, _PAGE),
        ).fetchall()
        for row in rows:
            last = row[0]
            spanned = MarkSpan(row[1], row[2], Instant(row[3], row[4]), Instant(row[5], row[6]), row[7])
            yield StoredMark(last, revision, spanned)
        if len(rows) < _PAGE:
            return


def events(connection: sqlite3.Connection, span: tuple[int, int]) -> list[RecordEvent]:
    """Events whose wall time lies in [from, until), in the order in which they were stored."""
    rows = connection.execute(
        "SELECT session, mono_ms, wall_ms, kind, subject, text FROM event"
        " WHERE wall_ms >= ? AND wall_ms < ? ORDER BY id",
        span,
    )
    return [RecordEvent(*row) for row in rows]
