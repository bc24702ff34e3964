"""Runs and phases from one reading after another, in small tuples: written from the theory alone, as an oracle."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from loggerd.analysis.labels import label_one
from loggerd.analysis.plan import Thresholds

HIGH, LOW, STEP = 120, 72, 400
LIMITS = Thresholds(HIGH, LOW, 100.0, 0.0, 0.0, "stated")
_HOUR_MS = 3_600_000


@dataclass(frozen=True)
class Piece:
    """A run, or several of them together."""

    label: int
    start: int
    end: int
    readings: int
    charge2: int
    time2: int

    @property
    def lasted(self) -> int:
        return self.end - self.start


def runs_one_by_one(at_ms: list[int], milliamps: list[int], gap_ms: int) -> list[Piece]:
    """Runs of one label. A run begins at the last reading of the run before it; a gap of over ten minutes parts."""
    pieces: list[Piece] = []
    label = 0
    for k, (at, current) in enumerate(zip(at_ms, milliamps, strict=True)):
        before, label = label, label_one(current, HIGH, LOW, label)
        interval = at - at_ms[k - 1] if k else 0
        if not k or interval > max(gap_ms, 600_000):
            pieces.append(Piece(label, at, at, 1, 0, 0))
            continue
        gap = interval > gap_ms
        switched = not gap and (abs(current - milliamps[k - 1]) > STEP or label != before)
        share = 0 if switched else interval  # of twice the interval, what belongs to the reading before
        begin = (at + at_ms[k - 1]) // 2 if gap else at_ms[k - 1]
        older = pieces.pop()
        older = replace(
            older,
            end=begin if label != before else older.end,
            charge2=older.charge2 + milliamps[k - 1] * share,
            time2=older.time2 + share,
        )
        newer = older
        if label != before:
            pieces.append(older)
            newer = Piece(label, begin, at, 0, 0, 0)
        pieces.append(
            replace(
                newer,
                end=at,
                readings=newer.readings + 1,
                charge2=newer.charge2 + current * (2 * interval - share),
                time2=newer.time2 + 2 * interval - share,
            )
        )
    return pieces


def _together(pieces: list[Piece], label: int | None = None) -> Piece:
    return Piece(
        pieces[0].label if label is None else label,
        pieces[0].start,
        pieces[-1].end,
        sum(piece.readings for piece in pieces),
        sum(piece.charge2 for piece in pieces),
        sum(piece.time2 for piece in pieces),
    )


def _mean_label(pieces: list[Piece]) -> int:
    total = _together(pieces)
    if abs(total.charge2) <= HIGH * total.time2:
        return 0
    return 1 if total.charge2 > 0 else -1


@dataclass
class _Machine:
    dwell: int
    done: list[Piece] = field(default_factory=list)
    settled: Piece | None = None
    waiting: list[Piece] = field(default_factory=list)

    def take(self, piece: Piece) -> None:
        latest = self.waiting[-1] if self.waiting else self.settled
        if latest is not None and piece.start - latest.end > _HOUR_MS:
            self.stop()
        if self.settled is not None and not self.waiting and piece.label == self.settled.label:
            self.settled = _together([self.settled, piece])
            return
        if self.waiting and self.waiting[-1].label == piece.label:
            piece = _together([self.waiting.pop(), piece])
        self.waiting.append(piece)
        self._forgive_flicker()
        newest = self.waiting[-1]
        if newest.lasted >= self.dwell and newest.readings > 2:
            self._settle(newest)
        elif newest.end - self.waiting[0].start >= 5 * self.dwell:
            self._settle_train()

    def _forgive_flicker(self) -> None:
        if len(self.waiting) < 3:
            return
        before, between, after = self.waiting[-3:]
        stray = between.readings <= 2 and between.lasted < self.dwell
        much_longer = min(before.readings, after.readings) >= 4 * between.readings
        if stray and before.label == after.label and much_longer:
            self.waiting[-3:] = [_together([before, between, after])]

    def _settle(self, newest: Piece) -> None:
        if self.settled is None:
            self.settled = _together(self.waiting, newest.label)
        elif newest.label == self.settled.label:
            self.settled = _together([self.settled, *self.waiting])
        else:
            self.done.append(_together([self.settled, *self.waiting[:-1]]))
            self.settled = newest
        self.waiting = []

    def _settle_train(self) -> None:
        label = _mean_label(self.waiting)
        if self.settled is None:
            self.settled = _together(self.waiting, label)
        elif label == self.settled.label:
            self.settled = _together([self.settled, *self.waiting])
        else:
            if self.waiting[0].label == self.settled.label:
                self.settled = _together([self.settled, self.waiting.pop(0)])
            self.done.append(self.settled)
            self.settled = _together(self.waiting, label)
        self.waiting = []

    def stop(self) -> None:
        if self.settled is not None:
            self.done.append(_together([self.settled, *self.waiting]))
        elif self.waiting:
            self.done.append(_together(self.waiting, _mean_label(self.waiting)))
        self.settled, self.waiting = None, []


def phases_one_by_one(pieces: list[Piece], dwell: int) -> list[tuple[int, int, int]]:
    """(label, start, end) by the rules of the phases: dwell with back-dating, flicker, train, and breaks of an hour."""
    machine = _Machine(dwell)
    for piece in pieces:
        machine.take(piece)
    machine.stop()
    return [(phase.label, phase.start, phase.end) for phase in machine.done]
