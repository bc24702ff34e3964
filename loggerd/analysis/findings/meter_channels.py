"""Do the channels live? Stuck, noisy, silent, out of range; and whether the clock was set."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isnan
from typing import Any

import numpy as np

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY, FRAMES_PER_HOUR, Facts, Look, Teller, Told, known
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark

_STUCK_FRAMES = FRAMES_PER_HOUR
_MOVED_VOLTS = 0.02
_SILENT_FRAMES = 2 * FRAMES_PER_HOUR
_NOISY_FRAMES = 24
_RETURNED = 6
_RESTING = 0.01
_UNSTEADY = ("stuck", "noisy", "silent")


@dataclass
class _Channel:
    """Of one channel: `flat` frames at `value`, in which the other voltages moved between `low` and `high` (per cell)
    by `path` in all; `silent` frames, and the longest ordinary pause; `noisy`: frames with more noise than
    stated; `beyond`: frames out of range, fading; `good`: frames in a row with readings; `heard`: 1 once it was."""

    value: float | None = None
    flat: int = 0
    flat_since: int = 0
    low: float | None = None
    high: float | None = None
    path: float = 0.0
    last: float | None = None
    silent: int = 0
    pause: int = 1
    noisy: int = 0
    beyond: float = 0.0
    good: int = 0
    heard: int = 0


@dataclass
class _State:
    channels: dict[str, _Channel] = field(default_factory=dict)
    unset: int = 0
    set: int = 0


class Channels:
    """See the module. Its findings' subjects are channels; "bank" where several fall silent at once."""

    def __init__(self, ground: Ground) -> None:
        layout, bank = ground.layout, ground.bank
        self._index = layout.index
        self._cells = {"volts": bank.cells_in_series, "amps": 0}
        self._cells |= dict.fromkeys(layout.names[layout.block_volts], bank.cells_per_block)
        self._names = [name for name in layout.names if name in ground.channels]
        self._blocks = list(layout.names[layout.block_volts])
        self._accuracy = {name: ground.accuracy.get(name, Accuracy()) for name in self._names}
        self._rated = bank.rated_amp_hours
        self._teller = Teller("meter.channel", {})
        self._clock = Teller("meter.clock", {})
        self._state = _State({name: _Channel() for name in self._names})
        self._open = set(self._names)
        self._columns = [self._index[name] for name in self._names]
        self._electric = np.array([not name.endswith("celsius") for name in self._names])
        self._wide = np.array([self._usual_width(name) for name in self._names])

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        found = self._judge_clock(look, moment)
        names = self._suspects(look)
        if not names:
            return found
        spreads = self._spreads(look)
        fell: list[str] = []
        for name in names:
            channel = self._state.channels[name]
            if self._silent(look, name, channel):
                fell.append(name)
                continue
            if look.counts[self._index[name]] and not name.endswith("celsius"):
                self._follow(look, name, channel, spreads)
            told = self._judge(look, name, channel)
            if told is not None:
                found.extend(self._teller.tell(look, moment, told))
        found.extend(self._tell_silent(look, moment, fell))
        self._open = {name for name in names if self._is_open(name)}
        facts.bad = frozenset(name for name in self._open if self._teller.verdict(name) in _UNSTEADY)
        return found

    def _usual_width(self, name: str) -> float:
        """A frame's readings that lie nearer together than this are not noisy."""
        if name.endswith("celsius"):
            return float("inf")
        noise = 12 * (self._accuracy[name].noise or 0.0) + 3 * self._accuracy[name].resolution
        # Currents and voltages move in use; how much more than their noise is looked at one by one.
        return max(noise, 0.05 * self._rated) if name.endswith("amps") else noise + 0.006 * self._cells[name]

    def _suspects(self, look: Look) -> list[str]:
        """Channels that are worth a look in this frame: silent, standing still or wide, or under watch already."""
        frame = look.frame
        counts, lows, highs = frame.counts[self._columns], frame.lows[self._columns], frame.highs[self._columns]
        odd = (counts == 0) | ((lows == highs) & self._electric) | (highs - lows > self._wide)
        found = self._open | {self._names[place] for place in np.flatnonzero(odd).tolist()}
        if frame.marks:
            found |= {name for name, _ in frame.marks if name in self._state.channels}
        return [name for name in self._names if name in found] if found else []

    def _is_open(self, name: str) -> bool:
        """Whether the channel has to be watched on; one that need not is put back to how all begin."""
        channel = self._state.channels[name]
        if (
            not channel.heard
            or channel.flat > 1
            or channel.value is not None
            or channel.silent
            or channel.noisy
            or channel.beyond > 0.05
            or self._teller.verdict(name) not in {"", "right"}
            or self._teller.verdict() == "silent"
        ):
            return True
        self._state.channels[name] = _Channel(pause=channel.pause, heard=1)
        return False

    def _spreads(self, look: Look) -> list[tuple[float, str]]:
        """Width of the readings of each voltage in this frame [V per cell], rising."""
        found = []
        for name, cells in self._cells.items():
            if cells and name in self._accuracy:
                column = self._index[name]
                width = look.highs[column] - look.lows[column]
                if not isnan(width):
                    found.append((width / cells, name))
        return sorted(found)

    def _silent(self, look: Look, name: str, channel: _Channel) -> bool:
        """Counts frames without readings; whether the channel falls silent with this one."""
        if look.counts[self._index[name]]:
            if 0 < channel.silent < _SILENT_FRAMES:
                channel.pause = max(channel.pause, channel.silent)
            channel.silent = 0
            channel.good = min(channel.good + 1, FRAMES_PER_DAY)
            channel.heard = 1
            return False
        channel.good = 0
        # The bank voltage is read with the current: where that is out of range, it is not silent.
        if any(key[0] in {name, "amps"} for key in look.frame.marks) and name in {"amps", "volts"}:
            return False
        if any(key[0] == name for key in look.frame.marks):
            return False
        channel.silent += 1
        return channel.silent == max(_SILENT_FRAMES, 4 * channel.pause)

    def _tell_silent(self, look: Look, moment: Moment, fell: list[str]) -> list[Finding]:
        if not fell:
            return []
        since = (look.frame.number - self._state.channels[fell[0]].silent + 1) * FRAME_MS
        ever = all(self._state.channels[name].heard for name in fell)
        words = f"no reading for {self._state.channels[fell[0]].silent // 12} hours" if ever else "never gave a reading"
        words += ", while other channels go on"
        if len(fell) == 1:
            return self._teller.tell(look, moment, Told("silent", words, (fell[0],), fell[0], since))
        told = Told("silent", f"{', '.join(fell)}: {words}", tuple(fell), "bank", since)
        return self._teller.tell(look, moment, told)

    def _follow(self, look: Look, name: str, channel: _Channel, spreads: list[tuple[float, str]]) -> None:
        column = self._index[name]
        low, high = look.lows[column], look.highs[column]
        if low == high and channel.value == low and look.counts[column] > 1:
            channel.flat += 1
        else:
            channel.value, channel.flat, channel.flat_since = (low if low == high else None), 1, look.frame.number
            channel.low = channel.high = channel.last = None
            channel.path = 0.0
        volts = self._others(look, name)
        if volts is not None:
            channel.low = volts if channel.low is None else min(channel.low, volts)
            channel.high = volts if channel.high is None else max(channel.high, volts)
            channel.path += abs(volts - channel.last) if channel.last is not None else 0.0
            channel.last = volts
        self._noise(look, name, channel, spreads)

    def _others(self, look: Look, name: str) -> float | None:
        """Volts per cell without this channel: the median of the blocks, or the bank's."""
        if name == "volts" and not look.source:
            return None
        if look.source or name.endswith("amps"):
            return known(look.volts)
        bank = look.means[1] / self._cells["volts"]
        return known(bank)

    def _noise(self, look: Look, name: str, channel: _Channel, spreads: list[tuple[float, str]]) -> None:
        """A voltage that jumps about while the others and the current stand still; a current that does while no voltage
        moves."""
        accuracy, column = self._accuracy[name], self._index[name]
        width = look.highs[column] - look.lows[column]
        noise = 12 * (accuracy.noise or 0.0) + 3 * accuracy.resolution
        if name == "amps" or name.startswith("string"):
            marked = (name, Mark.OUT_OF_RANGE) in look.frame.marks
            if marked or not spreads or look.volts >= 2.2 or look.counts[column] < 3:
                return
            share = width / self._rated
            still = max(spreads[len(spreads) // 2][0] - self._dither(spreads), 0.0) < 0.03 * share * 0.3
            wide = 0.05 < share < 1 and width > noise
            seen = wide and still and self._resolves(0.03 * share)
            self._count(channel, seen, look.spread < 10)
            return
        cells = self._cells[name]
        others = [one for one, other in spreads if other != name]
        if not others or look.counts[column] < 3:
            return
        peer = others[len(others) // 2]
        seen = (
            width > noise + 0.006 * cells and width / cells > 5 * peer + 0.006 and not self._real(name, width, spreads)
        )
        self._count(channel, seen, True)

    def _real(self, name: str, width: float, spreads: list[tuple[float, str]]) -> bool:
        """Whether bank and block move by the same volts: an open or empty block does that, and no sensor."""
        others = [share * self._cells[other] for share, other in spreads if (other == "volts") != (name == "volts")]
        return bool(others) and max(others) > 0.5 * width

    def _dither(self, spreads: list[tuple[float, str]]) -> float:
        """What the voltages' own noise makes of that width [V per cell]."""
        name = spreads[len(spreads) // 2][1]
        accuracy = self._accuracy[name]
        return (6 * (accuracy.noise or 0.0) + accuracy.resolution) / self._cells[name]

    def _resolves(self, volts: float) -> bool:
        """Whether some voltage would show so much [V per cell]."""
        fine = [
            self._accuracy[name].resolution / cells
            for name, cells in self._cells.items()
            if cells and name in self._accuracy
        ]
        return bool(fine) and min(fine) * 3 < volts

    @staticmethod
    def _count(channel: _Channel, seen: bool, judged: bool) -> None:
        if judged:
            named = channel.noisy >= _NOISY_FRAMES
            if seen:
                # Once named, it takes a day without noise to be taken back.
                channel.noisy = _NOISY_FRAMES + FRAMES_PER_DAY if named else channel.noisy + 1
            else:
                channel.noisy = max(0, channel.noisy - (1 if named else 2))

    def _judge(self, look: Look, name: str, channel: _Channel) -> Told | None:
        beyond = (name, Mark.OUT_OF_RANGE) in look.frame.marks
        if name in self._blocks and not abs(look.rate) < _RESTING:
            beyond = False  # an open cell does that under load
        most = beyond and look.frame.marks[(name, Mark.OUT_OF_RANGE)] > look.counts[self._index[name]]
        channel.beyond = channel.beyond * 0.99 + (1.0 if most else 0.0)
        if name == "amps" or name.endswith("celsius"):
            channel.beyond = 0.0
        said = self._teller.verdict(name)
        if channel.beyond >= 20 and said != "out_of_range" and not self._neighbour_beyond(name):
            words = "most of its readings lie outside its valid range, hour after hour"
            return Told("out_of_range", words, (name,), name, look.at_ms - 20 * FRAME_MS)
        if not name.endswith("celsius"):
            told = self._stuck(name, channel) or self._noisy(look, name, channel)
            if told is not None:
                return told
        return self._again(look, name, channel, said)

    def _neighbour_beyond(self, name: str) -> bool:
        """Then tap wires are exchanged, which another check names."""
        if name not in self._blocks:
            return False
        place = self._blocks.index(name)
        near = [self._blocks[one] for one in (place - 1, place + 1) if 0 <= one < len(self._blocks)]
        return any(self._state.channels[one].beyond > 5 for one in near if one in self._state.channels)

    def _stuck(self, name: str, channel: _Channel) -> Told | None:
        if channel.flat < _STUCK_FRAMES or channel.value is None or channel.low is None or channel.high is None:
            return None
        moved = channel.high - channel.low
        since = channel.flat_since * FRAME_MS
        if name.endswith("amps"):
            # A charger may hold the current, and the voltage rises then; it does not go up and down.
            back_and_forth = channel.path - moved > max(0.06, 2 * moved)
            if channel.value == 0.0 or not back_and_forth:
                return None
            words = f"it says {channel.value:g} A without change while the voltage went up and down"
            return Told("stuck", words, (name,), name, since, channel.value)
        fine = self._accuracy[name].resolution
        if moved < _MOVED_VOLTS or moved * self._cells.get(name, 1) < 4 * fine:
            return None
        if channel.value == 0.0 and name != "volts":
            return None  # a tap that is off
        words = f"it says {channel.value:g} V without change while the other voltages moved by {moved:.2f} V per cell"
        return Told("stuck", words, (name,), name, since, channel.value)

    def _noisy(self, look: Look, name: str, channel: _Channel) -> Told | None:
        if channel.noisy < _NOISY_FRAMES:
            return None
        column = self._index[name]
        width = look.highs[column] - look.lows[column]
        unit = "A" if name.endswith("amps") else "V"
        words = f"within five minutes it moves by {width:.2f} {unit} while nothing else does"
        return Told("noisy", words, (name,), name, look.at_ms - _NOISY_FRAMES * FRAME_MS, width)

    def _again(self, look: Look, name: str, channel: _Channel, said: str) -> Told | None:
        """Well again after a fault."""
        del look
        well = channel.good >= _RETURNED and channel.flat <= 2 and channel.noisy == 0 and channel.beyond < 5
        if said and said != "right" and well:
            return Told("right", "it reads again as it should", (name,), name)
        if (
            name == self._names[0]
            and self._teller.verdict() == "silent"
            and all(one.silent == 0 for one in self._state.channels.values())
        ):
            return Told("right", "all channels are read again", tuple(self._names), "bank")
        return None

    def _judge_clock(self, look: Look, moment: Moment) -> list[Finding]:
        state, marks = self._state, look.frame.marks
        if any(mark is Mark.CLOCK_NOT_SET for _, mark in marks):
            state.unset, state.set = min(state.unset + 1, FRAMES_PER_DAY), 0
        else:
            state.unset, state.set = 0, min(state.set + 1, FRAMES_PER_DAY)
        if state.unset >= 2:
            words = "readings carry a time that no set clock gave; amp-hours count on, dates are guessed"
            return self._clock.tell(look, moment, Told("not_set", words, since_ms=look.at_ms - 2 * FRAME_MS))
        if state.set >= 2 and self._clock.verdict() != "right":
            return self._clock.tell(look, moment, Told("right", "the clock is set"))
        return []

    def to_plain(self) -> dict[str, Any]:
        state = self._state
        return {
            "said": dict(self._teller.said),
            "clock": dict(self._clock.said),
            "channels": {name: dict(vars(channel)) for name, channel in state.channels.items()},
            "open": sorted(self._open),
            "unset": state.unset,
            "set": state.set,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said, self._clock.said = dict(plain["said"]), dict(plain["clock"])
        kept = {name: _Channel(**one) for name, one in plain["channels"].items() if name in self._state.channels}
        self._state.channels.update(kept)
        self._open = set(plain["open"])
        self._state.unset, self._state.set = plain["unset"], plain["set"]
