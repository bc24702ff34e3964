"""Thermal runaway: at constant voltage the current rises instead of falling, and the blocks warm, away from the air.

A ladder of watch, act, stop. A hot day warms the air first, so the blocks must gain on the air; the warm-up of a charge
has a falling current or a rising voltage. Near the end: heat that doubles every 10 K outgrows what the air takes from
I = 10 K / (ln 2 · V · R) on. The other rules are own studies by simulation, see the limits.

A current that is doubted, or that scatters so much that the rise may be chance, is no witness. Then the temperature
must say so by itself, in two windows of which the later one warms no less than the earlier: the warm-up of a charge
slows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.events import Event, open_doubts
from loggerd.analysis.findings.heat_formulas import amps_at_25, critical_amps
from loggerd.analysis.findings.heat_hold import Hold, Point
from loggerd.analysis.findings.heat_warmth import Warmth
from loggerd.analysis.frames import DAY_MS, FRAME_MS, Frame
from loggerd.model.finding import Finding, Grade

RUNGS = ("calm", "watch", "act", "stop")
_LEAST_AMPS = 0.0005
"""Share of the rated amp-hours: a smaller current is lost in the zero offset of a sensor."""
_FLAT_VOLTS = 0.002
"""Per cell: a voltage that rises by more would raise the current by itself."""
_WARM_WITHOUT_AIR = 35.0
_FLOAT_HOURS = 12.0
_SAME_VOLTS = 0.015
_KEPT_DAYS = 60
_BASELINE_DAYS = 14
_QUIET_HOURS, _CALM_HOURS = 36, 168
"""Without evidence for so long, a rung comes down to watch, and to calm: what made it will be there tomorrow."""
_CLEAR_FRAMES, _CLEAR_HALVES = 1.25, 0.5
"""A rise is clear from so many times the width of five readings on, about 2.33 standard deviations: 4.5 times what the
difference of two means of five, and of thirty, has by chance at one reading a minute."""
_STEADY_SHARE = 0.4
"""A current that scatters by more of itself does not show that it has not fallen: a tenth is 2 standard deviations."""
_NO_WITNESS = ("meter.channel", "meter.current_sign", "meter.bypass")
"""Checks whose doubt makes a rise of the current worth nothing. A wrong scale or zero makes no rise."""
_FAR_OVER = 2.0
"""So many times what sealed blocks may be above the air: then no error of a current sensor explains what was seen."""
_GRAVE = RUNGS.index("act")
_LEAST_OVER = 2.0
"""Kelvin above the air from which a thermal resistance can be learned."""


@dataclass(frozen=True)
class _Seen:
    """A sign: its rung, in words, and whether the current stands out from its own scatter (`clear`)."""

    rung: int
    words: str
    clear: bool


@dataclass
class _State:
    rung: int = -1
    evidence_ms: int = 0
    since_ms: int = 0
    days: list[list[float]] = field(default_factory=list)
    """Volts per cell and float current at 25 °C of the last days."""
    told_day: int = -1
    kelvin_per_watt: float | None = None
    frames: int = 0
    blind: bool = False
    doubts: list[str] = field(default_factory=list)
    """Checks that doubt the current so that its rise is no witness."""
    warmed: bool = False
    """Whether the temperature by itself spoke for the rung as well."""
    unsure_ms: int = 0
    """When a rise was last seen that nothing vouches for; 0 where none stands."""


class Runaway:
    """The ladder over the stretches of constant voltage."""

    def __init__(self, ground: Ground) -> None:
        bank = ground.bank
        self._cells, self._strings = bank.cells_in_series, bank.strings
        self._least = _LEAST_AMPS * bank.rated_amp_hours
        self._sealed = bank.type.sealed
        self._hold = Hold()
        self.state = _State()

    def push(self, moment: Moment, warmth: Warmth | None) -> list[Finding]:
        state, frame = self.state, moment.frame
        if moment.events:
            self._hear(moment.events)
        state.frames += 1
        if warmth is None:
            return self._blind(moment)
        state.blind, state.frames = False, 0
        hot = state.rung > 0 and frame.amps > self._least and warmth.mean > _WARM_WITHOUT_AIR
        if hot and _over(frame, warmth, moment.limits, 1.0):
            # Blocks that stay hot on charge without a further rise burn at a standstill: that is not over.
            state.evidence_ms = frame.end_ms
            state.warmed = state.warmed or _over(frame, warmth, moment.limits, _FAR_OVER)
        if state.doubts and state.rung > 0 and not state.warmed:
            return self._unsure(moment)
        if not self._hold.push(frame, self._cells, self._least, warmth.mean):
            return self._settle(moment, None)
        seen = self._evidence(moment.limits, warmth)
        if self._hold.half_hour_is_new and self._hold.hours >= _FLOAT_HOURS:
            self._learn(frame.start_ms // DAY_MS)
        if seen is not None:
            # What has vouched for a rung once does so as long as it stands.
            state.warmed = (state.warmed and state.rung > 0) or self._warms_by_itself(moment.limits)
        if seen is None or state.warmed or (seen.clear and not state.doubts):
            return self._settle(moment, seen)
        return self._settle(moment, None) if state.rung > 0 else self._unsure(moment)

    def _hear(self, events: Sequence[Event]) -> None:
        doubts = open_doubts(self.state.doubts, events, "amps")
        self.state.doubts = [one for one in doubts if one in _NO_WITNESS]

    def _blind(self, moment: Moment) -> list[Finding]:
        if self.state.blind or self.state.frames < 288:
            return []
        if self.state.rung >= _GRAVE and moment.frame.end_ms - self.state.evidence_ms < _CALM_HOURS * 3_600_000:
            # Probes that give out in such heat are no sign that it is over.
            return []
        self.state.blind, self.state.rung, self.state.unsure_ms = True, -1, 0
        reason = "needs the temperature of at least one block"
        return [tell(moment.frame, "heat.runaway", "cannot_tell", reason, grade=Grade.CANNOT_TELL)]

    def _unsure(self, moment: Moment) -> list[Finding]:
        """A rise that only a doubtful current tells of."""
        state, frame = self.state, moment.frame
        news = state.rung > 0 or not state.unsure_ms
        state.rung, state.unsure_ms = -1, frame.end_ms
        if not news:
            return []
        why = f"is doubted ({', '.join(state.doubts)})" if state.doubts else "scatters as much as it rises"
        reason = f"a rise of the current was read, but the current {why}, and the temperature alone does not show it"
        return [tell(frame, "heat.runaway", "cannot_tell", reason, grade=Grade.CANNOT_TELL)]

    def _warms_by_itself(self, limits: Mapping[str, float]) -> bool:
        """Whether the temperature rises as in a runaway, whatever the current says: twice, and no less the second
        time."""
        halves = self._hold.halves
        longer = halves[-1 :: -round(2 * limits["runaway_window_hours"])][2::-1]
        return any(len(ends) == 3 and _warms(ends, limits) for ends in (self._hold.an_hour_apart(), longer))

    def _evidence(self, limits: Mapping[str, float], warmth: Warmth) -> _Seen | None:
        """What this frame speaks for; None without a sign."""
        hold = self._hold
        seen = self._fast(limits) or self._hourly(limits) or (self._slow(limits) if hold.half_hour_is_new else None)
        if seen is None:
            return None
        now, rung = hold.points[-1], seen.rung
        if now.over is not None and now.over > limits["celsius_over_ambient"]:
            rung = max(rung, 2)
        if warmth.high > limits["celsius_no_charge"] or self._near_critical(now, limits):
            rung = 3
        return replace(seen, rung=rung)

    def _fast(self, limits: Mapping[str, float]) -> _Seen | None:
        """A rise within the fast window, step for step and without a dip."""
        steps = round(limits["runaway_fast_minutes"] * 60_000 / FRAME_MS)
        points = self._hold.points[-steps - 1 :]
        if len(points) <= steps or self._hold.unbroken <= steps:
            return None
        if points[-1].amps < points[0].amps * (1.0 + limits["runaway_fast_rise"]):
            return None
        falls = sum(later.amps <= one.amps for one, later in pairwise(points))
        if falls > 1 or not _rises(points[0], points[-1], limits["runaway_fast_rise"], limits):
            return None
        clear = points[-1].amps - points[0].amps >= _CLEAR_FRAMES * points[0].width
        return _Seen(2, _words(points[0], points[-1], steps / 12), clear)

    def _hourly(self, limits: Mapping[str, float]) -> _Seen | None:
        """Two windows of an hour, one after the other."""
        points = self._hold.points
        if len(points) < 13 or points[-1].amps < points[-13].amps:
            return None
        ends = self._hold.an_hour_apart()
        return _twice(2, ends, 1.0, limits) if ends else None

    def _slow(self, limits: Mapping[str, float]) -> _Seen | None:
        """Two windows of six hours, one after the other (watch); sealed and far above the air while warming (act); a
        float current far above the bank's own (watch)."""
        halves, hours = self._hold.halves, limits["runaway_window_hours"]
        ends = halves[-1 :: -round(2 * hours)][2::-1]
        if len(ends) == 3 and (seen := _twice(1, ends, hours, limits)):
            return seen
        now = halves[-1]
        if self._sealed and now.over is not None and now.over > limits["celsius_over_ambient"] and len(halves) >= 5:
            before = halves[-5]
            if now.celsius - before.celsius > limits["runaway_kelvin"] and now.amps >= before.amps:
                return _Seen(2, _words(before, now, 2.0), clear=before.width < _STEADY_SHARE * before.amps)
        usual = self._usual(now.volts)
        if usual is not None and self._hold.hours >= _FLOAT_HOURS:
            corrected = amps_at_25(now.amps, now.celsius)
            if corrected > limits["float_current_factor"] * max(usual, self._least):
                words = f"float current at 25 °C is {corrected:.2f} A; the bank's own is {usual:.2f} A"
                return _Seen(1, words, corrected - usual >= _CLEAR_HALVES * now.width)
        return None

    def _near_critical(self, now: Point, limits: Mapping[str, float]) -> bool:
        margin = self._critical_share(now)
        return margin is not None and margin > limits["runaway_margin_fraction"]

    def _critical_share(self, now: Point) -> float | None:
        if self.state.kelvin_per_watt is None:
            return None
        return now.amps / self._strings / critical_amps(now.volts, self.state.kelvin_per_watt)

    def _usual(self, volts: float) -> float | None:
        """The bank's own float current at 25 °C and this voltage; None until it is known."""
        known = sorted(amps for held, amps in self.state.days if abs(held - volts) < _SAME_VOLTS)
        return known[len(known) // 2] if len(known) >= _BASELINE_DAYS else None

    def _learn(self, day: int) -> None:
        """Once a day of long float: its current, and what a watt warms a cell by."""
        state, halves = self.state, self._hold.halves[-24:]
        if day == state.told_day or state.rung > 0:
            return
        state.told_day = day
        mean = Point.mean(halves)
        corrected = sum(amps_at_25(one.amps, one.celsius) for one in halves) / len(halves)
        state.days = [*state.days[1 - _KEPT_DAYS :], [mean.volts, corrected]]
        steady = abs(halves[-1].celsius - halves[0].celsius) < 1.0
        if mean.over is None or mean.over < _LEAST_OVER or not steady or self._hold.hours < 24.0:
            return
        found = mean.over / (mean.volts * mean.amps / self._strings)
        old = state.kelvin_per_watt
        state.kelvin_per_watt = found if old is None else old + 0.1 * (found - old)

    def _settle(self, moment: Moment, seen: _Seen | None) -> list[Finding]:
        """Tell a rung that is new; come down only after hours without evidence."""
        state, frame, hold = self.state, moment.frame, self._hold
        rung, reason = (seen.rung, seen.words) if seen is not None else (0, "")
        if rung > 0:
            if state.rung <= 0:
                state.since_ms = max(hold.start_ms, frame.end_ms - round(2 * _window_ms(moment.limits)))
            state.evidence_ms = frame.end_ms
        unsure = state.unsure_ms and (state.doubts or frame.end_ms - state.unsure_ms < _QUIET_HOURS * 3_600_000)
        first_look = state.rung < 0 and hold.hours >= 2.0 and not unsure
        quiet_hours = (frame.end_ms - state.evidence_ms) / 3_600_000
        quiet = rung == 0 and state.rung > 1 and quiet_hours > _QUIET_HOURS
        calm = rung == 0 and state.rung > 0 and quiet_hours > _CALM_HOURS
        if rung <= max(state.rung, 0) and not (first_look or quiet or calm):
            return []
        if quiet and not calm:
            rung, reason = 1, f"no rise for {quiet_hours:.0f} h; what made the last one may be there still"
        if rung == 0:
            reason = "at constant voltage the current falls or stays while the blocks' temperature goes its way"
        state.rung, state.unsure_ms = rung, 0
        state.warmed = state.warmed and rung > 0
        since = state.since_ms if rung else None
        now = hold.points[-1] if hold.points else None
        usual = self._usual(now.volts) if now else None
        details = figures(
            amps=now.amps if now else None,
            celsius=now.celsius if now else None,
            kelvin_above_air=now.over if now else None,
            usual_float_amps_at_25=usual,
            share_of_critical_amps=self._critical_share(now) if now else None,
        )
        spans = ((state.since_ms, frame.end_ms),) if rung else ()
        value = now.over if now else None
        return [
            tell(
                frame, "heat.runaway", RUNGS[rung], reason, value=value, since_ms=since, spans=spans, details=details
            )
        ]  # fmt: skip

    def to_plain(self) -> dict[str, Any]:
        return {"state": dict(vars(self.state)), "hold": self._hold.to_plain()}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.state, self._hold = _State(**plain["state"]), Hold.from_plain(plain["hold"])


def _window_ms(limits: Mapping[str, float]) -> float:
    return limits["runaway_window_hours"] * 3_600_000


def _over(frame: Frame, warmth: Warmth, limits: Mapping[str, float], times: float) -> bool:
    """Whether the blocks are above the air by so many times what they may be; not where the air is not read."""
    return warmth.mean - frame.ambient_celsius > times * limits["celsius_over_ambient"]


def _rises(before: Point, after: Point, share: float, limits: Mapping[str, float]) -> bool:
    """Current and temperature have risen at a voltage that has not, and the blocks have gained on the air."""
    if after.amps < before.amps * (1.0 + share) or after.volts > before.volts + _FLAT_VOLTS:
        return False
    if after.celsius - before.celsius < limits["runaway_kelvin"]:
        return False
    if before.over is None or after.over is None:
        return after.celsius > _WARM_WITHOUT_AIR
    return after.over > limits["runaway_over_ambient"] and after.over >= before.over


def _twice(rung: int, ends: Sequence[Point], hours: float, limits: Mapping[str, float]) -> _Seen | None:
    """A rise from the first to the second of three half hours, and again to the third."""
    pairs, rise = tuple(pairwise(ends)), limits["runaway_rise"]
    if not all(_rises(before, after, rise, limits) for before, after in pairs):
        return None
    clear = all(after.amps - before.amps >= _CLEAR_HALVES * before.width for before, after in pairs)
    return _Seen(rung, _words(ends[0], ends[2], 2 * hours), clear)


def _warms(ends: Sequence[Point], limits: Mapping[str, float]) -> bool:
    first, second, third = ends
    if max(second.volts, third.volts) > first.volts + _FLAT_VOLTS:
        return False
    if not limits["runaway_kelvin"] <= second.celsius - first.celsius <= third.celsius - second.celsius:
        return False
    if first.over is None or second.over is None or third.over is None:
        return third.celsius > _WARM_WITHOUT_AIR
    return third.over > limits["runaway_over_ambient"] and first.over <= second.over <= third.over


def _words(before: Point, after: Point, hours: float) -> str:
    air = "" if after.over is None else f", {after.over:.1f} K above the air"
    return (
        f"within {hours:.1f} h at constant voltage the current went from {before.amps:.2f} to {after.amps:.2f} A and "
        f"the blocks from {before.celsius:.1f} to {after.celsius:.1f} °C{air}"
    )
