"""What one or more phases add up to, by kind: the material of cycles and of accounts between two full charges."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from loggerd.analysis.bands import NOTHING, Charge, amp_hours, inward, outward, watt_hours
from loggerd.analysis.plan import Thresholds
from loggerd.analysis.stretch import Spread, Stretch

_KINDS = {-1: "discharge", 0: "rest", 1: "charge"}


@dataclass
class Part:
    """Sums over whole phases.

    Amp-hours and watt-hours are signed, charge positive: all that went out and all that came in, also in short runs
    inside a phase of another kind; *_ms are durations of phases by kind. `gap_ms`: time without readings,
    inside or between the phases; `long_gap`: one of them was over an hour; `unknown_gap`: of one nobody knows how long.
    `gain`, `offset` [A]: limits of error of the current, the largest in force while it was read. `end_amps`: mean
    current of the last five minutes of the latest charge.
    """

    session: int = 0
    start_ms: int = 0
    end_session: int = 0
    end_ms: int = 0
    discharge_ah: Charge = NOTHING
    charge_ah: Charge = NOTHING
    rest_ah: Charge = NOTHING
    discharge_wh: Charge = NOTHING
    charge_wh: Charge = NOTHING
    discharge_ms: int = 0
    charge_ms: int = 0
    rest_ms: int = 0
    gap_ms: int = 0
    long_gap: bool = False
    unknown_gap: bool = False
    readings: int = 0
    gain: float = 0.0
    offset: float = 0.0
    end_amps: float | None = None
    spreads: dict[str, Spread] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        return self.readings == 0

    @property
    def net_ah(self) -> float:
        return self.discharge_ah.value + self.charge_ah.value + self.rest_ah.value

    def add(self, other: Part) -> None:
        """Append a part that follows in time."""
        if self.empty:
            self.session, self.start_ms = other.session, other.start_ms
        self.end_session, self.end_ms = other.end_session, other.end_ms
        for name in ("discharge_ah", "charge_ah", "rest_ah", "discharge_wh", "charge_wh"):
            setattr(self, name, getattr(self, name).plus(getattr(other, name)))
        for name in ("discharge_ms", "charge_ms", "rest_ms", "gap_ms", "readings"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.long_gap = self.long_gap or other.long_gap
        self.unknown_gap = self.unknown_gap or other.unknown_gap
        self.gain, self.offset = max(self.gain, other.gain), max(self.offset, other.offset)
        if other.end_amps is not None:
            self.end_amps = other.end_amps
        for channel, spread in other.spreads.items():
            if channel in self.spreads:
                self.spreads[channel].add(spread)
            else:
                self.spreads[channel] = Spread(spread.low, spread.high, spread.total, spread.count)


def part_of_phase(phase: Stretch, limits: Thresholds) -> Part:
    """The part that a single phase makes."""
    net, out, back = amp_hours(phase, limits), outward(phase, limits), inward(phase, limits)
    rest = net.value - out.value - back.value
    part = Part(
        phase.session,
        phase.start_ms,
        phase.end_session,
        phase.end_ms,
        discharge_ah=out,
        charge_ah=back,
        rest_ah=Charge(rest, max(0.0, net.span_hours - out.span_hours - back.span_hours), 0.0, 0.0, 0.0),
        discharge_wh=watt_hours(phase, out, phase.out_energy2),
        charge_wh=watt_hours(phase, back, phase.in_energy2),
        gap_ms=phase.filled_ms + phase.lost_ms,
        readings=max(phase.readings, 1),
        gain=limits.gain,
        offset=limits.offset / 1000,
        spreads={
            name: Spread(spread.low, spread.high, spread.total, spread.count) for name, spread in phase.spreads.items()
        },
    )
    setattr(part, f"{_KINDS[phase.label]}_ms", phase.duration_ms)
    if phase.label == 1 and phase.tail_count:
        part.end_amps = phase.tail_milliamps / phase.tail_count / 1000
    return part


def gap_part(before: Stretch, after: Stretch, unknown: bool) -> Part:
    """The time between two phases that was not measured; its charge is bounded by what was seen on both sides."""
    amps = [phase.spreads["amps"] for phase in (before, after) if "amps" in phase.spreads]
    gap_ms = max(0, after.start_ms - before.end_ms)
    hours = gap_ms / 3_600_000
    low = min((spread.low for spread in amps), default=0) / 1000
    high = max((spread.high for spread in amps), default=0) / 1000
    charge = Charge(0.0, 0.0, 0.0, hours * max(0.0, -low), hours * max(0.0, high))
    return Part(
        before.end_session,
        before.end_ms,
        after.session,
        after.start_ms,
        rest_ah=charge,
        gap_ms=gap_ms,
        long_gap=gap_ms > 3_600_000,
        unknown_gap=unknown,
        readings=1,
    )


def part_to_plain(part: Part) -> dict[str, object]:
    plain: dict[str, object] = {}
    for entry in fields(Part):
        value = getattr(part, entry.name)
        if isinstance(value, Charge):
            value = [value.value, value.span_hours, value.random, value.below, value.above]
        elif entry.name == "spreads":
            value = {name: [spread.low, spread.high, spread.total, spread.count] for name, spread in value.items()}
        plain[entry.name] = value
    return plain


def part_from_plain(plain: dict[str, object]) -> Part:
    part = Part()
    for name, value in plain.items():
        if isinstance(getattr(part, name), Charge):
            value = Charge(*value)  # type: ignore[misc]  # noqa: PLW2901
        elif name == "spreads":
            assert isinstance(value, dict)
            value = {channel: Spread(*numbers) for channel, numbers in value.items()}  # noqa: PLW2901
        setattr(part, name, value)
    return part
