"""Figures of a phase."""

from __future__ import annotations

from loggerd.analysis.bands import Charge, amp_hours, watt_hours
from loggerd.analysis.figures.catalogue import Context, FigureSpec, cannot_tell, told
from loggerd.analysis.figures.spreads import (
    AMPS_FIGURES,
    HEAT_FIGURES,
    LEFT_OUT_FIGURE,
    VOLTS_FIGURES,
    mean_volts,
)
from loggerd.analysis.stretch import Stretch
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
    return _magnitude(
        energy,
        phase.label,
        context.energy_gain(mean_volts(phase.spreads), context.limits.gain),
        context.limits.offset / 1000,
    )


def _end_amps(phase: Stretch, _context: Context) -> Figure:
    if not phase.tail_count:
        return cannot_tell("no reading near the end of this phase")
    return told(phase.tail_milliamps / phase.tail_count / 1000)


def _gap_seconds(phase: Stretch, _context: Context) -> Figure:
    return told((phase.filled_ms + phase.lost_ms) / 1000)


def _end_volts(phase: Stretch, _context: Context) -> Figure:
    if not phase.tail_powered:
        return cannot_tell("no voltage near the end of this phase")
    return told(phase.tail_millivolts / phase.tail_powered / 1000)


PHASE_FIGURES: tuple[FigureSpec[Stretch], ...] = (
    FigureSpec("amp_hours", "Ah", 2, "Charge moved in this phase, as a magnitude.", "own", _amp_hours),
    FigureSpec("watt_hours", "Wh", 1, "Energy moved in this phase, as a magnitude.", "own", _watt_hours),
    FigureSpec("duration_seconds", "s", 0, "Length of the phase.", "own", lambda p, _c: told(p.duration_ms / 1000)),
    *VOLTS_FIGURES,
    *AMPS_FIGURES,
    FigureSpec("end_amps", "A", 2, "Mean current of the last five minutes, charge positive.", "own", _end_amps),
    FigureSpec("end_volts", "V", 3, "Mean bank voltage of the last five minutes.", "own", _end_volts),
    *HEAT_FIGURES,
    FigureSpec("gap_seconds", "s", 0, "Time inside this phase without readings.", "own", _gap_seconds),
    FigureSpec("readings", "", 0, "Readings of the current in this phase.", "own", lambda p, _c: told(p.readings)),
    LEFT_OUT_FIGURE,
)
