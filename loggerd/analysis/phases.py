"""Stage 3: runs to phases of charge, rest and discharge.

Theory. A run of another label than the phase under way is only a candidate: it waits in `pending` until it has lasted
`dwell_ms`; then it becomes the new phase, back-dated to its own start, and what waited before it belongs to the phase
that ends there. If the old label settles again first, everything that waited is folded into the old phase.
Two more rules, for what real loads do:
- a flicker of one or two readings between two much longer runs of one label does not part them (noise near a
  threshold);
- when nothing settles for `train_ms` (a compressor or a truck that switches faster than the dwell), the waiting runs
  together become one phase, with the label of their mean current.
Everything is decided on closed runs, or on an open run that has already lasted long enough to settle whatever comes:
so any grouping of the readings gives the same phases.
A gap of more than `break_ms`, or of unknown length, ends a phase.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from loggerd.analysis.stretch import Stretch, stretch_from_plain, stretch_to_plain

FLICKER_READINGS = 2
FLICKER_SHARE = 4
"""How many times longer the runs around a flicker have to be; else it is a load that switches."""
BREAK_MS = 3_600_000
"""A gap longer than an hour ends the phase it falls into."""
TRAIN_DWELLS = 5
_LABELS = {-1: "-1", 0: "0", 1: "1"}


@dataclass
class PhaseBuilder:
    """Folds closed runs into phases. `current` is the phase under way, `pending` the runs that wait."""

    dwell_ms: int
    high: int
    current: Stretch | None = None
    pending: list[Stretch] = field(default_factory=list)

    def push(self, runs: list[Stretch]) -> list[Stretch]:
        """Phases that these closed runs settled, in order."""
        phases: list[Stretch] = []
        for run in runs:
            last = self.pending[-1] if self.pending else self.current
            if last is not None and run.start_ms - last.end_ms > BREAK_MS:
                phases.extend(self.finish())
            if run.end_ms - run.start_ms < self.dwell_ms and not run.resumed:
                run.short_runs[_LABELS[run.label]] = [1, run.readings, run.readings**2]
            self._wait(run)
            if self.pending:
                phases.extend(self._decide())
        return phases

    def changes_with(self, run: Stretch) -> bool:
        """Whether a run that is still open settles whatever follows, and ends the phase under way or what waits.

        It has to be so long that no further reading decides whether what came before it was a flicker.
        """
        if not self._lasted(run) or run.readings < FLICKER_SHARE * FLICKER_READINGS:
            return False
        return self.current is None or bool(self.pending) or run.label != self.current.label

    def _lasted(self, run: Stretch) -> bool:
        return run.duration_ms >= self.dwell_ms and run.readings > FLICKER_READINGS

    def finish(self) -> list[Stretch]:
        """End the phase under way where it stands (an end of readings, or a break in them)."""
        if self.current is None and self.pending:
            self.current = self._merged(self.pending, self._mean_label())
        elif self.current is not None:
            self._fold_pending()
        self.pending = []
        phases = [self.current] if self.current is not None else []
        self.current = None
        return phases

    def _wait(self, run: Stretch) -> None:
        if not self.pending and self.current is not None and run.label == self.current.label:
            _join(self.current, run)
            return
        pending = self.pending
        pending.append(run)
        while len(pending) >= 2 and pending[-1].label == pending[-2].label:
            _join(pending[-2], pending.pop())
        if len(pending) >= 3 and pending[-2].readings <= FLICKER_READINGS and self._flickered(*pending[-3:]):
            before, flicker, after = pending[-3:]
            _join(before, flicker)
            _join(before, after)
            del pending[-2:]

    def _flickered(self, before: Stretch, between: Stretch, after: Stretch) -> bool:
        """Whether a run is one or two stray readings between much longer runs of one label."""
        stray = between.readings <= FLICKER_READINGS and between.duration_ms < self.dwell_ms
        least = FLICKER_SHARE * between.readings
        return stray and before.label == after.label and before.readings >= least <= after.readings

    def _decide(self) -> list[Stretch]:
        last = self.pending[-1]
        if self._lasted(last):
            return self._settle()
        if last.end_ms - self.pending[0].start_ms >= TRAIN_DWELLS * self.dwell_ms:
            return self._settle_train()
        return []

    def _settle(self) -> list[Stretch]:
        """The last waiting run has lasted: it is the phase from its own start on."""
        last = self.pending.pop()
        if self.current is None:
            self.current = self._merged([*self.pending, last], last.label)
            self.pending = []
            return []
        self._fold_pending()
        if last.label == self.current.label:
            _join(self.current, last)
            return []
        return [self._end_with(last)]

    def _settle_train(self) -> list[Stretch]:
        """Nothing settles: the waiting runs together are one phase, by their mean current."""
        label = self._mean_label()
        if self.current is None:
            self.current = self._merged(self.pending, label)
            self.pending = []
            return []
        if label == self.current.label:
            self._fold_pending()
            return []
        while self.pending and self.pending[0].label == self.current.label:
            _join(self.current, self.pending.pop(0))
        ended = self._end_with(self._merged(self.pending, label))
        self.pending = []
        return [ended]

    def _end_with(self, following: Stretch) -> Stretch:
        """End the phase under way at the start of the one that follows."""
        assert self.current is not None
        ended, self.current = self.current, following
        ended.last_jump = following.first_jump
        return ended

    def _mean_label(self) -> int:
        charge2 = sum(run.charge2 for run in self.pending)
        time2 = sum(run.time2 for run in self.pending)
        if abs(charge2) <= self.high * time2:
            return 0
        return 1 if charge2 > 0 else -1

    def _merged(self, runs: list[Stretch], label: int) -> Stretch:
        merged = runs[0]
        merged.label = label
        for run in runs[1:]:
            _join(merged, run)
        return merged

    def _fold_pending(self) -> None:
        assert self.current is not None
        for run in self.pending:
            _join(self.current, run)
        self.pending = []

    def to_plain(self) -> dict[str, object]:
        return {
            "current": stretch_to_plain(self.current) if self.current else None,
            "pending": [stretch_to_plain(run) for run in self.pending],
        }

    def load_plain(self, plain: dict[str, object]) -> None:
        current, pending = plain["current"], plain["pending"]
        self.current = stretch_from_plain(current) if isinstance(current, dict) else None
        assert isinstance(pending, list)
        self.pending = [stretch_from_plain(run) for run in pending]


def _join(stretch: Stretch, later: Stretch) -> None:
    """Absorb a later stretch; the time between them, if any, was not measured."""
    if later.start_ms > stretch.end_ms:
        stretch.lost_ms += later.start_ms - stretch.end_ms
    stretch.absorb(later)
