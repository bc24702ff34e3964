"""How deep a bank was drawn in the last weeks by counted amp-hours: slow or cold discharges show little in voltage."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.events import Capacity, Event, SinceFull, open_doubts
from loggerd.analysis.findings.limits_deep import WINDOW_MS
from loggerd.analysis.findings.limits_left import COUNT_DOUBT, RATED_DOUBT
from loggerd.analysis.findings.limits_specs import COUNTED
from loggerd.analysis.frames import DAY_MS, FRAME_MS
from loggerd.model.finding import Finding, Grade

_LONGEST_GAP_MS = 12 * FRAME_MS
"""Without readings since full; own: more may hide a charge."""
_AGREEING_CHARGE = 0.3
"""A bank whose voltage, with the sag of the load put back, shows more charge than this was not drawn so far, whatever
was counted: the scale of the current may be wrong. Own; a discharge shows rather too little."""
_TOLD_AGAIN = 0.05
_KEPT = 8


@dataclass
class _State:
    """`draws`: of each deep draw when the bank had been full, its first and latest instant [ms], share drawn with its
    half width, 1 if the capacity was measured. `told`: verdict and share. `doubts`: checks that doubt the current."""

    draws: list[list[float]] = field(default_factory=list)
    told: list[Any] = field(default_factory=lambda: ["", 0.0])
    doubts: list[str] = field(default_factory=list)


class DrawnByCount:
    """Compares what has gone out since the bank was full with what it holds. What charges lose is not counted as drawn,
    so that the share errs on the small side."""

    def __init__(self, ground: Ground) -> None:
        self._bank = ground.bank
        accuracy = ground.accuracy.get("amps")
        self._offset_amps = (accuracy.offset or 0.0) if accuracy else 0.0
        self._gain = (accuracy.gain or 0.0) if accuracy else 0.0
        self.state = _State()

    def push(
        self, moment: Moment, capacity: Callable[[], Capacity | None], without_load: Callable[[Moment], float]
    ) -> list[Finding]:
        """Asked for only where much was drawn: `capacity`, the latest that a discharge has shown; `without_load`, volts
        per cell with the load's sag put back."""
        state, frame = self.state, moment.frame
        if moment.events:
            self._hear(moment.events)
        while state.draws and frame.end_ms - state.draws[0][2] > WINDOW_MS:
            del state.draws[0]
        since = moment.since_full
        if since is not None and self._is_fit(moment, since):
            self._note(moment, since, capacity(), without_load)
        if not state.draws and state.told[0] in ("", "within"):
            return []
        return self._judge(moment)

    def _hear(self, events: Sequence[Event]) -> None:
        """What was counted with a current in doubt is dropped, and nothing is counted until the doubt has ended."""
        state = self.state
        state.doubts = open_doubts(state.doubts, events, "amps")
        if state.doubts:
            state.draws = []

    def _is_fit(self, moment: Moment, since: SinceFull) -> bool:
        limits = moment.limits
        if since.net_out_amp_hours < limits["deepest_draw_fraction"] * self._bank.rated_amp_hours / 2.0:
            return False
        return since.gap_ms <= _LONGEST_GAP_MS and not self.state.doubts

    def _note(
        self, moment: Moment, since: SinceFull, capacity: Capacity | None, without_load: Callable[[Moment], float]
    ) -> None:
        """Takes down a draw that is deep by its count, and by the voltage: that one is asked last, being dear."""
        share, half = self._share(since, capacity, moment.frame.end_ms)
        if share - half < moment.limits["deepest_draw_fraction"]:
            return
        flat, full = moment.limits["rest_volts_flat"], moment.limits["rest_volts_full"]
        if not without_load(moment) < flat + _AGREEING_CHARGE * (full - flat):
            return
        draws, measured = self.state.draws, float(capacity is not None)
        end_ms = moment.frame.end_ms
        if draws and draws[-1][0] == since.at_ms:
            draws[-1][2] = end_ms
            if share > draws[-1][3]:
                draws[-1][3:] = [share, half, measured]
            return
        draws.append([since.at_ms, moment.frame.start_ms, end_ms, share, half, measured])
        del draws[:-_KEPT]

    def _share(self, since: SinceFull, capacity: Capacity | None, end_ms: int) -> tuple[float, float]:
        """Of the capacity, with its 95 % half width: by the capacity, the count, the sensor's offset and gain."""
        if capacity is None:
            holds, doubt = self._bank.rated_amp_hours, RATED_DOUBT
        else:
            holds = capacity.amp_hours
            doubt = max(capacity.high - holds, holds - capacity.low) / holds
        share = since.net_out_amp_hours / holds
        drift = self._offset_amps * (end_ms - since.at_ms) / 3_600_000 / holds
        gain = self._gain * (since.out_amp_hours + since.in_amp_hours) / holds
        return share, math.hypot(doubt * share, COUNT_DOUBT, drift, gain)

    def _judge(self, moment: Moment) -> list[Finding]:
        state, days = self.state, WINDOW_MS // DAY_MS
        if not state.draws:
            return self._tell_none(moment, days)
        share, half, measured = max(row[3:] for row in state.draws)
        verdict = "once" if len(state.draws) == 1 else "repeatedly"
        if verdict == state.told[0] and abs(share - state.told[1]) < _TOLD_AGAIN:
            return []
        state.told = [verdict, share]
        holds = "the capacity that its discharges have shown" if measured else "the rated capacity"
        often = "once" if len(state.draws) == 1 else f"{len(state.draws)} times"
        return [
            tell(
                moment.frame, COUNTED.name, verdict,
                f"drawn {often} in the last {days} days by more than it should be, by amp-hours since it was full "
                f"against {holds}",
                grade=Grade.OBSERVED if measured else Grade.INFERRED, value=100.0 * share,
                band=(100.0 * (share - half), 100.0 * (share + half)), since_ms=int(state.draws[0][1]),
                spans=tuple((int(row[1]), int(row[2])) for row in state.draws[-5:]),
                details=figures(draws=float(len(state.draws))),
            )
        ]  # fmt: skip

    def _tell_none(self, moment: Moment, days: int) -> list[Finding]:
        """What was told has gone: in time, or since the current it rests on is doubted."""
        state = self.state
        word = "cannot_tell" if state.doubts else "within"
        if state.told[0] in ("", "within", word):
            return []
        state.told = [word, 0.0]
        if state.doubts:
            reason = f"the current is doubted ({', '.join(state.doubts)})"
            return [tell(moment.frame, COUNTED.name, word, reason, grade=Grade.CANNOT_TELL)]
        return [tell(moment.frame, COUNTED.name, word, f"no such draw was counted in the last {days} days")]

    def to_plain(self) -> dict[str, Any]:
        return asdict(self.state)

    def load_plain(self, plain: Mapping[str, Any]) -> None:
        self.state = _State(**plain)
