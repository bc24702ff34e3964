"""Heat and gas: runaway, hot and unlike blocks, freezing, water, air, equalizing, drying out, ageing."""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import DAY_MS
from loggerd.analysis.findings.events import SensorDoubt
from loggerd.analysis.findings.heat_dry_out import DryOut
from loggerd.analysis.findings.heat_equalize import Equalize
from loggerd.analysis.findings.heat_freezing import Freezing
from loggerd.analysis.findings.heat_life import Ageing
from loggerd.analysis.findings.heat_runaway import Runaway
from loggerd.analysis.findings.heat_specs import SPECS
from loggerd.analysis.findings.heat_spread import TemperatureSpread
from loggerd.analysis.findings.heat_ventilation import Ventilation
from loggerd.analysis.findings.heat_warmth import HighTemperature, Warmth
from loggerd.analysis.findings.heat_water import Water
from loggerd.model.finding import Finding

__all__ = ["SPECS", "Heat"]
_DOUBT_MS = 30 * DAY_MS
"""So long a probe that was found wrong is left out."""


class Heat:
    """Hands each frame to its parts."""

    def __init__(self, ground: Ground) -> None:
        self._blocks = {f"block_{block}_celsius": block for block in range(1, ground.bank.blocks + 1)}
        self._doubted: dict[int, int] = {}
        self._high, self._spread = HighTemperature(ground), TemperatureSpread(ground)
        self._freezing, self._ageing = Freezing(ground), Ageing(ground)
        self._runaway, self._water = Runaway(ground), Water(ground)
        self._equalize, self._dry_out = Equalize(ground), DryOut(ground)
        self._ventilation = Ventilation(ground)

    def push(self, moment: Moment) -> list[Finding]:
        self._believe(moment)
        frame = moment.frame
        celsius = frame.mean_list[frame.layout.block_celsius]
        warmth = Warmth.of(celsius, self._doubted)
        return [
            *self._runaway.push(moment, warmth),
            *self._high.push(moment, warmth),
            *self._spread.push(moment, celsius, self._doubted),
            *self._freezing.push(moment, warmth),
            *self._water.push(moment),
            *self._ventilation.push(moment),
            *self._equalize.push(moment, warmth),
            *self._dry_out.push(moment, self._water.overdue),
            *self._ageing.push(moment, warmth),
        ]

    def _believe(self, moment: Moment) -> None:
        """Probes that the topic of the meter doubts."""
        for event in moment.events:
            if isinstance(event, SensorDoubt) and event.channel in self._blocks:
                self._doubted[self._blocks[event.channel]] = event.at_ms
        now = moment.frame.start_ms
        if self._doubted and now - min(self._doubted.values()) >= _DOUBT_MS:
            self._doubted = {block: at for block, at in self._doubted.items() if now - at < _DOUBT_MS}

    def to_plain(self) -> dict[str, Any]:
        return {
            "doubted": [[block, at_ms] for block, at_ms in self._doubted.items()],
            **{name: part.to_plain() for name, part in self._parts.items()},
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._doubted = dict(plain["doubted"])
        for name, part in self._parts.items():
            part.load_plain(plain[name])

    @property
    def _parts(self) -> dict[str, Any]:
        return {
            "runaway": self._runaway,
            "high": self._high,
            "spread": self._spread,
            "freezing": self._freezing,
            "water": self._water,
            "ventilation": self._ventilation,
            "equalize": self._equalize,
            "dry_out": self._dry_out,
            "ageing": self._ageing,
        }
