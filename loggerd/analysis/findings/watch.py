"""Readings of one bank to findings: builds the frames, and what topics must know of the sensors."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loggerd.analysis.cleaning import DeviceColumns, Found
from loggerd.analysis.findings.catalogue import Ground
from loggerd.analysis.findings.fold import FindingsFold
from loggerd.analysis.frame_builder import FrameBuilder
from loggerd.analysis.frames import Layout
from loggerd.analysis.intervals import LeadColumns
from loggerd.analysis.lead import LeadChoice
from loggerd.analysis.plan import BankPlan
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding

LEAST_STEP = 0.03
"""Share of the rated amp-hours (as amps) by which the current must jump to make a step."""
_LATEST = 2**62
_BEFORE_ALL = -(2**62)


class FindingsWatch:
    """Frames and findings of one bank."""

    def __init__(self, plan: BankPlan, choice: LeadChoice) -> None:
        noise = choice.current_scale(_LATEST).accuracy.noise or 0.0
        least = max(LEAST_STEP * plan.bank.rated_amp_hours, 6 * noise)
        layout = Layout.of(plan.bank)
        self._frames = FrameBuilder(layout, round(least * 1000))
        self._fold = FindingsFold(_ground(plan, choice, layout), plan.limits, plan.log)
        self._interval_ms = 1000

    def push(
        self,
        lead: LeadColumns,
        devices: Mapping[str, DeviceColumns],
        found: list[Found],
        lead_device: str,
        interval_ms: Mapping[str, int],
        order: int,
    ) -> list[Finding]:
        """Findings that these readings of the session at that place in order settle."""
        self._interval_ms = interval_ms.get(lead_device, 1000)
        return self._fold.push(self._frames.push(lead, devices, found, lead_device, interval_ms), order)

    def break_off(self, order: int) -> list[Finding]:
        """A pause of unknown length before the session at that place in order, or the end of the record."""
        return self._fold.push(self._frames.break_off(self._interval_ms), order, _BEFORE_ALL)

    def to_plain(self) -> dict[str, Any]:
        return {
            "frames": self._frames.to_plain(),
            "fold": self._fold.to_plain(),
            "interval_ms": self._interval_ms,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._frames.load_plain(plain["frames"])
        self._fold.load_plain(plain["fold"])
        self._interval_ms = plain["interval_ms"]


def _ground(plan: BankPlan, choice: LeadChoice, layout: Layout) -> Ground:
    accuracy: dict[str, Accuracy] = {}
    for _, one in sorted(plan.series.items()):
        accuracy[one.channel.name] = one.scales[-1].accuracy
    accuracy["amps"] = choice.current_scale(_LATEST).accuracy
    accuracy["volts"] = choice.volts_accuracy(_LATEST)
    return Ground(plan.bank, layout, accuracy, frozenset(accuracy))
