"""Do the channels live? Stuck, noisy, silent, out of range."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import nan
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.meter_channel_state import Channel, Column
from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY, FRAMES_PER_HOUR, Facts, Look, Teller, Told, known
from loggerd.analysis.findings.meter_noise import DAYS, Fine, Unquiet
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark

_STUCK_FRAMES = FRAMES_PER_HOUR
_MOVED_VOLTS = 0.02
_SILENT_FRAMES = 2 * FRAMES_PER_HOUR
_NOISY_FRAMES = 24
_RIPPLE_AMPS, _RIPPLE_VOLTS = 0.0025, 0.003
"""Share of the rated amp-hours, and volts per cell, by which inverters and regulators make readings scatter all day."""
_MOST_RATE = 10.0
"""Share of the rated amp-hours: no such bank carries more for five minutes (common practice, no source)."""
_OWN_SIZE = 2.0
"""A current that scatters by less than so many times itself may be one that is shown too large, noise and all."""
_DRIFT = 1.5
"""A voltage that goes one way changes about as much from frame to frame as within one; noise moves the mean of five
readings by a quarter of its width."""
_RETURNED = 6
_RESTING = 0.01
_UNSTEADY = ("stuck", "noisy", "silent")
_NOTHING = ("", "right")


@dataclass
class _State:
    channels: dict[str, Channel] = field(default_factory=dict)


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
        self._state = _State({name: Channel() for name in self._names})
        self._open = set(self._names)
        self._columns = columns = [self._column(name) for name in self._names]
        self._asked = [
            (one, one.column, one.name, -1.0 if one.thermal else 0.0, one.wide, one.cells) for one in columns
        ]
        """The columns with what each frame is asked of them: a width up to which it stands still, and the wide one."""
        self._voltages = [(one.column, one.cells, one.name) for one in self._columns if one.cells]
        self._dither = {name: self._noise_width(name) / cells for _, cells, name in self._voltages}
        """What a voltage's own noise makes of its width [V per cell]."""
        self._finest = min((self._accuracy[name].resolution / cells for _, cells, name in self._voltages), default=None)
        self._most_dither = max(self._dither.values(), default=0.0)
        self._widths: list[float] | None = None
        self._alike = -1.0
        """A width [V per cell] up to which none of them moves alone; none is where fewer than two are read."""
        self._before: list[float] = []
        """Means of the frame before."""
        self._unquiet = Unquiet(tuple(self._fine(one) for one in self._columns if not one.thermal))

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        if self._unquiet.push(look):
            self._never_quiet(facts)
        if not look.follows:
            self._before = []
        suspects = self._suspects(look)
        if not suspects:
            self._before = look.means
            return []
        found: list[Finding] = []
        fell: list[str] = []
        for one in suspects:
            channel = self._state.channels[one.name]
            if self._silent(look, one, channel):
                fell.append(one.name)
                continue
            if look.counts[one.column] and not one.thermal:
                self._follow(look, one, channel)
            told = self._judge(look, one.name, channel)
            if told is not None:
                found.extend(self._teller.tell(look, moment, told))
        if fell:
            found.extend(self._tell_silent(look, moment, fell))
        self._open = {one.name for one in suspects if self._is_open(one.name)}
        if self._open:
            facts.bad = frozenset(name for name in self._open if self._teller.verdict(name) in _UNSTEADY)
        self._before = look.means
        return found

    def _column(self, name: str) -> Column:
        noise = 12 * (self._accuracy[name].noise or 0.0) + 3 * self._accuracy[name].resolution
        thermal, current = name.endswith("celsius"), name.endswith("amps")
        cells = self._cells.get(name, 0)
        # Currents and voltages move in use; how much more than their noise is looked at one by one.
        wide = max(noise, 0.05 * self._rated) if current else noise + 0.006 * cells
        return Column(name, self._index[name], thermal, current, noise, float("inf") if thermal else wide, cells)

    def _fine(self, one: Column) -> Fine:
        ripple = _RIPPLE_AMPS * self._rated if one.current else _RIPPLE_VOLTS * one.cells
        most = _MOST_RATE * self._rated if one.current else float("inf")
        return Fine(one.name, one.column, max(one.fine, ripple), most)

    def _never_quiet(self, facts: Facts) -> None:
        """Channels that were not quiet once in whole days are noisy, whatever else moved meanwhile; but a wrong scale
        makes more of the noise of a good sensor."""
        for name, days in self._unquiet.days.items():
            scaled = name.endswith("amps") and facts.scale.startswith("too_")
            if days >= DAYS and self._accuracy[name].noise is not None and not scaled:
                channel = self._state.channels[name]
                channel.noisy = _NOISY_FRAMES + channel.noisy_hold
                self._open.add(name)

    def _suspects(self, look: Look) -> list[Column]:
        """Channels that are worth a look in this frame: silent, standing still or wide, or under watch already."""
        self._widths = None
        counts, lows, highs, watched = look.counts, look.lows, look.highs, self._open
        if look.frame.marks:
            watched = watched.union(name for name, _ in look.frame.marks)
        found, alike = [], None
        for one, column, name, still, wide, cells in self._asked:
            width = highs[column] - lows[column]
            if still < width and name not in watched:
                # Nearly always it is not wide, or all voltages move together.
                if width <= wide:
                    continue
                if cells:
                    alike = self._alike_of(look) if alike is None else alike
                    if width / cells <= alike:
                        continue
                if counts[column] < 3 or not self._moves_alone(look, one, width):
                    continue
            found.append(one)
        return found

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
        self._state.channels[name] = Channel(pause=channel.pause, heard=1, times=channel.times)
        return False

    def _spreads(self, look: Look) -> list[tuple[float, str]]:
        """Width of the readings of each voltage in this frame [V per cell], rising."""
        lows, highs, counts = look.lows, look.highs, look.counts
        return sorted([((highs[one] - lows[one]) / cells, name) for one, cells, name in self._voltages if counts[one]])

    def _ranked(self, look: Look) -> list[float]:
        """The widths without the names; made when first asked for."""
        if self._widths is None:
            lows, highs, counts = look.lows, look.highs, look.counts
            widths = sorted([(highs[one] - lows[one]) / cells for one, cells, _ in self._voltages if counts[one]])
            self._alike = 5 * widths[(len(widths) - 1) // 2] + 0.006 if len(widths) > 1 else -1.0
            self._widths = widths
        return self._widths

    def _alike_of(self, look: Look) -> float:
        self._ranked(look)
        return self._alike

    def _silent(self, look: Look, one: Column, channel: Channel) -> bool:
        """Counts frames without readings; whether the channel falls silent with this one."""
        name = one.name
        if look.counts[one.column]:
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
        since = (look.frame.number - self._state.channels[fell[0]].silent + 1) * FRAME_MS
        ever = all(self._state.channels[name].heard for name in fell)
        words = f"no reading for {self._state.channels[fell[0]].silent // 12} hours" if ever else "never gave a reading"
        words += ", while other channels go on"
        if len(fell) == 1:
            return self._teller.tell(look, moment, Told("silent", words, (fell[0],), fell[0], since))
        told = Told("silent", f"{', '.join(fell)}: {words}", tuple(fell), "bank", since)
        return self._teller.tell(look, moment, told)

    def _follow(self, look: Look, one: Column, channel: Channel) -> None:
        column = one.column
        low, high = look.lows[column], look.highs[column]
        if low == high and channel.value == low and look.counts[column] > 1:
            channel.flat += 1
        else:
            channel.value, channel.flat, channel.flat_since = (low if low == high else None), 1, look.frame.number
            channel.low = channel.high = channel.last = None
            channel.path = 0.0
        volts = self._others(look, one)
        if volts is not None:
            channel.low = volts if channel.low is None else min(channel.low, volts)
            channel.high = volts if channel.high is None else max(channel.high, volts)
            channel.path += abs(volts - channel.last) if channel.last is not None else 0.0
            channel.last = volts
        if look.counts[column] >= 3 and (channel.noisy or high - low > one.wide):
            self._count(channel, self._moves_alone(look, one, high - low))

    def _others(self, look: Look, one: Column) -> float | None:
        """Volts per cell without this channel: the median of the blocks, or the bank's; for that of the bank the mean
        of the blocks, since blocks that drift apart at a held voltage leave their sum alone."""
        if one.name == "volts" and look.source:
            blocks = look.means[look.frame.layout.block_volts]
            whole = known(sum(blocks) / (len(blocks) * self._cells[self._blocks[0]]))
            if whole is not None:
                return whole
        if look.source or one.current:
            return known(look.volts)
        return None if one.name == "volts" else known(look.means[1] / self._cells["volts"])

    def _moves_alone(self, look: Look, one: Column, width: float) -> bool | None:
        """Whether a voltage jumps about while the others and the current stand still, or a current does while no
        voltage moves; None where that cannot be judged."""
        if one.current:
            return self._current_alone(look, one, width)
        cells = one.cells
        # Nearly always all move together, which half of them show before the one is left out.
        if width / cells <= self._alike_of(look):
            return False
        spreads = self._spreads(look)
        others = [share for share, other in spreads if other != one.name]
        if not others:
            return None
        peer = others[len(others) // 2]
        alone = width > one.wide and width / cells > 5 * peer + 0.006
        return alone and not self._real(one.name, width, spreads) and not self._drifts(look, one, width)

    def _drifts(self, look: Look, one: Column, width: float) -> bool:
        """Whether it goes one way, as a block does that empties or fills: noise leaves the mean where it is."""
        change = abs(look.means[one.column] - self._before[one.column]) if self._before else 0.0
        return width - one.fine <= _DRIFT * change

    def _current_alone(self, look: Look, one: Column, width: float) -> bool | None:
        if width <= one.fine:
            return False
        if look.volts >= 2.2 or look.spread >= 10:
            return None
        if look.frame.marks and (one.name, Mark.OUT_OF_RANGE) in look.frame.marks:
            return None
        if width < _OWN_SIZE * abs(look.means[one.column]) or not (widths := self._ranked(look)):
            return None
        share, half = width / self._rated, len(widths) // 2
        moved = 0.03 * share * 0.3
        if widths[half] - self._most_dither >= moved:
            return False
        middle, name = self._spreads(look)[half]
        still = max(middle - self._dither[name], 0.0) < moved
        return still and 0.05 < share < 1 and self._resolves(0.03 * share)

    def _real(self, name: str, width: float, spreads: list[tuple[float, str]]) -> bool:
        """Whether bank and block move by the same volts: an open or empty block does that, and no sensor."""
        others = [share * self._cells[other] for share, other in spreads if (other == "volts") != (name == "volts")]
        return bool(others) and max(others) > 0.5 * width

    def _noise_width(self, name: str) -> float:
        """Width of the readings that its own noise makes [V]."""
        accuracy = self._accuracy[name]
        return 6 * (accuracy.noise or 0.0) + accuracy.resolution

    def _resolves(self, volts: float) -> bool:
        """Whether some voltage would show so much [V per cell]."""
        return self._finest is not None and self._finest * 3 < volts

    @staticmethod
    def _count(channel: Channel, seen: bool | None) -> None:
        if seen is None:
            return
        named = channel.noisy >= _NOISY_FRAMES
        if seen:
            channel.noisy = _NOISY_FRAMES + channel.noisy_hold if named else channel.noisy + 1
        else:
            channel.noisy = max(0, channel.noisy - (1 if named else 2))

    def _judge(self, look: Look, name: str, channel: Channel) -> Told | None:
        if self._calm(look, name, channel):
            return None
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
                if told.verdict == "noisy" and said != "noisy":
                    channel.times += 1
                return told
        return self._again(name, channel, said)

    def _calm(self, look: Look, name: str, channel: Channel) -> bool:
        """Whether nothing was seen of a channel, so that nothing can be told: the usual case, told cheaply."""
        quiet = channel.flat < _STUCK_FRAMES and channel.noisy < _NOISY_FRAMES and channel.beyond == 0.0
        said = self._teller.said
        return quiet and not look.frame.marks and said.get(name, "right") in _NOTHING and said.get("bank") != "silent"

    def _neighbour_beyond(self, name: str) -> bool:
        """Then tap wires are exchanged, which another check names."""
        if name not in self._blocks:
            return False
        place = self._blocks.index(name)
        near = [self._blocks[one] for one in (place - 1, place + 1) if 0 <= one < len(self._blocks)]
        return any(self._state.channels[one].beyond > 5 for one in near if one in self._state.channels)

    def _stuck(self, name: str, channel: Channel) -> Told | None:
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

    def _noisy(self, look: Look, name: str, channel: Channel) -> Told | None:
        if channel.noisy < _NOISY_FRAMES:
            return None
        column = self._index[name]
        width = look.highs[column] - look.lows[column]
        unit = "A" if name.endswith("amps") else "V"
        often = "at all hours" if name in self._unquiet.days else "while nothing else does"
        words = f"within five minutes it moves by {width:.2f} {unit} {often}"
        return Told("noisy", words, (name,), name, look.at_ms - _NOISY_FRAMES * FRAME_MS, width)

    def _again(self, name: str, channel: Channel, said: str) -> Told | None:
        """Well again after a fault."""
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

    def to_plain(self) -> dict[str, Any]:
        state = self._state
        return {
            "said": dict(self._teller.said),
            "channels": {name: dict(vars(channel)) for name, channel in state.channels.items()},
            "open": sorted(self._open),
            "before": [known(one) for one in self._before],
            "unquiet": self._unquiet.to_plain(),
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        kept = {name: Channel(**one) for name, one in plain["channels"].items() if name in self._state.channels}
        self._state.channels.update(kept)
        self._open = set(plain["open"])
        self._before = [nan if one is None else one for one in plain["before"]]
        self._unquiet.load_plain(plain["unquiet"])
