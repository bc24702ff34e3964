"""Stamps scans as they are delivered and gathers them until the next commit."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from loggerd.clock import Clock
from loggerd.model.scan import Scan, ScanBlock
from loggerd.sources.base import DeviceEvent
from loggerd.store.record import RecordEvent

_STEP_MS = 1000
"""A wall clock that moves against the monotonic one by more than this was set: an event tells."""


class Recorder:
    """One session's scans on their way to the record. All calls come from one thread and return at once.

    Stamps rise strictly over all devices (by a millisecond where two scans come together), so that the order of
    scans in the record is the order in which they were taken, whatever they are grouped into.
    """

    def __init__(self, clock: Clock, session: int, series: Mapping[str, tuple[int, ...]]) -> None:
        self._clock = clock
        self.session = session
        self._series = dict(series)
        self._rows: dict[str, list[tuple[int, ...]]] = {}
        self._events: list[RecordEvent] = []
        self._last_ms = -(2**62)
        self._offset_ms: int | None = None
        self.scans = 0
        self._heard = dict.fromkeys(series, clock.mono_ms())

    def scan(self, scan: Scan) -> None:
        """Stamp a scan and keep it for the next commit."""
        now = self._clock.mono_ms()
        stamp = max(now, self._last_ms + 1)
        offset = self._clock.wall_ms() - now
        self._last_ms = stamp
        self._watch_clock(offset, stamp)
        row = (stamp, offset, int(self._clock.state()), *scan.counts)
        self._rows.setdefault(scan.device, []).append(row)
        self._heard[scan.device] = now
        self.scans += 1

    def silent_ms(self) -> dict[str, int]:
        """How long ago each device was heard; one that never was, since the session began."""
        now = self._clock.mono_ms()
        return {device: now - heard for device, heard in self._heard.items()}

    def instant(self) -> tuple[int, int]:
        """Now, on the monotonic and the wall clock: not before any scan that was stamped."""
        now = self._clock.mono_ms()
        return max(now, self._last_ms), self._clock.wall_ms()

    def event(self, event: DeviceEvent) -> None:
        """Keep what a source has to say for the next commit."""
        self.note(event.kind, event.device, event.text)

    def note(self, kind: str, subject: str, text: str) -> None:
        """Keep an event for the next commit."""
        self._events.append(
            RecordEvent(self.session, self._clock.mono_ms(), self._clock.wall_ms(), kind, subject, text)
        )

    def take(self) -> tuple[tuple[ScanBlock, ...], tuple[RecordEvent, ...]]:
        """All that has been gathered, as blocks by device; nothing of it is kept here."""
        rows, self._rows = self._rows, {}
        events, self._events = self._events, []
        return tuple(self._block(device, found) for device, found in sorted(rows.items())), tuple(events)

    def _block(self, device: str, rows: list[tuple[int, ...]]) -> ScanBlock:
        table = np.array(rows, dtype=np.int64).T
        mono, offset, clock, *counts = (np.ascontiguousarray(column) for column in table)
        return ScanBlock(device, self.session, self._series[device], mono, offset, clock, tuple(counts))

    def _watch_clock(self, offset: int, stamp: int) -> None:
        if self._offset_ms is not None and abs(offset - self._offset_ms) > _STEP_MS:
            seconds = (offset - self._offset_ms) / 1000
            self._events.append(
                RecordEvent(
                    self.session,
                    stamp,
                    stamp + offset,
                    "clock_step",
                    "clock",
                    f"the wall clock was set {'forward' if seconds > 0 else 'back'} by {abs(seconds):.1f} s",
                )
            )
            self._offset_ms = offset
        elif self._offset_ms is None:
            self._offset_ms = offset
