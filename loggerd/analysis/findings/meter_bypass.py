"""Does a load or a charger bypass the shunt? What the voltage does that no current explains."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isnan, sqrt
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY, FRAMES_PER_HOUR, Facts, Look, Teller, Told
from loggerd.analysis.findings.meter_ledger import Ledger
from loggerd.analysis.frames import FRAME_MS, Frame
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark

_HEATED_KELVIN = 8.0
"""Own choice, no source: sealed blocks so much above the air turn into heat what they take, and hold none of it."""
_BACK = 6
"""A change of the current is felt for so many frames."""
_TOP_VOLTS, _BOTTOM_VOLTS = 2.16, 1.97
"""Between these no charger and no knee bends the voltage of a cell."""
_CHARGING, _GIVING = 0.003, 0.001
_ABOVE_REST = 0.005
_JUMP_VOLTS = 0.004
_LEAST_EXPLAINED = 0.3
"""Volts of a cell that a current explains, at the least, for each share of the rated amp-hours."""
_RATIOS = 21
_HELD_VOLTS, _GONE_VOLTS = 2.25, 2.18
_DEBT, _PAID = 0.12, 0.1
"""A bank that gave the one share of its amp-hours takes more than the other share of that when it is charged."""
_HELD_FRAMES = 24
_CLEAR_FRAMES = 7 * FRAMES_PER_DAY
_CHANGES = 12
_FEW = 3
"""Jumps of a day that any bank may have."""


@dataclass
class _State:
    """`recent`: volts, rate, spread of the last frames; `events`, `against`: numbers of frames of the last day in
    which the voltage jumped without a current, and in which a charger held it while the current said discharge;
    `unclear`: of jumps from a voltage that a float may have held.

    `ratios`: volts for each share of current, lately; `bends`: volts and current of the latest
    jumps; `debt`, `paid`: shares given since the voltage was held, taken
    back since then; `held`: frames for which it has been held; `still`: frames without a
    charge, `still_volts` then, `still_out` the share given by the meter since; `fallen`: frame in which the voltage had
    last fallen far without it; `rate`: that of the frame before, `same` for so many frames; `ledger`: what the
    ledger asks for; `last_odd`: frame of the latest thing that was not right; `misfit`: when
    the current was last far too small for the voltage.
    """

    recent: list[list[float]] = field(default_factory=list)
    events: list[int] = field(default_factory=list)
    against: list[int] = field(default_factory=list)
    unclear: list[int] = field(default_factory=list)
    ratios: list[float] = field(default_factory=list)
    bends: list[list[float]] = field(default_factory=list)
    debt: float = 0.0
    paid: float = 0.0
    held: int = 0
    judged: bool = False
    agreed: int = 0
    agreed_ms: int = 0
    frames: int = 0
    moved: float = 0.0
    last_odd: int = 0
    misfit: int = 0
    still: int = 0
    still_volts: float = 0.0
    still_out: float = 0.0
    fallen: int = 0
    rate: float = 0.0
    same: int = 0
    ledger: str = ""
    cool_day: int = -1
    coolest: list[float] = field(default_factory=lambda: [1e9, 1e9])
    """Least kelvin above the air, of the day before and of this one."""


class Bypass:
    """See the module."""

    def __init__(self, ground: Ground) -> None:
        self._rated = ground.bank.rated_amp_hours
        self._sealed = ground.bank.type.sealed
        self._teller = Teller("meter.bypass", {})
        self._state, self._ledger = _State(), Ledger()

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        state = self._state
        if not look.judged:
            state.recent = []
            self._ledger.spoil()
            return []
        if not look.follows:
            state.recent = []
        if look.frame.after_unknown or look.frame.missed > FRAMES_PER_HOUR:
            state.debt, state.paid, state.held, state.judged = 0.0, 0.0, 0, False
            self._ledger.spoil()
        moved = look.frame.amp_hours / self._rated
        state.frames += 1
        state.moved += abs(moved)
        rested = moment.limits["rest_volts_full"] + _ABOVE_REST
        self._forget(look)
        self._load(look, rested)
        self._fall(look, rested)
        self._charger(look, moved)
        self._count(look, moved)
        found = self._teller.tell(look, moment, told) if (told := self._verdict(look, moment, facts)) else []
        facts.bypass = self._teller.verdict()
        return found

    def _count(self, look: Look, moved: float) -> None:
        """The ledger; nothing is counted of a current that is out of range, or the same to the last digit."""
        state = self._state
        before, state.rate = state.rate, look.rate
        state.same = state.same + 1 if look.rate == before and look.rate != 0.0 else 0
        marks = look.frame.marks
        if state.same >= FRAMES_PER_HOUR or (marks and ("amps", Mark.OUT_OF_RANGE) in marks):
            self._ledger.spoil()
        if self._sealed and self._is_heated(look.frame):
            self._ledger.spoil()
        self._ledger.push(look, moved)

    def _is_heated(self, frame: Frame) -> bool:
        """Whether the blocks are far warmer above the air than at the coolest of this day and the one before: what is
        warm by itself, as a heated box, is so always."""
        state, over = self._state, frame.celsius - frame.ambient_celsius
        if isnan(over):
            return False
        day = frame.number // FRAMES_PER_DAY
        if day != state.cool_day:
            state.cool_day, state.coolest = day, [state.coolest[-1], over]
        state.coolest[-1] = min(state.coolest[-1], over)
        return over - min(state.coolest) > _HEATED_KELVIN

    def _forget(self, look: Look) -> None:
        state, first = self._state, look.frame.number - FRAMES_PER_DAY
        for numbers in (state.events, state.against, state.unclear):
            while numbers and numbers[0] <= first:
                numbers.pop(0)

    def _load(self, look: Look, held: float) -> None:
        """Looks at the frame before the last: whether the voltage bent there more than the currents explain. `held`:
        volts of a cell above which a bank that gives nothing is held by its float, and falls when that goes."""
        state, volts_now, rate_now = self._state, look.volts, look.rate
        recent = state.recent
        if recent:
            volts_before, rate_before, _ = recent[-1]
            rate = rate_now - rate_before
            if abs(rate) > 0.01 and volts_now < _TOP_VOLTS and volts_before < _TOP_VOLTS:
                state.ratios.append(abs((volts_now - volts_before) / rate))
                del state.ratios[:-_RATIOS]
        recent.append([volts_now, rate_now, look.spread])
        if len(recent) < _BACK + 2:
            return
        if len(recent) > _BACK + 2:
            del recent[0]
        before, here, after = recent[-3][0], recent[-2][0], volts_now
        signed = here - 0.5 * (before + after)
        bend = abs(signed)
        # Nearly always what the latest current does explains it already.
        if bend <= _JUMP_VOLTS + _LEAST_EXPLAINED * look.spread or min(before, here, after) < _BOTTOM_VOLTS:
            return
        late = recent[1:]
        rates = [one[1] for one in late]
        if rates[0] != 0.0 and rates.count(rates[0]) == len(rates):
            return  # to the last digit: the current has stopped being measured
        if max(rates) >= _CHARGING or max([one[0] for one in late]) >= _TOP_VOLTS:
            return
        change = max([abs(two[1] - one[1]) for one, two in zip(recent, late, strict=False)])
        ratios = sorted(state.ratios)
        usual = 1.3 * ratios[len(ratios) // 2] if len(ratios) >= 5 else 0.0
        explained = max(_LEAST_EXPLAINED, usual) * max(change, *[one[2] for one in late])
        if bend > _JUMP_VOLTS + explained:
            if max([one[0] for one in late if one[1] > -_GIVING], default=0.0) >= held:
                # A float that went for a moment, or a load: it accuses nobody, and proves nothing right.
                state.unclear.append(look.frame.number)
                return
            state.events.append(look.frame.number)
            current = recent[-2][1] - 0.5 * (recent[-3][1] + recent[-1][1])
            state.bends.append([signed, current])
            del state.bends[:-_RATIOS]

    def _fall(self, look: Look, rested: float) -> None:
        """A bank that has come to rest by the meter, and whose voltage goes on falling as in a discharge."""
        state, amp_hours = self._state, look.frame.amp_hours
        if amp_hours < 0.0:
            state.still_out -= amp_hours / self._rated
        if look.rate > _CHARGING or look.volts > rested or state.still_out > 0.02:
            state.still, state.still_out = 0, 0.0
            return
        state.still += 1
        if state.still == FRAMES_PER_HOUR:
            state.still_volts = look.volts
        elif state.still > FRAMES_PER_HOUR and state.still_volts - look.volts > 0.02:
            state.fallen = look.frame.number

    def _charger(self, look: Look, moved: float) -> None:
        state = self._state
        drawn = look.volts >= 2.3 and look.highs[0] < 0 and look.spread > 0
        if drawn and look.rate - (self._ledger.shift() or 0.0) < -0.008:
            state.against.append(look.frame.number)
        if moved > 0.0:
            state.paid += moved
        if look.volts >= _HELD_VOLTS:
            state.held += 1
            if state.held < _HELD_FRAMES:
                return
            if state.held == _HELD_FRAMES and state.debt >= _DEBT:
                state.agreed = state.agreed + 1 if state.paid < _PAID * state.debt else 0
                state.agreed_ms = look.at_ms
                state.judged = True
            state.debt, state.paid = 0.0, 0.0
            return
        if look.volts < _GONE_VOLTS:
            state.held = 0
        if moved < 0.0:
            state.debt -= moved

    def _verdict(self, look: Look, moment: Moment, facts: Facts) -> Told | None:
        state = self._state
        said = self._teller.verdict()
        odd = "" if facts.sign == "reversed" else self._odd(look, moment, facts, said)
        if odd:
            state.last_odd = look.frame.number
            return self._found(look, odd) if said != "bypassed_both" else None
        if len(state.unclear) > _FEW:
            state.last_odd = look.frame.number
        if said == "right" or facts.sign == "reversed":
            return None
        if said.startswith("bypassed"):
            words = "for a week the voltage did nothing that the current does not explain"
            cleared = look.frame.number - state.last_odd >= _CLEAR_FRAMES
            return Told("right", words, ("amps",)) if cleared else None
        return self._unaccused(look, said)

    def _unaccused(self, look: Look, said: str) -> Told | None:
        """What is said where nothing was found so far."""
        state = self._state
        if state.judged and state.frames >= FRAMES_PER_DAY and state.moved >= 0.1 and self._quiet(look):
            words = (
                "the bank took charge back when its charger held the voltage, and the voltage moves with the current"
            )
            return Told("right", words, ("amps",), value=float(len(state.events)))
        if not said and state.frames >= 3 * FRAMES_PER_DAY:
            words = "missing: a discharge by the meter of an eighth of the rated amp-hours and the charge after it"
            if state.unclear:
                words = (
                    "the voltage falls now and then from where a float may have held it, as by a load past the shunt"
                )
            return Told("cannot_tell", words, value=float(len(state.events)))
        return None

    def _quiet(self, look: Look) -> bool:
        """Whether the voltage hardly jumped, nor fell for a week from where a float may have held it."""
        state = self._state
        return len(state.events) <= _FEW and look.frame.number - state.last_odd >= _CLEAR_FRAMES

    def _odd(self, look: Look, moment: Moment, facts: Facts, said: str) -> str:
        """The verdict that the last day asks for, or nothing. `said`: the last one."""
        state, number, limits = self._state, look.frame.number, moment.limits
        most = limits["bypass_events_per_day"]
        most_ohms = limits["cell_ohm_amp_hours_high"]
        if facts.slope is not None and facts.slope > most_ohms:
            state.misfit = number
        fell = state.fallen > number - FRAMES_PER_DAY
        events = len(state.events) + (most / 2 if fell else 0)
        rose = facts.days.rose[0] if facts.days.rose else None
        state.ledger = self._ledger.verdict(number // FRAMES_PER_DAY, rose) if facts.sign == "right" else ""
        held = len(state.against) >= 6 or state.agreed
        charger = (held and self._charger_seen(facts)) or state.ledger == "charger"
        # A charger that comes and goes unseen makes jumps of its own.
        if charger or said == "bypassed_charger":
            load = events >= 3 * most
        else:
            load = events >= most and facts.changes >= _CHANGES and not self._misfit(look, most_ohms)
        if charger:
            # Jumps that had been laid to a load may have been that charger's, coming and going.
            return "bypassed_both" if load else "bypassed_charger"
        return "bypassed_load" if load or state.ledger == "load" else ""

    def _charger_seen(self, facts: Facts) -> bool:
        """A current whose sign was turned round looks the same, until a change of the current speaks for its sign."""
        state = self._state
        if facts.sign != "right":
            return False
        first = state.against[0] * FRAME_MS if state.against else state.agreed_ms
        return state.frames < 2 * FRAMES_PER_DAY or facts.right_ms > first

    def _misfit(self, look: Look, most_ohms: float) -> bool:
        """Whether the current is, or was in the last weeks, far too small for what the voltage does."""
        lately = look.frame.number - self._state.misfit < 14 * FRAMES_PER_DAY
        return lately or self._small_current(most_ohms)

    def _small_current(self, most_ohms: float) -> bool:
        """Whether the jumps go with the current after all, one that is far too small: then the scale is wrong."""
        bends = self._state.bends
        volts2 = sum(one[0] * one[0] for one in bends)
        rate2 = sum(one[1] * one[1] for one in bends)
        both = abs(sum(one[0] * one[1] for one in bends))
        return len(bends) >= 6 and rate2 > 0 and both >= 0.85 * sqrt(volts2 * rate2) and both > most_ohms * rate2

    def _found(self, look: Look, verdict: str) -> Told:
        state = self._state
        words = []
        if state.ledger:
            words.append(self._impossible())
        if verdict != "bypassed_charger" and (state.events or not words):
            words.append(
                f"{len(state.events)} times in a day the voltage jumped while the meter showed no change of current"
            )
        if state.against and verdict != "bypassed_load":
            words.append(
                f"for {len(state.against) * 5} minutes of a day a charger held the voltage while the meter showed"
                " discharge"
            )
        elif verdict != "bypassed_load" and not state.ledger:
            words.append(
                "the voltage was held as by a charger for two hours, and the meter had counted next to no charge"
            )
        first = min([*state.events[:1], *state.against[:1], look.frame.number])
        words.append("no setting mends it: all negative cables but the bank's own belong on the far side of the shunt")
        return Told(verdict, "; ".join(words), ("amps",), since_ms=first * FRAME_MS, value=float(len(state.events)))

    def _impossible(self) -> str:
        count, *sums = self._ledger.judged or [0.0] * 4
        out, bulk, inward = (100 * one for one in sums)
        counted = (
            f"in the last {count:.0f} charges {inward:.0f} % of the rated amp-hours went in and {out:.0f} % out by the"
            " meter"
        )
        if self._state.ledger == "charger":
            return (
                f"{counted}, while the bank reached its charging voltage each time: no bank gives more than it got, nor"
                " can the zero of the meter explain it"
            )
        if self._ledger.ground == "gas":
            return f"{counted}: more than gas can take; the meter does not see all that is drawn"
        return (
            f"{counted}; {bulk:.0f} % came back before gas began, more than was ever taken out: the meter does not see"
            " all that is drawn"
        )

    def to_plain(self) -> dict[str, Any]:
        state = dict(vars(self._state))
        state["recent"] = [list(one) for one in state["recent"]]
        state["bends"] = [list(one) for one in state["bends"]]
        for name in ("events", "against", "unclear", "ratios", "coolest"):
            state[name] = list(state[name])
        return {"said": dict(self._teller.said), "state": state, "ledger": self._ledger.to_plain()}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        self._state, self._ledger = _State(**plain["state"]), Ledger.from_plain(plain["ledger"])
