"""Figures of a cycle, and of an account between two full charges."""

from __future__ import annotations

from loggerd.analysis.bands import Charge
from loggerd.analysis.figures.catalogue import Context, FigureSpec, cannot_tell, told
from loggerd.analysis.figures.spreads import HEAT_FIGURES, LEFT_OUT_FIGURE, VOLTS_FIGURES, mean_volts
from loggerd.analysis.part import Part
from loggerd.model.ledger import Figure

_NO_CHARGE = "no charge has answered this discharge yet"
_LONG_GAP = "readings are missing for more than an hour"
_UNKNOWN_GAP = "readings are missing for a time that nobody knows"
_AT_LEAST = "at least so much: readings are missing for a time that nobody knows"
_NO_VOLTS = "no channel measured the bank voltage"
_HIDDEN = "what the readings leave out may be more than what they hold"


def _magnitude(charge: Charge, gain: float, offset: float) -> Figure:
    low, high = charge.band(gain, offset)
    if charge.value < 0:
        low, high = -high, -low
    return told(abs(charge.value), max(0.0, low), max(0.0, high))


def _counted(part: Part, figure: Figure) -> Figure:
    """The figure; without an upper bound where a pause of unknown length lies in it."""
    return Figure("", figure.value, reason=_AT_LEAST) if part.unknown_gap else figure


def _discharge_amp_hours(part: Part, context: Context) -> Figure:
    return _counted(part, _magnitude(_outward(part), part.gain, part.offset))


def _outward(part: Part) -> Charge:
    """Discharge with what a gap between phases may hide added to its doubt."""
    charge, rest = part.discharge_ah, part.rest_ah
    return Charge(charge.value, charge.span_hours, charge.random, charge.below + rest.below, charge.above)


def _inward(part: Part) -> Charge:
    charge, rest = part.charge_ah, part.rest_ah
    return Charge(charge.value, charge.span_hours, charge.random, charge.below, charge.above + rest.above)


def _charge_amp_hours(part: Part, context: Context) -> Figure:
    return _counted(part, _magnitude(_inward(part), part.gain, part.offset))


def _discharge_watt_hours(part: Part, context: Context) -> Figure:
    hidden = part.rest_ah.below * mean_volts(part.spreads)
    energy = part.discharge_wh
    widened = Charge(energy.value, energy.span_hours, energy.random, energy.below + hidden, energy.above)
    return _watt_hours(part, widened, context)


def _charge_watt_hours(part: Part, context: Context) -> Figure:
    hidden = part.rest_ah.above * mean_volts(part.spreads)
    energy = part.charge_wh
    widened = Charge(energy.value, energy.span_hours, energy.random, energy.below, energy.above + hidden)
    return _watt_hours(part, widened, context)


def _watt_hours(part: Part, energy: Charge, context: Context) -> Figure:
    if "volts" not in part.spreads:
        return cannot_tell(_NO_VOLTS)
    gain = context.energy_gain(mean_volts(part.spreads), part.gain)
    return _counted(part, _magnitude(energy, gain, part.offset))


def _duration(part: Part, _context: Context) -> Figure:
    return cannot_tell(_UNKNOWN_GAP) if part.unknown_gap else told((part.end_ms - part.start_ms) / 1000)


def _gap_seconds(part: Part, _context: Context) -> Figure:
    return cannot_tell(_UNKNOWN_GAP) if part.unknown_gap else told(part.gap_ms / 1000)


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
    if part.long_gap or part.unknown_gap:
        return cannot_tell(_UNKNOWN_GAP if part.unknown_gap else _LONG_GAP)
    if any(charge.below + charge.above >= abs(charge.value) for charge in (top, bottom)):
        return cannot_tell(_HIDDEN)
    return _ratio(top, bottom, part.offset)


def _depth(part: Part, context: Context) -> Figure:
    rated = context.plan.bank.rated_amp_hours
    out = _discharge_amp_hours(part, context)
    assert out.value is not None
    if out.low is None or out.high is None:
        return Figure("", out.value / rated, reason=out.reason)
    return told(out.value / rated, out.low / rated, out.high / rated)


def _end_of_charge_amps(part: Part, _context: Context) -> Figure:
    return told(part.end_amps) if part.end_amps is not None else cannot_tell(_NO_CHARGE)


def _rest_amp_hours(part: Part, context: Context) -> Figure:
    low, high = part.rest_ah.band(part.gain, part.offset)
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
        _duration,
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
    FigureSpec("gap_seconds", "s", 0, "Time without readings.", "own", _gap_seconds),
    LEFT_OUT_FIGURE,
)  # fmt: skip

FULL_TO_FULL_FIGURES = CYCLE_FIGURES
