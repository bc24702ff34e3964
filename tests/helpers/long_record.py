"""A record of many years from one of a month: its results, summaries and log repeated backwards in time.

Single readings stay those of the last month; everything that pages read is there as after years of service.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

from seeded_site import END_MS, make_site, weak_block

from loggerd.settings.site import SiteSettings
from loggerd.store.summaries import FOUR_HOURS, QUARTERS, SPAN_MS, Summary, build_tier, decode_summary, encode_summary

MONTH_DAYS = 30
MONTH_MS = MONTH_DAYS * 86_400_000
_TIMES = {
    "entry": ("start_ms", "end_ms"),
    "finding": ("at_ms", "since_ms"),
    "mark": ("start_ms", "end_ms"),
    "event": ("wall_ms",),
    "alarm_change": ("at_ms",),
    "log_entry": ("happened_wall_ms", "wall_ms"),
}
"""Tables that grow for ever, and their columns of time."""


def long_record(folder: Path, months: int, scenario: str = "cabin") -> SiteSettings:
    """A seeded site whose record tells of so many months up to END_MS."""
    faults = (weak_block(),) if scenario == "cabin" else ()
    settings = make_site(folder, scenario, MONTH_DAYS, faults)
    connection = sqlite3.connect(settings.record.path, isolation_level=None)
    try:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("BEGIN")
        for table in _TIMES:
            _repeat(connection, table, months)
        _repeat_summaries(connection, months)
        began = END_MS - months * MONTH_MS
        connection.execute("UPDATE session SET first_wall_ms = ? WHERE id = 1", (began,))
        connection.execute("UPDATE series SET first_wall_ms = ?", (began,))
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        connection.close()
    return settings


def _columns(connection: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]


def _repeat(connection: sqlite3.Connection, table: str, months: int) -> None:
    """The rows of a table once for each month, the oldest first, numbered anew."""
    columns = _columns(connection, table)
    rows = [dict(zip(columns, row, strict=True)) for row in connection.execute(f"SELECT * FROM {table} ORDER BY id")]
    figures: dict[int, list[tuple[Any, ...]]] = {}
    if table == "entry":
        for row in connection.execute("SELECT * FROM figure"):
            figures.setdefault(row[0], []).append(row[1:])
        connection.execute("DELETE FROM figure")
    connection.execute(f"DELETE FROM {table}")
    number = 0
    insert = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
    for month in reversed(range(months)):
        for row in rows:
            number += 1
            moved = {**row, "id": number}
            for name in _TIMES[table]:
                if row[name] is not None:
                    moved[name] = row[name] - month * MONTH_MS
            if table == "log_entry":
                moved["uid"] = f"{row['uid']}-{month}"
            connection.execute(insert, tuple(moved.values()))
            connection.executemany(
                "INSERT INTO figure VALUES (?, ?, ?, ?, ?, ?, ?)",
                [(number, *rest) for rest in figures.get(row["id"], ())],
            )


def _repeat_summaries(connection: sqlite3.Connection, months: int) -> None:
    rows = connection.execute("SELECT tier_seconds, device, session, span_ms, payload FROM summary").fetchall()
    for tier, device, session, span, payload in rows:
        if SPAN_MS[tier] > MONTH_MS // MONTH_DAYS:
            continue
        whole = decode_summary((tier, device, session, span), payload)
        for month in range(1, months if tier == QUARTERS else min(months, 3)):
            key = (tier, device, session, span - month * MONTH_MS)
            moved = Summary(whole.start_ms - month * MONTH_MS, whole.series)
            connection.execute(
                "INSERT OR IGNORE INTO summary (tier_seconds, device, session, span_ms, payload)"
                " VALUES (?, ?, ?, ?, ?)",
                (*key, encode_summary(key, moved)),
            )
    connection.execute("DELETE FROM summary WHERE tier_seconds = ?", (FOUR_HOURS,))
    build_tier(connection, FOUR_HOURS, QUARTERS)
