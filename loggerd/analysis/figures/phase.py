"""Figures of a phase."""

from __future__ import annotations

from loggerd.analysis.bands import Charge, amp_hours, watt_hours
from loggerd.analysis.figures.catalogue import (
    Context,
    FigureSpec,
    average,
    cannot_tell,
    count,
    highest,
    lowest,
    temperature,
    told,
)
from loggerd.analysis.stretch import LEFT_OUT, Stretch
from loggerd.model.ledger import Figure


def _magnitude(charge: Charge, label: int, gain: float, offset: float) -> Figure:
    """The magnitude in the phase's own direction; a rest shows the magnitude of its net."""
    low, high = charge.band(gain, offset)
    negative = label < 0 or (label == 0 and charge.value < 0)
    value, low, high = (-charge.value, -high, -low) if negative else (charge.value, low, high)
    return told(max(0.0, value), max(0.0, low), max(0.0, high))


def _amp_hours(phase: Stretch, context: Context) -> Figure:
    charge = amp_hours(phase, context.limits)
    return _magnitude(charge, phase.label, context.limits.gain, context.limits.offset / 1000)


def _watt_hours(phase: Stretch, context: Context) -> Figure:
    if "volts" not in phase.spreads:
        return cannot_tell("no channel measured the bank voltage")
    energy = watt_hours(phase, amp_hours(phase, context.limits), phase.energy2)
    return _magnitude(energy, phase.label, context.energy_gain, context.limits.offset / 1000)


def _end_amps(phase: Stretch, _context: Context) -> Figure:
    if not phase.tail_count:
        return cannot_tell("no reading near the end of this phase")
    return told(phase.tail_milliamps / phase.tail_count / 1000)


def _end_volts(phase: Stretch, _context: Context) -> Figure:
    if not phase.tail_count or "volts" not in phase.spreads:
        return cannot_tell("no voltage near the end of this phase")
    return told(phase.tail_millivolts / phase.tail_count / 1000)


PHASE_FIGURES: tuple[FigureSpec[Stretch], ...] = (
    FigureSpec("amp_hours", "Ah", 2, "Charge moved in this phase, as a magnitude.", "own", _amp_hours),
    FigureSpec("watt_hours", "Wh", 1, "Energy moved in this phase, as a magnitude.", "own", _watt_hours),
    FigureSpec(
        "duration_seconds", "s", 0, "Length of the phase.", "own", lambda p, _c: told(p.duration_ms / 1000)
    ),
    FigureSpec(
        "minimum_volts", "V", 3, "Lowest bank voltage.", "own", lambda p, _c: lowest(p.spreads.get("volts"), "volts")
    ),
    FigureSpec(
        "maximum_volts", "V", 3, "Highest bank voltage.", "own", lambda p, _c: highest(p.spreads.get("volts"), "volts")
    ),
    FigureSpec(
        "mean_volts", "V", 3, "Mean of the voltage readings.", "own", lambda p, _c: average(p.spreads.get("volts"), "volts")
    ),
    FigureSpec(
        "minimum_amps", "A", 2, "Lowest current, charge positive.", "own", lambda p, _c: lowest(p.spreads.get("amps"), "amps")
    ),
    FigureSpec(
        "maximum_amps", "A", 2, "Highest current, charge positive.", "own", lambda p, _c: highest(p.spreads.get("amps"), "amps")
    ),
    FigureSpec("end_amps", "A", 2, "Mean current of the last five minutes, charge positive.", "own", _end_amps),
    FigureSpec("end_volts", "V", 3, "Mean bank voltage of the last five minutes.", "own", _end_volts),
    FigureSpec(
        "minimum_celsius", "°C", 1, "Lowest battery temperature.", "own",
        lambda p, _c: lowest(temperature(p.spreads), "a temperature"),
    ),
    FigureSpec(
        "maximum_celsius", "°C", 1, "Highest battery temperature.", "own",
        lambda p, _c: highest(temperature(p.spreads), "a temperature"),
    ),
    FigureSpec(
        "mean_celsius", "°C", 1, "Mean battery temperature.", "own",
        lambda p, _c: average(temperature(p.spreads), "a temperature"),
    ),
    FigureSpec(
        "gap_seconds", "s", 0, "Time inside this phase without readings.", "own",
        lambda p, _c: told((p.filled_ms + p.lost_ms) / 1000),
    ),
    FigureSpec("readings", "", 0, "Readings of the current in this phase.", "own", lambda p, _c: told(p.readings)),
    FigureSpec(
        "readings_left_out", "", 0, "Readings outside the valid range, kept but not counted.", "own",
        lambda p, _c: told(count(p.spreads, LEFT_OUT)),
    ),
)  # fmt: skip
