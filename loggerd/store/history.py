"""How a finding came to be what it is: its values over time, as many as a chart can show."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

from loggerd.store.results import revisions, visible_until
from loggerd.store.shapes import FindingPoint

_COLUMNS = (
    "at_session, at_ms, subject, verdict, grade, value, low, high, reason,"
    " json_extract(basis, '$.evidence[0][1]'), json_extract(basis, '$.evidence[0][3]')"
)


def told_between(
    connection: sqlite3.Connection, bank: str, name: str, span: tuple[int, int], most: int
) -> list[FindingPoint]:
    """The newest findings of one name told in [from, until), in order of time, all subjects."""
    found: list[FindingPoint] = []
    for revision, begin, end in _parts(connection, bank, span):
        first, last = _first_from(connection, bank, revision, begin), _first_from(connection, bank, revision, end)
        rows = connection.execute(
            f"SELECT {_COLUMNS} FROM finding WHERE bank = ? AND revision = ? AND name = ? AND id >= ? AND id < ?"
            " ORDER BY id DESC LIMIT ?",
            (bank, revision, name, first, last, most),
        ).fetchall()
        found += [FindingPoint(*row) for row in reversed(rows)]
    return found[-most:]


def history(
    connection: sqlite3.Connection,
    bank: str,
    key: tuple[str, str],
    edges: Sequence[int],
    detail: tuple[str, str] | None,
) -> list[FindingPoint]:
    """Of one name and subject, the last that was told between each two edges (rising), where there is one.

    With `detail`, the value is that of a detail, and its band reaches from it by that of another on both sides.
    The cost goes by the number of edges: two looks along an index for each.
    """
    found: list[FindingPoint] = []
    basis = "NULL" if detail is None else "basis"
    for revision, begin, end in _parts(connection, bank, (edges[0], edges[-1])):
        cuts = [begin, *(edge for edge in edges if begin < edge < end), end]
        bounds = [_first_from(connection, bank, revision, cut) for cut in cuts]
        for first, last in pairwise(bounds):
            if first == last:
                continue
            row = connection.execute(
                f"SELECT {basis}, {_COLUMNS} FROM finding WHERE bank = ? AND revision = ? AND name = ? AND subject = ?"
                " AND id >= ? AND id < ? ORDER BY id DESC LIMIT 1",
                (bank, revision, *key, first, last),
            ).fetchone()
            if row is not None:
                found.append(FindingPoint(*row[1:]) if detail is None else _with_detail(row, detail))
    return found


def _with_detail(row: Sequence[Any], detail: tuple[str, str]) -> FindingPoint:
    details = {one[0]: one[1] for one in json.loads(row[0])["details"]}
    value, half = (details.get(name) for name in detail)
    low, high = (None, None) if value is None or half is None else (value - half, value + half)
    return replace(FindingPoint(*row[1:]), value=value, low=low, high=high)


def _parts(connection: sqlite3.Connection, bank: str, span: tuple[int, int]) -> list[tuple[int, int, int]]:
    """(revision, from, until): the current revision, before it what it could not fold any more as told earlier."""
    begin = span[0]
    parts = []
    for revision, limit in visible_until(revisions(connection, bank), None):
        end = span[1] if limit is None else min(limit, span[1])
        if begin < end:
            parts.append((revision, begin, end))
            begin = end
    return parts


def _first_from(connection: sqlite3.Connection, bank: str, revision: int, at_ms: int) -> int:
    """Number of the first finding of a revision told at or after an instant: numbers rise with time."""
    row = connection.execute(
        "SELECT id FROM finding WHERE bank = ? AND revision = ? AND at_ms >= ? ORDER BY at_ms, id LIMIT 1",
        (bank, revision, at_ms),
    ).fetchone()
    return 2**63 - 1 if row is None else int(row[0])
