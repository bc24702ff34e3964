"""Do the temperature probes live, and do they sit on their blocks?

A block is heavy: it follows the air of the room slowly, and warms with charge and discharge as its neighbours do. A
probe that has fallen off follows the air at once and knows nothing of the heat. A block that is not charged as its
neighbours are stays colder by right; so does a string whose share of the current the other strings take, and a probe
is compared with those of its own string.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isnan
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY, FRAMES_PER_HOUR, Facts, Look, Teller, Told
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark

_ERROR_VALUES = (-127.0, 85.0, -128.0, 0.0)
"""What common digital probes say when they cannot measure (from memory: -127 without an answer, 85 after power-on);
0 is what an unconnected register says."""
_DEAD_HOURS = 3
_FLAT_HOURS = 24
_OTHERS_KELVIN = 4.0
_WARM_KELVIN = 4.0
_COLD_SHARE = 0.25
_WARM_HOURS = 3
_AIR_KELVIN = 10.0
"""Squared changes of the air [K²] from which on it shows who follows them: a tenth of them, which is allowed, is
more than what noise and digits of common probes make in those hours (own estimate)."""
_FOLLOWS, _APART = 0.75, 0.1
_DRIFT_KELVIN = 5.0
_UNLIKE_VOLTS = 0.03
"""Per cell, apart from its peers on charge, from which a block does not gas as they do."""
_UNLIKE_HOURS = 24
"""A block keeps what it was warmed by for about so long (own estimate)."""


@dataclass
class _Probe:
    """Of one probe, looked at in one frame of each hour: `value` that has not changed for `flat` hours, since frame
    `since`, while others moved between `low` and `high`; `silent` hours out of range; `warm`, `cold`: hours in which
    peers were warm, and it was not; `air2`, `both`: fading sums of the squared change of the air, and of its product
    with its own; `apart2`: the same of the difference of both; `colder`: hours in a row in which it
    was colder than the air and all its peers; `hour`: last value; `unlike`: hours until its block's voltage
    has been that of its peers for long enough."""

    value: float | None = None
    flat: int = 0
    since: int = 0
    low: float | None = None
    high: float | None = None
    silent: int = 0
    warm: float = 0.0
    cold: float = 0.0
    air2: float = 0.0
    both: float = 0.0
    apart2: float = 0.0
    colder: int = 0
    hour: float | None = None
    unlike: int = 0


@dataclass
class _State:
    probes: dict[str, _Probe] = field(default_factory=dict)
    air: float | None = None
    hour_frame: int = -1


class Probes:
    """See the module. Its findings' subjects are channels."""

    def __init__(self, ground: Ground) -> None:
        layout = ground.layout
        wanted = [*layout.names[layout.block_celsius], "ambient_celsius"]
        self._names = [name for name in wanted if name in ground.channels]
        self._index, self._cells = layout.index, ground.bank.cells_per_block
        places = {name: place for place, name in enumerate(layout.names[layout.block_celsius])}
        self._string = {name: places[name] // ground.bank.blocks_per_string for name in self._names if name in places}
        self._accuracy = {name: ground.accuracy.get(name, Accuracy()) for name in self._names}
        self._teller = Teller("meter.temperature", {})
        self._state = _State({name: _Probe() for name in self._names})

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        del facts
        if not self._names or look.frame.number % FRAMES_PER_HOUR:
            return []
        known = {name: value for name in self._names if not isnan(value := look.means[self._index[name]])}
        air = known.get("ambient_celsius")
        blocks = sorted(value for name, value in known.items() if name != "ambient_celsius")
        median = blocks[len(blocks) // 2] if blocks else None
        reference = median if len(blocks) >= 3 else air
        for name in self._names:
            probe = self._state.probes[name]
            self._flat(look, name, probe, reference)
            works = self._works(name, look, probe)
            if works and name in known and air is not None:
                self._peers(name, probe, known, blocks)
        self._change(look, known, air)
        return [finding for name in self._names for finding in self._judge(look, moment, name)]

    def _works(self, name: str, look: Look, probe: _Probe) -> bool:
        """Whether the probe's block has had about the voltage of its peers: one that lags behind stays cold."""
        if name == "ambient_celsius":
            return False
        apart = abs(look.means[self._index[name.replace("celsius", "volts")]] / self._cells - look.volts)
        probe.unlike = _UNLIKE_HOURS if apart > _UNLIKE_VOLTS else max(probe.unlike - 1, 0)
        return probe.unlike == 0

    def _flat(self, look: Look, name: str, probe: _Probe, reference: float | None) -> None:
        column = self._index[name]
        if look.counts[column] == 0:
            if (name, Mark.OUT_OF_RANGE) in look.frame.marks or (name, Mark.UNREADABLE) in look.frame.marks:
                probe.silent += 1
                probe.since = probe.since if probe.silent > 1 else look.frame.number
            return
        probe.silent = 0
        low, high = look.lows[column], look.highs[column]
        if low == high and probe.value == low:
            probe.flat += 1
        else:
            probe.value, probe.flat, probe.since = (low if low == high else None), 1, look.frame.number
            probe.low = probe.high = None
        if reference is not None:
            probe.low = reference if probe.low is None else min(probe.low, reference)
            probe.high = reference if probe.high is None else max(probe.high, reference)

    def _peers(self, name: str, probe: _Probe, known: Mapping[str, float], blocks: Sequence[float]) -> None:
        """`known`: temperatures by channel; `blocks`: those of blocks, rising."""
        if len(blocks) < 3:
            return
        value, air, own = known[name], known["ambient_celsius"], self._string[name]
        peers = [known[other] for other, string in self._string.items() if string == own and other in known]
        # Blocks of one string that are cold together have had no current; so many probes do not come off at once.
        warmth = sorted(peers)[len(peers) // 2] - air if len(peers) >= 3 else 0.0
        if warmth >= _WARM_KELVIN:
            probe.warm = min(probe.warm + 1, 48.0)
            if -2.0 < value - air < _COLD_SHARE * warmth:
                probe.cold = min(probe.cold + 1, probe.warm)
            else:
                probe.cold = max(0.0, probe.cold - 1)
        others = blocks[1] if blocks[0] == value else blocks[0]
        colder = value < min(air, others) - _DRIFT_KELVIN
        probe.colder = min(probe.colder + 1, 48) if colder else 0

    def _change(self, look: Look, known: dict[str, float], air: float | None) -> None:
        state = self._state
        neighbour = look.frame.number - state.hour_frame == FRAMES_PER_HOUR and not look.frame.after_unknown
        change = air - state.air if neighbour and air is not None and state.air is not None else None
        for name, probe in state.probes.items():
            value = known.get(name)
            if change is not None and value is not None and probe.hour is not None:
                probe.air2 = 0.99 * probe.air2 + change * change
                own = value - probe.hour
                probe.both = 0.99 * probe.both + change * own
                probe.apart2 = 0.99 * probe.apart2 + (own - change) ** 2
            probe.hour = value
        state.air, state.hour_frame = air, look.frame.number

    def _judge(self, look: Look, moment: Moment, name: str) -> list[Finding]:
        probe = self._state.probes[name]
        told = self._dead(name, probe) or (None if name == "ambient_celsius" else self._loose(name, probe))
        said = self._teller.verdict(name)
        moves = probe.flat < 2 and not probe.silent and self._well(probe)
        if told is None and said not in {"", "right"} and moves:
            told = Told("right", "it moves again as its neighbours and the air let expect", (name,), name)
        if told is None and not said and look.frame.number % FRAMES_PER_DAY == 0 and self._well(probe) and probe.hour:
            told = Told("right", "it moves as its neighbours and the air let expect", (name,), name)
        return self._teller.tell(look, moment, told) if told else []

    @staticmethod
    def _well(probe: _Probe) -> bool:
        # Where the air hardly moves nothing shows that a probe that followed it does so no longer.
        follows = probe.apart2 < 0.2 * probe.air2
        return probe.cold < 0.3 * probe.warm + 1 and probe.colder == 0 and not follows

    def _dead(self, name: str, probe: _Probe) -> Told | None:
        since = probe.since * FRAME_MS
        if probe.silent >= _DEAD_HOURS:
            words = f"for {probe.silent} hours it gave no temperature that can be one"
            return Told("dead", words, (name,), name, since)
        if probe.value is None or probe.low is None or probe.high is None:
            return None
        away = max(abs(probe.value - probe.low), abs(probe.value - probe.high))
        if probe.flat >= _DEAD_HOURS and probe.value in _ERROR_VALUES and away > 10.0:
            words = f"it says {probe.value:g} °C without change, a value by which probes say that they cannot measure"
            return Told("dead", words, (name,), name, since, value=probe.value)
        fine = max(self._accuracy[name].resolution, self._accuracy[name].noise or 0.0)
        if probe.flat >= _FLAT_HOURS and probe.high - probe.low > max(_OTHERS_KELVIN, 5 * fine):
            words = (
                f"it says {probe.value:g} °C without change for {probe.flat} hours, in which the others went from"
                f" {probe.low:.1f} to {probe.high:.1f} °C"
            )
            return Told("dead", words, (name,), name, since, value=probe.value)
        return None

    def _loose(self, name: str, probe: _Probe) -> Told | None:
        if probe.flat > 2:
            return None
        if probe.cold >= _WARM_HOURS and probe.cold >= 0.8 * min(probe.warm, 2 * _WARM_HOURS):
            words = f"in {probe.cold:.0f} hours its neighbours were warm, and it was as cold as the air"
            return Told("detached", words, (name,), name)
        follows = probe.both >= _FOLLOWS * probe.air2 and probe.apart2 <= _APART * probe.air2
        if probe.air2 >= _AIR_KELVIN and follows:
            share = probe.both / probe.air2
            words = f"it follows {share:.0%} of each change of the air within the hour; a block does not"
            return Told("detached", words, (name,), name, value=share * 100)
        if probe.colder >= 6:
            words = (
                f"for {probe.colder} hours it was {_DRIFT_KELVIN:g} K and more colder than the air and all its peers"
            )
            return Told("drifting", words, (name,), name)
        return None

    def to_plain(self) -> dict[str, Any]:
        state = self._state
        probes = {name: dict(vars(probe)) for name, probe in state.probes.items()}
        return {
            "said": dict(self._teller.said),
            "probes": probes,
            "air": state.air,
            "hour_frame": state.hour_frame,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        probes = {name: _Probe(**kept) for name, kept in plain["probes"].items() if name in self._state.probes}
        self._state.probes.update(probes)
        self._state.air, self._state.hour_frame = plain["air"], plain["hour_frame"]
