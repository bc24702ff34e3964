"""Finds rests by itself, and reads them: where the voltage settles, the state of charge, and what leaks away."""

from __future__ import annotations

from math import hypot
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import ChargeEnded, Rested
from loggerd.analysis.findings.full_charge_reading import Limits, Reading, offset_amps, reading_at, volts_error
from loggerd.analysis.findings.full_charge_robust import slope_with_band
from loggerd.analysis.findings.full_charge_telling import Said, Teller, cannot_tell
from loggerd.analysis.findings.rest_charge import state_half_width, state_of_charge, unbounded_state
from loggerd.analysis.findings.rest_extrapolation import GRID_MINUTES, Settled, extrapolate
from loggerd.analysis.findings.rest_light_load import LightLoad
from loggerd.analysis.findings.rest_load import IdleLoad
from loggerd.analysis.findings.rest_specs import AFTER_FULL, SELF_DISCHARGE, SPECS, STATE_OF_CHARGE
from loggerd.analysis.findings.rest_stratification import Stratification
from loggerd.analysis.findings.rest_sulfation import Sulfation
from loggerd.analysis.findings.rest_window import WHOLE_FRAMES, Window
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.finding import Finding, Grade

__all__ = ["SPECS", "Rest"]

_STILL = 0.004
_PEAKS = 5
_MEMORY = 0.85
_LONGEST_GAP = 6
_KEPT_CURVES = 7
_OHM_AMP_HOURS = 1.0
"""Slow resistance of a cell [ohm Ah], by which a leak may pull its voltage down; common practice, no source."""
_STILL_FULL = 0.01
_SETTLED_HALF = 0.004
_AGREEING = 2
_AGAIN_DAYS = 30
_PERCENT = (0.0, 100.0)
_WORDS = {"A": "settled", "B": "fair", "C": "rough"}


class Rest:
    """See the module. `_curves`: whole rests by what came before; `_held`: a charger holds the idle bank."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._rated = ground.bank.rated_amp_hours
        self._cells = ground.bank.cells_in_series
        self._window: Window | None = None
        self._held = False
        self._before = 0.0
        self._curves: dict[str, list[list[float]]] = {"charge": [], "discharge": []}
        self._below = 0
        self._day = -1
        self._rested_ms = 0
        self._missing_ms = 0
        self._load = IdleLoad(ground)
        self._light_load = LightLoad(ground)
        self._sulfation = Sulfation(ground)
        self._stratification = Stratification(ground)
        self._teller = Teller()
        self._limits: Limits | None = None
        self._above = self._leak = 0.0
        """By these limits: volts per cell at which no bank rests for long, and the most that flows in a rest [A]."""

    def push(self, moment: Moment) -> list[Finding]:
        frame, limits = moment.frame, moment.limits
        if limits is not self._limits:
            self._limits, self._above = limits, self._charging_volts(limits)
            self._leak = max(limits["rest_leak_fraction"] * self._rated, offset_amps(self._ground, limits))
        self._rested_ms = self._rested_ms or frame.start_ms
        found: list[Finding] = []
        if moment.entries or moment.events:
            self._hear(moment)
        if frame.after_unknown or frame.missed > _LONGEST_GAP:
            found.extend(self._over(moment))
        if lightly := self._light_load.add(frame, limits):
            moment.events.append(lightly)
            found.extend(self._sulfation.lightly_loaded(lightly, self._teller, moment))
        reading = reading_at(moment, self._cells)
        if reading is not None:
            above = self._above
            self._stratification.add(frame, reading, limits)
            self._load.add(reading, reading.width, above)
            if abs(reading.amps) <= self._leak and self._has_no_peaks(frame):
                found.extend(self._idle(moment, reading, above))
            else:
                if self._window is not None:
                    found.extend(self._over(moment))
                self._held = False
                self._before = _MEMORY * self._before + frame.amp_hours
        day = frame.end_ms // DAY_MS
        if day != self._day:
            if self._day >= 0:
                found.extend(self._new_day(moment))
            self._day = day
        return found

    def _hear(self, moment: Moment) -> None:
        if moment.entries:
            self._sulfation.entered(moment)
        for event in moment.events:
            if isinstance(event, ChargeEnded):
                self._sulfation.charged(event, self._stratification.gassed_ms)
                self._light_load.charged(event)

    @staticmethod
    def _charging_volts(limits: Limits) -> float:
        """No resting bank stands above this for long."""
        return (limits["rest_volts_full"] + limits["float_volts_per_cell"]) / 2

    def _has_no_peaks(self, frame: Frame) -> bool:
        return frame.high_list[0] <= _PEAKS * self._leak and frame.low_list[0] >= -_PEAKS * self._leak

    def _idle(self, moment: Moment, reading: Reading, above: float) -> list[Finding]:
        if self._held:
            self._held = reading.at_reference >= above
            if self._held:
                return []
        window = self._window
        if window is None:
            after = "charge" if self._before >= 0 else "discharge"
            start_ms = moment.frame.start_ms
            window = self._window = Window(start_ms, after, self._after_full(moment) if after == "charge" else "")
        window.add(moment.frame, reading, moment.limits)
        if not window.told and window.is_held(above, _STILL):
            self._window, self._held = None, True
            return []
        if window.frames == WHOLE_FRAMES:
            window.told = True
            return self._read(window, moment)
        return []

    def _after_full(self, moment: Moment) -> str:
        """How sure it is that the charge before ended full; empty where it is not."""
        since = moment.since_full
        if since is None or since.net_out_amp_hours > _STILL_FULL * self._rated:
            return ""
        return "proven" if since.proven or since.block_behind else "likely"

    def _over(self, moment: Moment) -> list[Finding]:
        """The rest is over."""
        window, self._window = self._window, None
        if window is None or window.hours < moment.limits["rest_hours_least"]:
            return []
        found = [] if window.told else self._read(window, moment)
        found.extend(self._lost(window, moment))
        return found

    # -- a rest that is read --

    def _read(self, window: Window, moment: Moment) -> list[Finding]:
        limits = moment.limits
        curves = self._curves[window.after]
        try:
            settled = extrapolate(window.volts, curves, window.after == "charge")
        except ValueError:
            return []
        if settled.volts >= self._charging_volts(limits):
            return []
        if len(window.volts) == len(GRID_MINUTES):
            self._curves[window.after] = [*curves, window.volts][-_KEPT_CURVES:]
        half = hypot(settled.half_width, _OHM_AMP_HOURS * window.leak_amps / self._rated)
        whole = hypot(half, limits["rest_volts_error"], volts_error(self._ground, limits, settled.volts))
        state = state_of_charge(settled.volts, limits)
        width = state_half_width(settled.volts, whole, limits)
        grade = _grade(window, settled, limits)
        end_ms = window.start_ms + round(3_600_000 * window.hours)
        rested = Rested(
            window.start_ms, end_ms, window.hours, settled.volts, half, grade, window.leak_amps, window.celsius,
            tuple(window.blocks), window.after, window.after_full, state, width,
        )  # fmt: skip
        moment.events.append(rested)
        self._stratification.rested(rested)
        self._rested_ms = end_ms
        found = self._teller.tell(_state(window, settled, (state, width), grade, end_ms), moment)
        if window.after_full == "proven":
            found.extend(self._compare_full(window, (state, width), grade, moment))
        found.extend(self._sulfation.rested(rested, self._teller, moment))
        found.extend(self._load.rested(window.leak_amps, window.hours, self._teller, moment))
        return found

    def _compare_full(self, window: Window, state: tuple[float, float], grade: str, moment: Moment) -> list[Finding]:
        value, width = state
        least = moment.limits["full_rest_state_least_fraction"]
        seen = f"{100 * value:.0f} % ± {100 * width:.0f} % after {window.hours:.1f} hours of rest; "
        seen += f"at least {100 * least:.0f} % is expected"
        if grade == "C":
            return self._teller.news(cannot_tell(AFTER_FULL.name, f"The rest was too short: {seen}."), moment)
        below = value + width < least
        self._below = self._below + 1 if below else 0
        if 0 < self._below < _AGREEING:
            return self._teller.news(cannot_tell(AFTER_FULL.name, f"Another rest must agree: {seen}."), moment)
        if not below and value < least:
            return self._teller.news(cannot_tell(AFTER_FULL.name, f"The band is too wide: {seen}."), moment)
        verdict = "contradicted" if below else "confirmed"
        said = Said(AFTER_FULL.name, verdict, f"{seen}.", Grade.OBSERVED, 100 * value, 100 * width, within=_PERCENT)
        return self._teller.news(said, moment, 3.0)

    # -- rests of days --

    def _lost(self, window: Window, moment: Moment) -> list[Finding]:
        """Self-discharge, from the voltages of whole days but the first."""
        limits = moment.limits
        rows = [row for row in window.days if row[0] is not None and row[1] is not None]
        if window.hours < 24 * limits["self_discharge_days_least"] or len(rows) < 3:
            return []
        days = [float(row[0] or 0.0) for row in rows]
        states = [100 * unbounded_state(float(row[1] or 0.0), limits) for row in rows]
        slope, half, _ = slope_with_band(days, states)
        half = hypot(half, 100 * 24 * offset_amps(self._ground, limits) / self._rated)
        loss = -slope + 2400 * window.leak_amps / self._rated
        warm = [row[2] for row in rows if row[2] is not None]
        mean = sum(warm) / len(warm) if warm else 25.0
        growth: float = 2.0 ** ((mean - 25.0) / limits["self_discharge_doubling_kelvin"])
        usual = 100 * limits["self_discharge_per_day"] * growth
        reason = f"In {window.hours / 24:.1f} days of rest at {mean:.0f} °C; {usual:.2f} % a day is usual then."
        high = loss - half > limits["self_discharge_high_factor"] * usual
        if not high and loss + half > limits["self_discharge_high_factor"] * usual:
            return self._teller.news(cannot_tell(SELF_DISCHARGE.name, f"The band is too wide. {reason}"), moment)
        verdict = "high" if high else "usual"
        span = (window.start_ms, moment.frame.start_ms)
        said = Said(SELF_DISCHARGE.name, verdict, reason, value=loss, half_width=half, span=span)
        return self._teller.tell(said, moment)

    def _new_day(self, moment: Moment) -> list[Finding]:
        found = self._load.day_ended(self._teller, moment)
        found.extend(self._stratification.day_ended(self._teller, moment))
        now = moment.frame.end_ms
        if self._window is not None:
            return found
        missing = now - self._rested_ms > moment.limits["rest_missing_days"] * DAY_MS
        if missing and now - self._missing_ms > _AGAIN_DAYS * DAY_MS:
            self._missing_ms = now
            least = moment.limits["rest_hours_least"]
            days = (now - self._rested_ms) / DAY_MS
            reason = f"No rest of {least:g} hours for {days:.0f} days: loads or a charger were always on."
            found.extend(self._teller.tell(cannot_tell(STATE_OF_CHARGE.name, reason), moment))
        return found

    # -- state --

    def to_plain(self) -> dict[str, Any]:
        return {
            "window": None if self._window is None else self._window.to_plain(),
            "held": self._held,
            "before": self._before,
            "curves": self._curves,
            "below": self._below,
            "day": self._day,
            "rested_ms": self._rested_ms,
            "missing_ms": self._missing_ms,
            "load": self._load.to_plain(),
            "light_load": self._light_load.to_plain(),
            "sulfation": self._sulfation.to_plain(),
            "stratification": self._stratification.to_plain(),
            "told": self._teller.last,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._window = Window.from_plain(plain["window"])
        self._held, self._before, self._curves = plain["held"], plain["before"], plain["curves"]
        self._below, self._day = plain["below"], plain["day"]
        self._rested_ms, self._missing_ms = plain["rested_ms"], plain["missing_ms"]
        self._load.load_plain(plain["load"])
        self._light_load.load_plain(plain["light_load"])
        self._sulfation.load_plain(plain["sulfation"])
        self._stratification.load_plain(plain["stratification"])
        self._teller = Teller(plain["told"])


def _grade(window: Window, settled: Settled, limits: Limits) -> str:
    if window.hours >= limits["rest_hours_settled"]:
        return "A"
    if settled.by == "curve" and settled.half_width <= _SETTLED_HALF:
        return "A"
    return "B" if window.hours >= limits["rest_hours_fair"] else "C"


def _state(window: Window, settled: Settled, state: tuple[float, float], grade: str, end_ms: int) -> Said:
    how = {
        "reading": "read",
        "curve": "extrapolated by the bank's own earlier rests",
        "formula": "extrapolated by its slope",
    }[settled.by]
    reason = (
        f"{settled.volts:.3f} V per cell at 25 °C, {how}, ± {1000 * settled.half_width:.0f} mV, after "
        f"{window.hours:.1f} hours of rest that followed a {window.after}."
    )
    numbers = {
        "volts_per_cell": settled.volts,
        "volts_half_width": settled.half_width,
        "hours": window.hours,
        "leak_amps": window.leak_amps,
        "celsius": window.celsius,
    }
    kind = Grade.OBSERVED if grade == "A" else Grade.INFERRED
    span = (window.start_ms, end_ms)
    return Said(
        STATE_OF_CHARGE.name,
        _WORDS[grade],
        reason,
        kind,
        100 * state[0],
        100 * state[1],
        span=span,
        numbers=numbers,
        within=_PERCENT,
    )
