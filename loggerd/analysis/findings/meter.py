"""Is the meter right? Checks of wiring and sensors from ordinary readings: no battery is to be blamed for a wire.

Each check is a module of its own; they see each frame in this order, and later ones know what earlier ones found.
"""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.meter_bypass import Bypass
from loggerd.analysis.findings.meter_channels import Channels
from loggerd.analysis.findings.meter_clock import Clock
from loggerd.analysis.findings.meter_common import Facts, Looker, Part
from loggerd.analysis.findings.meter_current import Sign, Slope
from loggerd.analysis.findings.meter_heat import Probes
from loggerd.analysis.findings.meter_scale import Scale
from loggerd.analysis.findings.meter_taps import Taps
from loggerd.analysis.findings.meter_words import SPECS
from loggerd.analysis.findings.meter_zero import Zero
from loggerd.model.finding import Finding


class Meter:
    """The checks in a row."""

    specs = SPECS

    def __init__(self, ground: Ground) -> None:
        self._looker = Looker(ground)
        self._parts: dict[str, Part] = {
            "sign": Sign(ground),
            "slope": Slope(ground),
            "bypass": Bypass(ground),
            "scale": Scale(ground),
            "zero": Zero(ground),
            "clock": Clock(ground),
            "channels": Channels(ground),
            "taps": Taps(ground),
            "probes": Probes(ground),
        }
        self._checks = [part.push for part in self._parts.values()]

    def push(self, moment: Moment) -> list[Finding]:
        look, facts = self._looker.look(moment.frame), Facts()
        found: list[Finding] = []
        for check in self._checks:
            if told := check(look, moment, facts):
                found.extend(told)
        return found

    def to_plain(self) -> dict[str, Any]:
        return {
            "looker": self._looker.to_plain(),
            "parts": {name: part.to_plain() for name, part in self._parts.items()},
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._looker.load_plain(plain["looker"])
        for name, part in self._parts.items():
            part.load_plain(plain["parts"][name])


__all__ = ["SPECS", "Meter"]
