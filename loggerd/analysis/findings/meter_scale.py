"""Is the current's scale right? Amp-hours against the change of the rested voltage, and ohms against the bank's size.

A scale is wrong from the start or from one moment on; what creeps over weeks is the battery.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.course import Course
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.meter_common import (
    FRAMES_PER_DAY,
    FRAMES_PER_HOUR,
    Facts,
    Look,
    Teller,
    Told,
    correction,
)
from loggerd.analysis.frames import DAY_MS, FRAME_MS
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure
from loggerd.model.marks import Mark

_CURVE = (
    (0.0, "rest_volts_flat"),
    (0.25, "rest_volts_25"),
    (0.5, "rest_volts_50"),
    (0.75, "rest_volts_75"),
    (1.0, "rest_volts_full"),
)
_READ_AT = (3, 12, 36, 96, 288)
"""A quiet stretch is read after so many frames: the longer, the better."""
_QUIET = 0.006
_APART = 72
"""Readings of one discharge that are nearer to each other than so many frames are one."""
_SHALLOW, _DEEP, _DEEPEST = 0.15, 0.25, 0.35
_KEPT = 7
_RATED_HOURS = 20.0
_WRONG = ("too_large", "too_small")
_ACID_BY_HOURS = 0.1
"""The acid of a block gives more than a rating at a faster rate says: by this power of the ratio of hours."""
_KEPT_FRAMES = 288
"""A reading of another meter is held against what was read at its time, if that is not longer ago than a day."""
_SETTLED_MS = 180 * DAY_MS
"""So long it counts; a shunt may be exchanged one day."""
_LEAST_REFERENCE = 0.02
"""Share of the rated amp-hours below which a current is too small to tell a scale."""
_FEW, _OHM_DAYS = 5, 20
_FIRST_FEW, _SAME_RATIO = 3, 1.15
"""Own choice: shunts of other ratings raise it by a third and more."""
_LEAST_TAPS = 3
"""With fewer the ohms are those of the whole bank, links and terminals among them, and one mended joint moves them."""
_REFERENCE_OFF = 0.1
"""A trusted meter tells less than a third apart, but not less than this: the current moves while it is read."""
FACTORS = ((1.2, "60 mV read as 50"), (1.333, "100 mV read as 75"), (1.5, "75 mV read as 50"), (2.0, "100 mV as 50"),
           (3.0, "150 mV as 50"), (10.0, "a decimal place"), (1000.0, "amps read as milliamps"))  # fmt: skip


def charge_left(volts: float, limits: Any) -> float:
    """State of charge by the rested volts of a cell; straight on beyond both ends of the table."""
    points = [(limits[name], share) for share, name in _CURVE]
    pair = next((number for number in range(1, len(points) - 1) if volts < points[number][0]), len(points) - 1)
    (low, share), (high, more) = points[pair - 1], points[pair]
    return float(share + (volts - low) / (high - low) * (more - share))


@dataclass
class _State:
    """`net`: amp-hours since the beginning; `full_at`: its value when the bank was last held at the charging voltage.

    `full_share`: what the rested voltage after a charge says of it, at least 1; `quiet_rate`: current of quiet
    stretches, as a share; `readings`: ratio, depth by voltage, quiet frames, frame number.
    """

    net: float = 0.0
    full_at: float | None = None
    full_ms: int | None = None
    full_share: float = 1.0
    held: int = 0
    quiet: int = 0
    quiet_rate: float = 0.0
    frames: int = 0
    beyond: list[int] = field(default_factory=list)
    lately: list[list[float]] = field(default_factory=list)
    """Number and mean current of the frames of the last day."""
    settled_ms: int | None = None
    """When a trusted meter last showed the same."""
    readings: list[list[float]] = field(default_factory=list)


class Scale:
    """See the module. `value` of the finding: amp-hours moved for each amp-hour that the rated size explains, in
    percent."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self._by_hours = max(1.0, (_RATED_HOURS / ground.bank.rated_hours) ** _ACID_BY_HOURS)
        reach = ground.accuracy["amps"].range if "amps" in ground.accuracy else None
        self._reach = reach if reach is not None else 10 * self._rated
        self._teller = Teller("meter.shunt_scale", {})
        self._state = _State()
        self._ratios, self._slopes = Course(), Course()
        """Of the ratio of the readings, and of the ohms of a cell times rated amp-hours."""
        self._judged: tuple[str, Any] | None = None
        """What had been said, and the limits, when the readings were last judged; None after a new one."""

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        state = self._state
        state.frames += 1
        frame = look.frame
        if look.judged:
            state.lately.append([frame.number, look.means[0]])
            if len(state.lately) > _KEPT_FRAMES:
                del state.lately[0]
        told = self._by_reference(look, moment) if moment.entries else None
        if frame.marks:
            told = told or self._beyond(look)
        if frame.after_unknown or frame.missed > FRAMES_PER_HOUR:
            state.full_at, state.held, state.quiet = None, 0, 0
        if look.judged and facts.sign != "reversed":
            self._follow(look, moment)
        if state.settled_ms is None or look.at_ms - state.settled_ms > _SETTLED_MS:
            jump = self._by_jump(look, facts) if facts.days.fell else None
            told = told or (jump if jump and jump.verdict in _WRONG else None)
            if facts.slope is not None:
                told = told or self._by_ohms(look, facts.slope, moment, facts)
            told = told or (self._by_depth_once(moment, facts) if state.readings else None)
            # A jump that may be the battery's puts in doubt what seemed right, and hides nothing that is wrong.
            if jump and self._teller.verdict() not in _WRONG and (told is None or told.verdict not in _WRONG):
                told = jump
            if told is None and state.frames >= 2 * FRAMES_PER_DAY:
                told = self._unsaid()
        found = self._teller.tell(look, moment, told) if told else []
        facts.scale = self._teller.verdict()
        return found

    def _by_reference(self, look: Look, moment: Moment) -> Told | None:
        """What a trusted meter shows settles the scale; nothing that is inferred is told against it."""
        state, told = self._state, None
        for entry in moment.entries:
            shown, number = entry.number("value"), entry.happened_at_ms // FRAME_MS
            here = [amps for at, amps in state.lately if at == number]
            if entry.kind != "reference_reading" or entry.data.get("channel") != "amps" or not here or shown is None:
                continue
            if abs(shown) < _LEAST_REFERENCE * self._rated:
                continue
            error = max((entry.number("percent") or 0.0) / 100, _REFERENCE_OFF)
            ratio = here[0] / shown
            state.settled_ms = entry.happened_at_ms if abs(ratio - 1) <= error else None
            words = f"a trusted meter showed {shown:g} A where {here[0]:g} A were read"
            if state.settled_ms is not None:
                told = Told("right", words, ("amps",), "bank", None, ratio * 100, grade=Grade.TESTED)
            elif ratio > 0:
                verdict = "too_large" if ratio > 1 else "too_small"
                told = replace(self._wrong(verdict, words, ratio, None, None), value=ratio * 100, grade=Grade.TESTED)
        return told

    def _follow(self, look: Look, moment: Moment) -> None:
        state, rate, volts = self._state, look.rate, look.volts
        state.net += look.frame.amp_hours
        if volts < moment.limits["full_volts_per_cell"]:
            state.held = 0
        else:
            state.held = state.held + 1 if 0 <= rate <= 0.075 else 0
            state.full_at = None
            if state.held >= FRAMES_PER_HOUR:
                state.full_at, state.full_ms = state.net, look.at_ms
        state.quiet = state.quiet + 1 if abs(rate) <= _QUIET and volts < 2.2 else 0
        if state.full_at is None or state.quiet not in _READ_AT:
            return
        state.quiet_rate = 0.9 * state.quiet_rate + 0.1 * abs(rate) if state.quiet_rate else abs(rate)
        moved = (state.full_at - state.net) / self._rated
        # A small steady current may be a load or the meter's zero: what it makes of the time is not counted.
        moved -= state.quiet_rate * (look.at_ms - (state.full_ms or look.at_ms)) / 3_600_000
        left = charge_left(volts, moment.limits)
        if moved < 0.02 and state.quiet >= 96:
            before = state.full_share if state.full_share > 1.0 else 1.3
            state.full_share = min(before, max(1.0, left))
        elif moved > 0.1 and volts < 2.13 and state.full_share - left >= _SHALLOW:
            self._read(moved, state.full_share - left, look.frame.number)

    def _read(self, moved: float, depth: float, number: int) -> None:
        readings, quiet = self._state.readings, self._state.quiet
        new = [moved / depth, depth, quiet, number]
        if readings and number - readings[-1][3] < _APART:
            if quiet < readings[-1][2] or (quiet == readings[-1][2] and depth <= readings[-1][1]):
                return
            readings.pop()
        readings.append(new)
        del readings[:-_KEPT]
        self._ratios.add(number * FRAME_MS, new[0])
        self._judged = None

    def _beyond(self, look: Look) -> Told | None:
        """Readings of the current that no battery of this size can carry."""
        state = self._state
        if look.frame.marks.get(("amps", Mark.OUT_OF_RANGE)):
            state.beyond.append(look.frame.number)
            while state.beyond[0] <= look.frame.number - FRAMES_PER_DAY:
                state.beyond.pop(0)
            if len(state.beyond) >= FRAMES_PER_HOUR and self._reach >= 5 * self._rated:
                words = f"in {len(state.beyond)} frames of a day the current was beyond {self._reach:g} A"
                return self._wrong("too_large", words, 1000.0, None, state.beyond[0] * FRAME_MS)
        return None

    def _by_jump(self, look: Look, facts: Facts) -> Told:
        """Ohms that fall at once, and stay there: more amps are shown for what the voltage does."""
        day, _, share = facts.days.fell
        until = datetime.fromtimestamp(day * DAY_MS / 1000, UTC).date().isoformat()
        words = f"the voltage moves only {100 * share:.0f} % as much for each amp shown as it did until {until}"
        if look.source < _LEAST_TAPS:
            words += ": another scale, or terminals or blocks that were renewed; missing: a reading of a known current"
            return Told("cannot_tell", words, since_ms=int(day * DAY_MS))
        words += ": no bank does that by itself"
        return self._wrong("too_large", words, 1 / share, None, int(day * DAY_MS))

    def _by_ohms(self, look: Look, slope: float, moment: Moment, facts: Facts) -> Told | None:
        """Ohms of a cell times amp-hours are much alike in all banks: a factor of 10 or more shows."""
        if facts.bypass.startswith("bypassed"):
            return None
        frame, limits = look.frame, moment.limits
        if frame.number % FRAMES_PER_HOUR == 0:
            self._slopes.add(frame.start_ms, slope)
        low, high = limits["cell_ohm_amp_hours_low"], limits["cell_ohm_amp_hours_high"]
        if low <= slope <= high or self._slopes.crept(upward=slope > high):
            return None
        words = (
            f"by its load steps a cell has {slope:.2g} ohms times rated amp-hours, plausible are {low:g} to {high:g}"
        )
        usual = (low * high) ** 0.5
        if slope < low:
            return self._wrong("too_large", words, usual / slope, None, None)
        if slope > high:
            return self._wrong("too_small", words, usual / slope, None, None)
        return None

    def _by_depth_once(self, moment: Moment, facts: Facts) -> Told | None:
        """Judges the readings again when there is a new one, when something else was said, or with new limits."""
        said = self._teller.verdict()
        if self._judged is not None and self._judged[0] == said and self._judged[1] is moment.limits:
            return None
        told = self._by_depth(moment, facts)
        if told is None or told.verdict == said:
            self._judged = (said, moment.limits)
        return told

    def _unmoved(self, facts: Facts, most: float) -> bool:
        """Whether the scale was right once, and the ohms by the same current have not fallen at once since then."""
        first, days = self._ratios.first, facts.days
        once = self._teller.verdict() == "right" or (len(first) >= _FEW and median(first) <= most)
        stood = not days.fell and not days.stays
        return once and len(days.days) >= _OHM_DAYS and stood and days.day - days.days[-1][0] <= _FEW

    def _by_depth(self, moment: Moment, facts: Facts) -> Told | None:
        readings = self._state.readings
        most = moment.limits["scale_ratio_high"] * self._by_hours
        told = self._teller.verdict()
        ratio = self._beyond_any(most, alone=told != "right")
        if ratio is not None and (self._ratios.crept(upward=True) or self._unmoved(facts, most)):
            words = (
                f"the meter counts {ratio:.0%} of the rated amp-hours for a whole change of the rested voltage, and has"
                " come there little by little, or the ohms have not fallen with it: that is the battery and no scale"
            )
            return Told("cannot_tell", words, (), "bank", None, ratio * 100, ratio * 80, ratio * 140)
        if ratio is not None:
            words = f"the meter counted {ratio:.0%} of the rated amp-hours for a whole change of the rested voltage"
            return self._wrong("too_large", words, ratio, ratio, self._state.full_ms)
        long = [one for one in readings if one[2] >= 36 and one[1] >= _DEEP]
        settled = long or (readings if len(readings) >= 4 else [])
        if not settled:
            return None
        middle, _, quiet, _ = sorted(settled)[len(settled) // 2]
        # The voltage has come back only in part: the shorter the rest, the more the true ratio may lie above.
        upper = 1.15 if quiet >= 36 else 1.3 if quiet >= 12 else 1.5
        least = moment.limits["scale_ratio_low"] * (0.8 if told == "right" else 1.0)
        fits = self._fits(middle, middle * upper, least, most)
        if fits.verdict == "right":
            # Ohms that fell at once and have not come back speak against readings that leave a third open, unless what
            # is counted for a change of the rested voltage is what it always was.
            fallen = bool(facts.days.fell or facts.days.stays) and not self._as_at_first()
            return None if told in _WRONG and (fallen or not self._mended(most)) else fits
        return None if told in _WRONG or (told == "right" and middle >= least) else fits

    def _beyond_any(self, most: float, alone: bool) -> float | None:
        """The ratio that is more than a bank can be, if there is one: deep ones count alone, shallow ones together."""
        readings = self._state.readings
        last = readings[-1]
        if alone and last[0] > most and last[1] >= (_DEEP if last[2] >= 12 else _DEEPEST):
            return last[0]
        deep = sorted(one[0] for one in readings if one[1] >= _DEEP)
        every = sorted(one[0] for one in readings)
        if alone and len(deep) >= 2 and deep[(len(deep) - 1) // 2] > most:
            return deep[(len(deep) - 1) // 2]
        if len(every) >= 4 and every[(len(every) - 1) // 2] > most:
            return every[(len(every) - 1) // 2]
        return None

    def _as_at_first(self) -> bool:
        """Whether the readings by depth are those of the first days: a wrong scale raises them by its factor."""
        first, readings = self._ratios.first, self._state.readings
        return len(first) >= _FIRST_FEW and median([one[0] for one in readings]) <= _SAME_RATIO * median(first)

    def _mended(self, most: float) -> bool:
        """Whether the readings of some days are all well within what a bank can be."""
        readings = self._state.readings
        return len(readings) == _KEPT and max(one[0] for one in readings) < 0.9 * most

    @staticmethod
    def _fits(middle: float, high: float, least: float, most: float) -> Told:
        band = (middle * 100, middle * 80, high * 100)
        if least <= middle and high <= most:
            words = (
                f"a whole change of the rested voltage takes about {middle:.0%} of the rated amp-hours; errors of the"
                " scale under about a third can't be seen"
            )
            return Told("right", words, ("amps",), "bank", None, *band)
        if middle < least:
            words = (
                f"a whole change of the rested voltage takes only about {middle:.0%} of the rated amp-hours: the meter"
                " reads too little, or a load bypasses it, or the bank has lost that much; missing: a reading of a"
                " known load"
            )
        else:
            words = (
                f"a whole change of the rested voltage takes {middle:.0%} to {high:.0%} of the rated amp-hours,"
                " which is"
                " more than some banks have; missing: three hours of rest after a deep discharge"
            )
        return Told("cannot_tell", words, (), "bank", None, *band)

    def _wrong(self, verdict: str, words: str, factor: float, ratio: float | None, since_ms: int | None) -> Told:
        sizes = sorted(FACTORS, key=lambda one: abs(one[0] / (factor if factor > 1 else 1 / factor) - 1))
        if verdict == "too_small":
            guess = 1 / (1000.0 if factor < 0.03 else 10.0)
            fits = "milliamps read as amps" if factor < 0.03 else "a decimal place"
        elif factor >= 5:
            guess, fits = (1000.0, "amps read as milliamps") if factor >= 30 else (10.0, "a decimal place")
        else:
            near = [one for one in sizes if one[0] >= 1.3][:2]
            guess, fits = near[0][0], " or ".join(f"{one[0]:g} ({one[1]})" for one in near)
        line = "shunt = { rated_amps = ..., rated_millivolts = 75 } as its label says, or scale"
        reason = f"{words}; a factor that fits: {fits}; {correction(since_ms, line)}"
        details = (Figure("likely_factor", guess), *((Figure("ratio", ratio),) if ratio is not None else ()))
        told = Told(verdict, reason, ("amps",), "bank", since_ms, details=details)
        if ratio is None:
            return told
        return replace(told, value=ratio * 100, low=ratio * 80, high=ratio * 140)

    def _unsaid(self) -> Told | None:
        """What is missing where nothing has been said in days."""
        if self._teller.verdict():
            return None
        return Told(
            "cannot_tell",
            "missing: a discharge from full by a quarter or more, with a quarter of an hour without load after it; or"
            " a reading of a known current",
        )

    def to_plain(self) -> dict[str, Any]:
        state = dict(vars(self._state))
        state["beyond"], state["readings"] = list(state["beyond"]), [list(one) for one in state["readings"]]
        state["lately"] = [list(one) for one in state["lately"]]
        courses = {"ratios": self._ratios.to_plain(), "slopes": self._slopes.to_plain()}
        return {"said": dict(self._teller.said), "state": state, **courses}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        self._state, self._judged = _State(**plain["state"]), None
        self._ratios, self._slopes = Course.from_plain(plain["ratios"]), Course.from_plain(plain["slopes"])
