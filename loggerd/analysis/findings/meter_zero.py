"""Does the meter show nothing when nothing flows? Looked at only where rest is proven.

A current that is "charge" while the voltage stands or falls as at rest cannot be one: the zero is off by at least that.
Just after a charge the voltage falls by itself, even while a fading charger still gives a little: that is no rest yet.
A "discharge" at rest may as well be a small load, and both look alike. From full to full more amp-hours go in than come
out; where less went in, over days, the zero is off the other way (or a part of the charge bypasses the shunt).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import BecameFull
from loggerd.analysis.findings.meter_common import FRAMES_PER_HOUR, Facts, Look, Teller, Told, correction
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
_ACCOUNTS = 3
_LEAST_DAYS = 2.0


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
    """`rests`: currents [A] at the last rests with their error and voltage change; `accounts`: hours, amp-hours in and
    out from full to full; `full_ms`, `inward`, `outward`, `gap` of the one that runs."""

    run: _Run | None = None
    rests: list[list[float]] = field(default_factory=list)
    accounts: list[list[float]] = field(default_factory=list)
    full_ms: int | None = None
    inward: float = 0.0
    outward: float = 0.0
    gap: bool = False
    charged: int = -_AFTER_CHARGE
    """Number of the last frame in which the current was surely a charge."""


class Zero:
    """See the module. `value`: the current at rest [A], charge positive."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self._accuracy = ground.accuracy.get("amps", Accuracy())
        self._teller = Teller("meter.zero_offset", {})
        self._state = _State()

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        if facts.sign != "right" or facts.bypass.startswith("bypassed"):
            self._state.run = None
            return []
        self._account(look, moment)
        ended = self._follow(look)
        told = self._rest(ended, moment) if ended is not None else None
        return self._teller.tell(look, moment, told) if told is not None else []

    def _follow(self, look: Look) -> _Run | None:
        """The rest that this frame ends, or that is long enough to be read with it."""
        run = self._state.run
        if look.rate > _MOST_RATE:
            self._state.charged = look.frame.number
        calm = look.frame.number - self._state.charged >= _AFTER_CHARGE
        rest = calm and look.judged and look.volts < _REST_VOLTS and abs(look.rate) <= _MOST_RATE
        if run is not None and rest and look.follows:
            mean = run.total / run.frames / self._rated
            if abs(look.rate - mean) <= _STEADY and look.spread <= self._spread() and run.frames < 288:
                self._add(run, look)
                return None
        self._state.run = None
        if rest and look.spread <= self._spread():
            self._state.run = _Run(look.frame.start_ms, look.volts)
            self._add(self._state.run, look)
        return run if run is not None and run.frames >= _LEAST_FRAMES else None

    def _spread(self) -> float:
        return _STEADY + 8 * (self._accuracy.noise or 0.0) / self._rated

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
        if mean - error > limit and rise <= _RISE_VOLTS and len(positive) >= _AGREE:
            least = sorted(one[0] for one in positive)[len(positive) // 2]
            words = (
                f"at rest, with the voltage standing or falling, the meter showed a charge of {mean:.2f} A in"
                f" {len(positive)} rests"
            )
            return self._offset(words, least, error, run.start_ms)
        if abs(mean) <= limit:
            words = f"at rest the meter showed {mean:.2f} A, within {limit:.2g} A"
            return Told("right", words, ("amps",), "bank", None, mean, mean - error, mean + error)
        return self._leak(mean, error, limit) if mean < -limit else None

    def _leak(self, mean: float, error: float, limit: float) -> Told | None:
        """A small discharge at rest: zero error or load, unless the accounts from full to full tell."""
        accounts = self._state.accounts
        hours = sum(one[0] for one in accounts)
        short = sum(one[2] - one[1] for one in accounts)
        if len(accounts) >= _ACCOUNTS and hours >= 24 * _LEAST_DAYS and short > 0:
            words = (
                f"at rest the meter showed {mean:.2f} A, and from full to full {short:.1f} Ah more went out than in,"
                f" in {hours / 24:.1f} days, which no bank can do"
            )
            if short / hours > 0.25 * -mean:
                return self._offset(words, mean, error, None)
        if self._teller.verdict() == "offset":
            return None
        words = (
            f"at rest the meter showed {mean:.2f} A, more than {limit:.2g} A: a small load, or the zero is off;"
            " missing:"
            " a look with the bank's main switch open"
        )
        return Told("cannot_tell", words, (), "bank", None, mean, mean - error, mean + error)

    def _offset(self, words: str, amps: float, error: float, since_ms: int | None) -> Told:
        line = f"offset changed by {-amps:+.3g} A (counted as charge), after a look with the main switch open"
        reason = f"{words}; {correction(None, line)}; nothing is corrected by itself"
        band = (amps, amps - error, amps + error)
        return Told("offset", reason, ("amps",), "bank", since_ms, *band, grade=Grade.OBSERVED)

    def _account(self, look: Look, moment: Moment) -> None:
        """Amp-hours from one proven full charge to the next."""
        state = self._state
        moved = look.frame.amp_hours
        state.inward += max(0.0, moved)
        state.outward += max(0.0, -moved)
        state.gap = state.gap or look.frame.missed > 0 or look.frame.after_unknown
        events = moment.events
        if not events or not any(isinstance(event, BecameFull) and event.proven for event in events):
            return
        if state.full_ms is not None and not state.gap and look.at_ms - state.full_ms > 6 * 3_600_000:
            state.accounts.append([(look.at_ms - state.full_ms) / 3_600_000, state.inward, state.outward])
            del state.accounts[:-_KEPT]
        state.full_ms, state.inward, state.outward, state.gap = look.at_ms, 0.0, 0.0, False

    def to_plain(self) -> dict[str, Any]:
        state = dict(vars(self._state))
        state["run"] = dict(vars(self._state.run)) if self._state.run else None
        for name in ("rests", "accounts"):
            state[name] = [list(one) for one in state[name]]
        return {"said": dict(self._teller.said), "state": state}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        self._state = _State(**plain["state"])
        if plain["state"]["run"]:
            self._state.run = _Run(**plain["state"]["run"])
