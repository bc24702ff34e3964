"""Does the meter show nothing when nothing flows? Looked at only where rest is proven.

A current that is "charge" while the voltage stands or falls as at rest cannot be one: the zero is off by at least that.
Just after a charge the voltage falls by itself, even while a fading charger still gives a little: that is no rest yet.
And a charger may hold a full bank at no more than its rested voltage, with a little current: a charge is believed to be
the zero only if the meter shows one at voltages below that, too. A "discharge" at rest may as well be a small load, and
both look alike, but for the balance: from full to full more amp-hours go in than come out. Where less went in, over
days, or where the balance moved by as much as the current at rest, the zero is off.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import BecameFull
from loggerd.analysis.findings.meter_common import (
    FRAMES_PER_DAY,
    FRAMES_PER_HOUR,
    Facts,
    Look,
    Teller,
    Told,
    correction,
)
from loggerd.analysis.findings.meter_zero_balance import WEEK_HOURS, Balance, Shift
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding, Grade

_LEAST_FRAMES = 2 * FRAMES_PER_HOUR
_REST_VOLTS = 2.16
_MOST_RATE = 0.02
_STEADY = 0.0015
_AFTER_CHARGE = 3 * FRAMES_PER_HOUR
"""So many frames after a charge the voltage of the plates has come down (common practice, no source)."""
_RISE_VOLTS = 0.001
_KEPT = 8
_AGREE = 2
_LEAST_HOURS = 48.0
_HOUR_MS = 3_600_000
_LEAST_ACCOUNT_MS = 6 * _HOUR_MS
_ENDS = 2.0
"""Of two charges that are both proven full, either may lack as much as the proof leaves open."""
_LEAST_COVER = 0.9
"""Of a frame, readings of the current: what is not read is not in the account."""
_SHORT_LEAST, _SHORT_MOST = 0.25, 1.2
"""What is missing from full to full, as a share of the current at rest: gassing hides a part of a wrong zero; more than
the whole is missing where a charger bypasses the shunt."""


@dataclass
class _Run:
    """A stretch of steady current at a voltage at which no charger works. Sums over its frames."""

    start_ms: int
    first_volts: float
    frames: int = 0
    total: float = 0.0
    squares: float = 0.0
    last_volts: float = 0.0


@dataclass
class _State:
    """`rests`: currents [A] at the last rests with their error and voltage change; `full_ms`, `inward`, `outward`,
    `gap` of the account from full to full that runs; `by`: what the zero was last found off by."""

    run: _Run | None = None
    rests: list[list[float]] = field(default_factory=list)
    full_ms: int | None = None
    inward: float = 0.0
    outward: float = 0.0
    gap: bool = False
    charged: int = -_AFTER_CHARGE
    """Number of the last frame in which the current was surely a charge."""
    by: str = ""


class Zero:
    """See the module. `value`: the current at rest [A], charge positive."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self._accuracy = ground.accuracy.get("amps", Accuracy())
        self._spread = _STEADY + 8 * (self._accuracy.noise or 0.0) / self._rated
        """Width of the readings of a steady current, as a share of the rated amp-hours."""
        self._teller = Teller("meter.zero_offset", {})
        self._state = _State()
        self._balance = Balance()

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        if facts.sign != "right" or facts.bypass.startswith("bypassed"):
            self._state.run, self._state.gap = None, True
            return []
        self._level(look, moment)
        ended = self._follow(look)
        told = self._rest(ended, moment) if ended is not None else None
        if self._account(look, moment):
            told = self._weigh(moment) or told
        return self._teller.tell(look, moment, told) if told is not None else []

    def _level(self, look: Look, moment: Moment) -> None:
        """Takes down what the meter shows where no charger can be at work."""
        quiet = abs(look.rate) <= _MOST_RATE and look.spread <= self._spread
        if quiet and look.judged and look.volts <= moment.limits["rest_volts_full"]:
            self._balance.rested(look.frame.number // FRAMES_PER_DAY, look.rate)

    def _follow(self, look: Look) -> _Run | None:
        """The rest that this frame ends, or that is long enough to be read with it."""
        state, rate, number = self._state, look.rate, look.frame.number
        run = state.run
        if rate > _MOST_RATE:
            state.charged = number
        calm = number - state.charged >= _AFTER_CHARGE
        rest = calm and abs(rate) <= _MOST_RATE and look.judged and look.volts < _REST_VOLTS
        if run is not None and rest and look.follows:
            mean = run.total / run.frames / self._rated
            if abs(rate - mean) <= _STEADY and look.spread <= self._spread and run.frames < 288:
                self._add(run, look)
                return None
        state.run = None
        if rest and look.spread <= self._spread:
            state.run = _Run(look.frame.start_ms, look.volts)
            self._add(state.run, look)
        return run if run is not None and run.frames >= _LEAST_FRAMES else None

    def _add(self, run: _Run, look: Look) -> None:
        amps = look.means[0]
        run.frames += 1
        run.total += amps
        run.squares += amps * amps
        run.last_volts = look.volts

    def _limit(self, moment: Moment) -> float:
        stated = self._accuracy.offset
        return moment.limits["zero_amps_fraction"] * self._rated if stated is None else 1.2 * stated

    def _rest(self, run: _Run, moment: Moment) -> Told | None:
        state = self._state
        mean = run.total / run.frames
        spread = sqrt(max(0.0, run.squares / run.frames - mean * mean))
        error = 2 * spread / sqrt(run.frames)
        rise = run.last_volts - run.first_volts
        state.rests.append([mean, error, rise])
        del state.rests[:-_KEPT]
        limit = self._limit(moment)
        positive = [one for one in state.rests[-4:] if one[0] - one[1] > limit and one[2] <= _RISE_VOLTS]
        below = self._balance.level()
        # A charger that holds the bank lets the voltage stand; where it falls, none does.
        falls = bool(positive) and all(one[2] < -_RISE_VOLTS for one in positive)
        charged = falls or (below is not None and below * self._rated > limit)
        if charged and mean - error > limit and rise <= _RISE_VOLTS and len(positive) >= _AGREE:
            least = sorted(one[0] for one in positive)[len(positive) // 2]
            words = (
                f"at rest, with the voltage standing or falling, the meter showed a charge of {least:.2f} A in"
                f" {len(positive)} rests"
            )
            return self._offset("rest", words, (least, least - error, least + error), run.start_ms)
        if state.by == "shift" and self._teller.verdict() == "offset":
            return None  # a load and a wrong zero may make up for each other
        if abs(mean) <= limit:
            words = f"at rest the meter showed {mean:.2f} A, within {limit:.2g} A"
            return Told("right", words, ("amps",), "bank", None, mean, mean - error, mean + error)
        return self._leak(mean, error, limit, _doubt(moment)) if mean < -limit else None

    def _leak(self, mean: float, error: float, limit: float, doubt: float) -> Told | None:
        """A small discharge at rest: zero error or load."""
        if self._teller.verdict() == "offset":
            return None
        words = f"at rest the meter showed {mean:.2f} A, more than {limit:.2g} A"
        shift = self._balance.shift()
        if shift is not None and shift.verdict(doubt) == "load":
            words += (
                f": a load rather than the zero of the meter, for the bank is charged by as much more as before"
                f" above what it gives ({shift.balance * self._rated:+.3f} A since then)"
            )
        else:
            words += ": a small load, or the zero is off; missing: a look with the bank's main switch open"
        return Told("cannot_tell", words, (), "bank", None, mean, mean - error, mean + error)

    def _weigh(self, moment: Moment) -> Told | None:
        """What the balance from full to full says of the current at rest."""
        shift, limit, doubt = self._balance.shift(), self._limit(moment), _doubt(moment)
        if shift is not None and shift.verdict(doubt) == "zero" and abs(shift.idle) * self._rated > limit:
            return self._moved(shift)
        said = self._teller.verdict() == "offset"
        if said and self._state.by == "shift" and shift is not None and shift.verdict(doubt) == "same":
            words = "at rest the meter shows again what it showed in the first weeks"
            return Told("right", words, ("amps",))
        return self._short(limit, doubt)

    def _moved(self, shift: Shift) -> Told:
        amps, balance = shift.idle * self._rated, shift.balance * self._rated
        words = (
            f"at rest the meter shows {amps:+.2f} A more than in the first weeks, and from full to full the bank seems"
            f" to take {balance:+.2f} A more than before, for {shift.hours / 24:.0f} days: a load is charged again and"
            " leaves no such trace, a zero that is off does"
        )
        return self._offset("shift", words, (amps, min(amps, balance), max(amps, balance)), None)

    def _short(self, limit: float, doubt: float) -> Told | None:
        """More went out than in from full to full, by about what the meter shows at rest. `doubt`: what is missing may
        be so much less, as a share of the rated amp-hours."""
        level, found = self._balance.level(), (self._balance.last(hours) for hours in (_LEAST_HOURS, WEEK_HOURS))
        recent = next((one for one in found if one is not None and -one[1] > doubt), None)
        if level is None or recent is None or level * self._rated >= -limit or not self._balance.steady():
            return None
        hours, net = recent
        share = net / hours / level
        if not _SHORT_LEAST <= share <= _SHORT_MOST:
            return None
        amps = level * self._rated
        words = (
            f"at rest the meter showed {amps:.2f} A, and from full to full {-net * self._rated:.1f} Ah more went out"
            f" than in, in {hours / 24:.1f} days, which no bank can do"
        )
        return self._offset("balance", words, (amps, amps, net / hours * self._rated), None)

    def _offset(self, by: str, words: str, amps: tuple[float, float, float], since_ms: int | None) -> Told:
        """`amps`: the current that is shown where none flows, with its band."""
        self._state.by = by
        line = f"offset changed by {-amps[0]:+.3g} A (counted as charge), after a look with the main switch open"
        reason = f"{words}; {correction(None, line)}; nothing is corrected by itself"
        low, high = min(amps[1:]), max(amps[1:])
        return Told("offset", reason, ("amps",), "bank", since_ms, amps[0], low, high, grade=Grade.OBSERVED)

    def _account(self, look: Look, moment: Moment) -> bool:
        """Amp-hours from one proven full charge to the next; whether one has ended."""
        state = self._state
        frame = look.frame
        moved = frame.amp_hours
        if moved > 0.0:
            state.inward += moved
        elif moved < 0.0:
            state.outward -= moved
        if not look.judged or frame.covered_ms < _LEAST_COVER * FRAME_MS or frame.missed or frame.after_unknown:
            state.gap = True
        events = moment.events
        if not events or not any(isinstance(event, BecameFull) and event.proven for event in events):
            return False
        ended = state.full_ms is not None and not state.gap and look.at_ms - state.full_ms > _LEAST_ACCOUNT_MS
        if ended and state.full_ms is not None:
            hours = (look.at_ms - state.full_ms) / _HOUR_MS
            self._balance.account(hours, (state.inward - state.outward) / self._rated)
        state.full_ms, state.inward, state.outward, state.gap = look.at_ms, 0.0, 0.0, False
        return ended

    def to_plain(self) -> dict[str, Any]:
        state = dict(vars(self._state))
        state["run"] = dict(vars(self._state.run)) if self._state.run else None
        state["rests"] = [list(one) for one in state["rests"]]
        return {"said": dict(self._teller.said), "state": state, "balance": self._balance.to_plain()}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        self._state = _State(**plain["state"])
        self._balance = Balance.from_plain(plain["balance"])
        if plain["state"]["run"]:
            self._state.run = _Run(**plain["state"]["run"])


def _doubt(moment: Moment) -> float:
    """What two proofs of a full charge leave open, as a share of the rated amp-hours."""
    return _ENDS * moment.limits["full_left_fraction"]
