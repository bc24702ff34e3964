"""The ledger of cycles: a discharge and the charge that answers it, each of at least a minimum swing.

A zig-zag over the running sum of amp-hours at the ends of phases. From a peak the sum must fall by the minimum swing to
begin a cycle, and from the lowest point rise by as much to have been answered; it ends at the next peak, which is
known to have been one when the sum has fallen from it by the minimum swing again. Smaller ups and downs belong to the
cycle they happen in. A cycle starts with its first discharge and ends with its last charge.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from loggerd.analysis.part import Part, part_from_plain, part_to_plain

_SHARE_IN_RESTS = 0.25
"""Share of the minimum swing that short runs must move before a rest counts as part of a discharge or charge."""


@dataclass
class CycleBuilder:
    """`down`: from the first discharge to the lowest point so far; `up`: from there to the highest point since.

    `after`: what came since that turning point and may still belong to either side. `lead`: rest between the highest
    point and the next discharge, which belongs to no cycle unless the charge goes on. `minimum` in amp-hours.
    """

    minimum: float
    down: Part = field(default_factory=Part)
    up: Part = field(default_factory=Part)
    lead: Part = field(default_factory=Part)
    after: Part = field(default_factory=Part)
    discharging: bool = False

    def push(self, part: Part) -> list[Part]:
        """The cycle that this phase (or gap) completed, if it did."""
        if self.discharging:
            self.after.add(part)
            self._while_discharging()
            return []
        if self.after.empty and not self._discharges(part):
            self._before_discharge(part)
            return []
        self.after.add(part)
        return self._while_charging()

    def _discharges(self, part: Part) -> bool:
        """Whether there is a discharge in it; short runs in a rest count when they move something."""
        return part.discharge_ms > 0 or -part.discharge_ah.value >= _SHARE_IN_RESTS * self.minimum

    def _charges(self, part: Part) -> bool:
        return part.charge_ms > 0 or part.charge_ah.value >= _SHARE_IN_RESTS * self.minimum

    def _before_discharge(self, part: Part) -> None:
        if self.up.empty:
            return  # nothing was discharged yet: nothing to answer
        self.lead.add(part)
        if self._charges(part):
            self.up.add(self.lead)
            self.lead = Part()

    def _while_discharging(self) -> None:
        net = self.after.net_ah
        if net <= 0 and self._discharges(self.after):
            self.down.add(self.after)
            self.after = Part()
        elif net >= self.minimum:
            self.up, self.after = self.after, Part()
            self.discharging = False

    def _while_charging(self) -> list[Part]:
        net = self.after.net_ah
        if -net >= self.minimum:
            ended = self._cycle()
            self.down, self.up, self.lead, self.after = self.after, Part(), Part(), Part()
            self.discharging = True
            return [ended] if ended is not None else []
        if net >= 0 and self._charges(self.after):
            if not self.up.empty:
                if not self.lead.empty:
                    self.up.add(self.lead)
                self.up.add(self.after)
            self.lead, self.after = Part(), Part()
        return []

    def _cycle(self) -> Part | None:
        if self.down.empty:
            return None
        cycle = Part()
        cycle.add(self.down)
        if not self.up.empty:
            cycle.add(self.up)
        return cycle

    def unfinished(self) -> Part | None:
        """The cycle under way, as far as it has come."""
        cycle = self._cycle()
        if cycle is None:
            return self.after if self._discharges(self.after) else None
        if self.discharging and self._charges(self.after):
            cycle.add(self.after)
        return cycle

    def to_plain(self) -> dict[str, object]:
        parts = {name: part_to_plain(getattr(self, name)) for name in _PARTS}
        return {**parts, "discharging": self.discharging}

    def load_plain(self, plain: dict[str, object]) -> None:
        for name in _PARTS:
            setattr(self, name, part_from_plain(plain[name]))  # type: ignore[arg-type]
        self.discharging = bool(plain["discharging"])


_PARTS = ("down", "up", "lead", "after")
