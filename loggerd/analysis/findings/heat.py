"""Heat and gas: runaway, hot and unlike blocks, freezing, water, air, equalizing, drying out, ageing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.heat_believed import Believed
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


class Heat:
    """Hands each frame to its parts."""

    def __init__(self, ground: Ground) -> None:
        self._believed = Believed({f"block_{block}_celsius": block for block in range(1, ground.bank.blocks + 1)})
        self._high, self._spread = HighTemperature(ground), TemperatureSpread(ground)
        self._freezing, self._ageing = Freezing(ground), Ageing(ground)
        self._runaway, self._water = Runaway(ground), Water(ground)
        self._equalize, self._dry_out = Equalize(ground), DryOut(ground)
        self._ventilation = Ventilation(ground)
        self._limits: Mapping[str, float] | None = None
        """Those that the need of air was last asked with."""

    def push(self, moment: Moment) -> list[Finding]:
        if moment.events:
            self._believed.hear(moment.events)
        celsius, doubted = self._believed.look(moment.frame), self._believed.doubted
        warmth = Warmth.of(celsius, doubted)
        found = self._runaway.push(moment, warmth)
        found += self._high.push(moment, warmth, celsius)
        found += self._spread.push(moment, celsius, doubted)
        found += self._freezing.push(moment, warmth)
        found += self._water.push(moment)
        if moment.limits is not self._limits:
            self._limits = moment.limits
            found += self._ventilation.push(moment)
        if moment.events:
            found += self._equalize.push(moment, warmth)
        found += self._dry_out.push(moment, self._water.overdue)
        found += self._ageing.push(moment, warmth)
        return found

    def to_plain(self) -> dict[str, Any]:
        return {
            "believed": self._believed.to_plain(),
            **{name: part.to_plain() for name, part in self._parts.items()},
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._believed.load_plain(plain["believed"])
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
