"""Findings in the record: append-only rows; the newest of a (name, subject) is what holds."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from typing import Any

from loggerd.model.finding import Finding, Grade, Quality
from loggerd.model.ledger import Figure, Instant
from loggerd.store.shapes import StoredFinding

COLUMNS = (
    "name, subject, verdict, grade, value, low, high, reason, at_session, at_ms, since_session, since_ms, basis,"
    " quality, quality_reason"
)
_PAGE = 500


def write_findings(connection: sqlite3.Connection, bank: str, revision: int, findings: Iterable[Finding]) -> None:
    """Appends findings, inside a transaction."""
    connection.executemany(
        f"INSERT INTO finding (bank, revision, {COLUMNS}) VALUES (?, ?{', ?' * 15})",
        [(bank, revision, *_row(finding)) for finding in findings],
    )


def _row(finding: Finding) -> tuple[object, ...]:
    since = finding.since
    return (
        finding.name,
        finding.subject,
        finding.verdict,
        finding.grade.value,
        finding.value,
        finding.low,
        finding.high,
        finding.reason,
        finding.at.session,
        finding.at.at_ms,
        since.session if since else None,
        since.at_ms if since else None,
        json.dumps(_basis(finding), separators=(",", ":"), ensure_ascii=False),
        finding.quality.value,
        finding.quality_reason,
    )


def _basis(finding: Finding) -> dict[str, Any]:
    """Evidence and details as JSON-able values."""
    return {
        "evidence": [[start.session, start.at_ms, end.session, end.at_ms] for start, end in finding.evidence],
        "details": [[one.name, one.value, one.low, one.high, one.reason] for one in finding.details],
    }


def finding_of(row: tuple[Any, ...]) -> Finding:
    """The finding of a row of COLUMNS."""
    name, subject, verdict, grade, value, low, high, reason, session, at_ms, since_session, since_ms = row[:12]
    basis = json.loads(row[12])
    return Finding(
        name,
        subject,
        verdict,
        Grade(grade),
        reason,
        Instant(session, at_ms),
        value,
        low,
        high,
        None if since_ms is None else Instant(since_session, since_ms),
        tuple((Instant(a, b), Instant(c, d)) for a, b, c, d in basis["evidence"]),
        tuple(Figure(*figure) for figure in basis["details"]),
        Quality(row[13]),
        row[14],
    )


def findings(
    connection: sqlite3.Connection, bank: str, revision: int, span: tuple[int, int]
) -> Iterator[StoredFinding]:
    """Findings of one revision told in [from, until), in the order in which they were found."""
    last = 0
    while True:
        rows = connection.execute(
            f"SELECT id, {COLUMNS} FROM finding WHERE bank = ? AND revision = ? AND at_ms >= ? AND at_ms < ?"
            " AND id > ? ORDER BY id LIMIT ?",
            (bank, revision, *span, last, _PAGE),
        ).fetchall()
        for row in rows:
            last = row[0]
            yield StoredFinding(last, revision, finding_of(row[1:]))
        if len(rows) < _PAGE:
            return


def newest_findings(connection: sqlite3.Connection, bank: str, revision: int) -> list[StoredFinding]:
    """Of each (name, subject) of one revision the newest, in the order in which they were found.

    Looks along the index, so that the cost goes by how many subjects there are, not by how old the record is.
    """
    keys = []
    name, subject = "", ""
    while True:
        row = connection.execute(
            "SELECT name, subject FROM finding WHERE bank = ? AND revision = ? AND (name, subject) > (?, ?)"
            " ORDER BY name, subject LIMIT 1",
            (bank, revision, name, subject),
        ).fetchone()
        if row is None:
            break
        name, subject = row
        keys.append((name, subject))
    found = [
        connection.execute(
            f"SELECT id, {COLUMNS} FROM finding WHERE bank = ? AND revision = ? AND name = ? AND subject = ?"
            " ORDER BY id DESC LIMIT 1",
            (bank, revision, *key),
        ).fetchone()
        for key in keys
    ]
    return [StoredFinding(row[0], revision, finding_of(row[1:])) for row in sorted(found)]
