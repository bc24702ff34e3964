"""What is said of a charge that has ended."""

from __future__ import annotations

from collections.abc import Mapping

from loggerd.analysis.findings.full_charge_follow import Charge
from loggerd.analysis.findings.full_charge_specs import LAST
from loggerd.analysis.findings.full_charge_tail import FRAMES_AN_HOUR
from loggerd.analysis.findings.full_charge_telling import Said
from loggerd.model.finding import Grade

_GAP_SHARE = 0.2
"""A charge with more of its time unread is not judged."""
_GRADES = {
    "full_proven": Grade.OBSERVED,
    "full_likely": Grade.INFERRED,
    "ended_early": Grade.OBSERVED,
    "unknown": Grade.CANNOT_TELL,
}


def verdict_of(charge: Charge, end_ms: int, rated: float, limits: Mapping[str, float]) -> tuple[str, str]:
    """Verdict and reason of a charge that ended at that time."""
    if charge.proven_ms is not None and charge.behind is not None:
        block, volts = charge.behind
        reason = f"Block {block:.0f} stood {1000 * volts:.0f} mV per cell below the others then: it was not full."
        return "full_likely", f"{_proof(charge, rated)} {reason}"
    if charge.proven_ms is not None:
        return "full_proven", _proof(charge, rated)
    if charge.likely_ms is not None:
        return "full_likely", _likely(charge, rated)
    if charge.gap_ms > _GAP_SHARE * max(end_ms - charge.start_ms, 1):
        return "unknown", f"{charge.gap_ms / 60_000:.0f} minutes of this charge were not read."
    if not charge.held_frames:
        return "ended_early", _not_reached(charge)
    return _not_proven(charge, rated, limits)


def _proof(charge: Charge, rated: float) -> str:
    if charge.left_at_proof is not None:
        return (
            f"With the charging voltage held, the current had come down so fast ({_amps(charge, rated)}, "
            f"{_fall(charge)}) that the bank would have taken {100 * charge.left_at_proof / rated:.1f} % of its rated "
            "amp-hours more at the most."
        )
    how = "on float, for hours" if charge.by_float else "with the charging voltage held"
    return f"The current had come down to {_amps(charge, rated)} and no longer fell ({_fall(charge)}), {how}."


def _likely(charge: Charge, rated: float) -> str:
    return (
        "Two of three signs were there (a small current or strong gassing, a nearly flat current, more charged than "
        f"was taken): the current was {_amps(charge, rated)} ({_fall(charge)}). A proof needs current and voltage that "
        "have stopped moving."
    )


def _not_reached(charge: Charge) -> str:
    seen = "" if charge.highest is None else f": the highest was {charge.highest:.3f} V per cell"
    return f"The charging voltage was not reached or not held{seen}."


def _not_proven(charge: Charge, rated: float, limits: Mapping[str, float]) -> tuple[str, str]:
    shape = charge.best_shape
    hours = charge.held_frames / FRAMES_AN_HOUR
    if shape is None:
        return "ended_early", f"The charging voltage was held for only {60 * hours:.0f} minutes."
    seen = f"after {hours:.1f} hours at the charging voltage the current was {_amps(charge, rated)} ({_fall(charge)})"
    small = shape.amps < limits["full_tail_likely_fraction"] * rated
    falling = shape.fall is None or shape.fall >= limits["full_flat_likely_per_hour"]
    if small:
        return "unknown", f"A small current alone proves nothing: {seen}."
    if falling:
        return "ended_early", f"It stopped while the current was still large: {seen}."
    if shape.rise is not None and shape.rise >= limits["full_volts_flat_per_hour"]:
        return "unknown", f"The voltage still rose by {1000 * shape.rise:.0f} mV per cell an hour: {seen}."
    return "unknown", (
        f"The current stays large without falling: {seen}. Old plates that gas, a shorted cell or a load behind the "
        "meter do this; a hydrometer tells."
    )


def _amps(charge: Charge, rated: float) -> str:
    return "not known" if charge.best_shape is None else f"{100 * charge.best_shape.amps / rated:.1f} A per 100 Ah"


def _fall(charge: Charge) -> str:
    if charge.best_shape is None or charge.best_shape.fall is None:
        return "too short to tell how fast it fell"
    fall = charge.best_shape.fall
    return f"{'falling' if fall >= 0 else 'rising'} by {100 * abs(fall):.0f} % an hour"


def told_of(charge: Charge, verdict: str, reason: str, rated: float, numbers: Mapping[str, float | None]) -> Said:
    """The finding of a charge, with all that was seen of it."""
    shape = charge.best_shape
    seen = {
        "amp_hours": charge.returned,
        "hours_held": charge.held_frames / FRAMES_AN_HOUR,
        "tail_fall_per_hour": None if shape is None else shape.fall,
        "volts_per_cell": charge.last_held_volts if charge.last_held_volts is not None else charge.highest,
        "volts_against_preset": charge.last_shift,
        "celsius": charge.celsius,
        **numbers,
    }
    value = None if shape is None else 100 * shape.amps / rated
    span = (charge.start_ms, charge.top_ms)
    return Said(LAST.name, verdict, reason, _GRADES[verdict], value, span=span, numbers=seen)
