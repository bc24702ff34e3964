"""Figures of a cycle, and of an account between two full charges."""

from __future__ import annotations

from loggerd.analysis.bands import Charge
from loggerd.analysis.figures.catalogue import Context, FigureSpec, cannot_tell, told
from loggerd.analysis.figures.spreads import HEAT_FIGURES, LEFT_OUT_FIGURE, VOLTS_FIGURES
from loggerd.analysis.part import Part
from loggerd.model.ledger import Figure

_NO_CHARGE = "no charge has answered this discharge yet"
_LONG_GAP = "readings are missing for more than an hour, or for an unknown time"
_NO_VOLTS = "no channel measured the bank voltage"
_NO_ENERGY = "the bank voltage is missing for the whole discharge or the whole charge"


def _magnitude(charge: Charge, gain: float, offset: float) -> Figure:
    low, high = charge.band(gain, offset)
    if charge.value < 0:
        low, high = -high, -low
    return told(abs(charge.value), max(0.0, low), max(0.0, high))


def _discharge_amp_hours(part: Part, context: Context) -> Figure:
    return _magnitude(_outward(part), context.limits.gain, context.limits.offset / 1000)


def _outward(part: Part) -> Charge:
    """Discharge with what a gap between phases may hide added to its doubt."""
    charge, rest = part.discharge_ah, part.rest_ah
    return Charge(charge.value, charge.span_hours, charge.random, charge.below + rest.below, charge.above)


def _inward(part: Part) -> Charge:
    charge, rest = part.charge_ah, part.rest_ah
    return Charge(charge.value, charge.span_hours, charge.random, charge.below, charge.above + rest.above)


def _charge_amp_hours(part: Part, context: Context) -> Figure:
    return _magnitude(_inward(part), context.limits.gain, context.limits.offset / 1000)


def _discharge_watt_hours(part: Part, context: Context) -> Figure:
    if "volts" not in part.spreads:
        return cannot_tell(_NO_VOLTS)
    return _magnitude(part.discharge_wh, context.energy_gain, context.limits.offset / 1000)


def _charge_watt_hours(part: Part, context: Context) -> Figure:
    if "volts" not in part.spreads:
        return cannot_tell(_NO_VOLTS)
    return _magnitude(part.charge_wh, context.energy_gain, context.limits.offset / 1000)


def _ratio(top: Charge, bottom: Charge, offset: float) -> Figure:
    """top / bottom, as magnitudes. A gain error cancels; an offset acts on both, in opposite senses."""
    up, down = abs(top.value), abs(bottom.value)
    shift = offset * (top.span_hours / up + bottom.span_hours / down)
    random = ((top.random / up) ** 2 + (bottom.random / down) ** 2) ** 0.5
    hidden = (top.below + top.above) / up + (bottom.below + bottom.above) / down
    value = up / down
    half = value * ((shift**2 + random**2) ** 0.5 + hidden)
    return told(value, max(0.0, value - half), value + half)


def _charge_factor(part: Part, context: Context) -> Figure:
    return _judged_ratio(part, part.charge_ah, part.discharge_ah, context)


def _amp_hour_efficiency(part: Part, context: Context) -> Figure:
    return _judged_ratio(part, part.discharge_ah, part.charge_ah, context)


def _watt_hour_efficiency(part: Part, context: Context) -> Figure:
    if "volts" not in part.spreads:
        return cannot_tell(_NO_VOLTS)
    return _judged_ratio(part, part.discharge_wh, part.charge_wh, context)


def _judged_ratio(part: Part, top: Charge, bottom: Charge, context: Context) -> Figure:
    if part.charge_ah.value <= 0 or part.discharge_ah.value >= 0:
        return cannot_tell(_NO_CHARGE)
    if part.long_gap:
        return cannot_tell(_LONG_GAP)
    if not top.value or not bottom.value:
        return cannot_tell(_NO_ENERGY)
    return _ratio(top, bottom, context.limits.offset / 1000)


def _depth(part: Part, context: Context) -> Figure:
    rated = context.plan.bank.rated_amp_hours
    out = _discharge_amp_hours(part, context)
    assert out.value is not None
    assert out.low is not None
    assert out.high is not None
    return told(out.value / rated, out.low / rated, out.high / rated)


def _end_of_charge_amps(part: Part, _context: Context) -> Figure:
    return told(part.end_amps) if part.end_amps is not None else cannot_tell(_NO_CHARGE)


def _rest_amp_hours(part: Part, context: Context) -> Figure:
    low, high = part.rest_ah.band(context.limits.gain, context.limits.offset / 1000)
    return told(part.rest_ah.value, low, high)


CYCLE_FIGURES: tuple[FigureSpec[Part], ...] = (
    FigureSpec("discharge_amp_hours", "Ah", 2, "Amp-hours taken out.", "own", _discharge_amp_hours),
    FigureSpec("charge_amp_hours", "Ah", 2, "Amp-hours put back in.", "own", _charge_amp_hours),
    FigureSpec("discharge_watt_hours", "Wh", 1, "Energy taken out.", "own", _discharge_watt_hours),
    FigureSpec("charge_watt_hours", "Wh", 1, "Energy put back in.", "own", _charge_watt_hours),
    FigureSpec(
        "charge_factor", "", 3, "Amp-hours in for each amp-hour out; plain ratio, not yet judged.",
        "common practice", _charge_factor,
    ),
    FigureSpec(
        "amp_hour_efficiency", "", 3, "Amp-hours out for each amp-hour in.", "common practice", _amp_hour_efficiency
    ),
    FigureSpec(
        "watt_hour_efficiency", "", 3, "Energy out for each unit of energy in.",
        "IEC 61427 form: integral of V I dt out over the same in", _watt_hour_efficiency,
    ),
    FigureSpec("depth_of_discharge", "", 3, "Amp-hours out as a share of the rated ones.", "common practice", _depth),
    FigureSpec(
        "duration_seconds", "s", 0, "From the first discharge to the end of the charge.", "own",
        lambda p, _c: told((p.end_ms - p.start_ms) / 1000),
    ),
    FigureSpec("discharge_seconds", "s", 0, "Time in discharge.", "own", lambda p, _c: told(p.discharge_ms / 1000)),
    FigureSpec("charge_seconds", "s", 0, "Time in charge.", "own", lambda p, _c: told(p.charge_ms / 1000)),
    *VOLTS_FIGURES,
    *HEAT_FIGURES,
    FigureSpec(
        "end_of_charge_amps", "A", 2, "Mean current of the last five minutes of the charge.", "common practice",
        _end_of_charge_amps,
    ),
    FigureSpec(
        "rest_amp_hours", "Ah", 2, "Net amp-hours in rests, charge positive: what is too small to call a phase.", "own",
        _rest_amp_hours,
    ),
    FigureSpec("gap_seconds", "s", 0, "Time without readings.", "own", lambda p, _c: told(p.gap_ms / 1000)),
    LEFT_OUT_FIGURE,
)  # fmt: skip

FULL_TO_FULL_FIGURES = CYCLE_FIGURES
