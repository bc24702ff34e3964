"""Looking at results a page at a time: the cost goes by what is shown, not by how old the record is."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from loggerd.model.ledger import Instant, LedgerName
from loggerd.store.results import fetch_entries, revisions, visible_until
from loggerd.store.shapes import EntryPage, EntrySpan, EntryWish, StoredEntry

MOST_LOOKED_AT = 2_000
"""Entries that one page may look through for those that are deep enough."""
_END_OF_TIME = 2**63 - 1


def newest_entries(
    connection: sqlite3.Connection, wish: EntryWish, most: int, before: int | None, raw_from_ms: int
) -> EntryPage:
    """The newest entries, or the newest that ended before the one with the id `before`; newest first.

    Of earlier revisions what the later ones could not fold any more. An unknown id counts as none.
    """
    found: list[tuple[int, int, bool]] = []
    place = _place_of(connection, before)
    looked = MOST_LOOKED_AT
    for revision, limit in reversed(visible_until(revisions(connection, wish.bank), None)):
        if place is not None and revision > place[0]:
            continue
        start = (place[1], place[2]) if place is not None and revision == place[0] else (_END_OF_TIME, _END_OF_TIME)
        for identity, fits in _ids(connection, wish, revision, limit, start, looked):
            looked -= 1
            if fits:
                found.append((identity, revision, limit is None))
            if len(found) > most or looked == 0:
                older = found[most - 1][0] if len(found) > most else identity
                return EntryPage(_stored(connection, found[:most], raw_from_ms), older)
    return EntryPage(_stored(connection, found, raw_from_ms), None)


def _place_of(connection: sqlite3.Connection, identity: int | None) -> tuple[int, int, int] | None:
    if identity is None:
        return None
    row = connection.execute("SELECT revision, end_ms, id FROM entry WHERE id = ?", (identity,)).fetchone()
    return None if row is None else (row[0], row[1], row[2])


def _ids(
    connection: sqlite3.Connection,
    wish: EntryWish,
    revision: int,
    limit: int | None,
    start: tuple[int, int],
    most: int,
) -> list[tuple[int, bool]]:
    """Ids from the newest down, each with whether its figure is large enough."""
    name, least = wish.least or ("", 0.0)
    return connection.execute(
        "SELECT e.id, ? = '' OR EXISTS (SELECT 1 FROM figure f WHERE f.entry = e.id AND f.name = ? AND f.value >= ?)"
        " FROM entry e WHERE e.bank = ? AND e.ledger = ? AND e.revision = ? AND (e.end_ms, e.id) < (?, ?)"
        " AND e.end_ms >= ? AND e.start_ms < ? AND e.end_ms <= ? ORDER BY e.end_ms DESC, e.id DESC LIMIT ?",
        (
            name,
            name,
            least,
            wish.bank,
            wish.ledger.value,
            revision,
            *start,
            wish.from_ms,
            wish.until_ms,
            _END_OF_TIME if limit is None else limit,
            most,
        ),
    ).fetchall()


def _stored(
    connection: sqlite3.Connection, chosen: Sequence[tuple[int, int, bool]], raw_from_ms: int
) -> tuple[StoredEntry, ...]:
    entries = dict(fetch_entries(connection, [identity for identity, _, _ in chosen]))
    return tuple(
        StoredEntry(identity, revision, current and entries[identity].start.at_ms >= raw_from_ms, entries[identity])
        for identity, revision, current in chosen
    )


def entry(connection: sqlite3.Connection, bank: str, identity: int, raw_from_ms: int) -> StoredEntry | None:
    """The entry of that id, if it is of this bank and not of a telling that a later one has replaced."""
    row = connection.execute(
        "SELECT revision, end_ms FROM entry WHERE id = ? AND bank = ?", (identity, bank)
    ).fetchone()
    shown = dict(visible_until(revisions(connection, bank), None))
    if row is None or row[0] not in shown:
        return None
    limit = shown[row[0]]
    if limit is not None and row[1] > limit:
        return None
    return _stored(connection, [(identity, row[0], limit is None)], raw_from_ms)[0]


def entry_after(connection: sqlite3.Connection, bank: str, ledger: LedgerName, identity: int) -> int | None:
    """Id of the entry of the same ledger that ended next; opposite of newest_entries(before=identity)."""
    place = _place_of(connection, identity)
    if place is None:
        return None
    start = (place[1], place[2])
    for revision, limit in visible_until(revisions(connection, bank), None):
        if revision < place[0]:
            continue
        row = connection.execute(
            "SELECT id FROM entry WHERE bank = ? AND ledger = ? AND revision = ? AND (end_ms, id) > (?, ?)"
            " AND end_ms <= ? ORDER BY end_ms, id LIMIT 1",
            (bank, ledger.value, revision, *start, _END_OF_TIME if limit is None else limit),
        ).fetchone()
        if row is not None:
            return int(row[0])
        start = (-_END_OF_TIME, 0)
    return None


def entry_spans(connection: sqlite3.Connection, wish: EntryWish, most: int) -> list[EntrySpan]:
    """The newest entries that lie at least partly in the time wished for, in order of time, without figures."""
    found: list[EntrySpan] = []
    for revision, limit in reversed(visible_until(revisions(connection, wish.bank), None)):
        rows = connection.execute(
            "SELECT kind, start_session, start_ms, end_session, end_ms FROM entry WHERE bank = ? AND ledger = ?"
            " AND revision = ? AND end_ms >= ? AND start_ms < ? AND end_ms <= ? ORDER BY end_ms DESC, id DESC LIMIT ?",
            (
                wish.bank,
                wish.ledger.value,
                revision,
                wish.from_ms,
                wish.until_ms,
                _END_OF_TIME if limit is None else limit,
                most - len(found),
            ),
        )
        found += [EntrySpan(row[0], Instant(row[1], row[2]), Instant(row[3], row[4])) for row in rows]
    return found[::-1]


def figure_rows(
    connection: sqlite3.Connection,
    bank: str,
    ledger: LedgerName,
    names: Sequence[str],
    span: tuple[int, int],
    most: int,
) -> list[tuple[float | None, ...]]:
    """Values of some figures of the newest entries that ended in [from, until), by the current revision."""
    every = revisions(connection, bank)
    if not every:
        return []
    values = ", ".join("(SELECT value FROM figure f WHERE f.entry = e.id AND f.name = ?)" for _ in names)
    return connection.execute(
        f"SELECT {values} FROM entry e WHERE bank = ? AND ledger = ? AND revision = ? AND end_ms >= ? AND end_ms < ?"
        " ORDER BY end_ms DESC, id DESC LIMIT ?",
        (*names, bank, ledger.value, every[-1].id, *span, most),
    ).fetchall()
