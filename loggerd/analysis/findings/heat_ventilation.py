"""Air that the formulas of the standards ask for: told once, and again when a limit that it rests on changes."""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.heat_formulas import (
    air_flow,
    float_heat_watts,
    opening_square_centimetres,
    safe_distance_millimetres,
    traction_air_flow,
)
from loggerd.model.finding import Finding, Grade

_RESTS_ON = (
    "ventilation_constant",
    "gas_milliamps_boost",
    "gas_milliamps_float",
    "ventilation_opening_square_centimetres",
    "traction_ventilation_constant",
    "traction_gas_amps_limited",
    "traction_gas_amps_unlimited",
    "float_heat_watts",
)


class Ventilation:
    """Needs nothing but the bank and the limits. Hydrogen is not measured."""

    def __init__(self, ground: Ground) -> None:
        self._cells, self._rated = ground.bank.cells_in_series, ground.bank.rated_amp_hours
        self._strings = ground.bank.strings
        self._told: list[float] = []

    def push(self, moment: Moment) -> list[Finding]:
        """Asked for with each change of the limits."""
        limits = moment.limits
        rests_on = [limits[name] for name in _RESTS_ON]
        if rests_on == self._told:
            return []
        self._told = rests_on
        constant, traction = limits["ventilation_constant"], limits["traction_ventilation_constant"]
        cells, rated = self._cells, self._rated
        boost = air_flow(constant, cells, limits["gas_milliamps_boost"], rated)
        resting = air_flow(constant, cells, limits["gas_milliamps_float"], rated)
        opening = limits["ventilation_opening_square_centimetres"]
        details = figures(
            float_cubic_metres_per_hour=resting,
            opening_square_centimetres=opening_square_centimetres(opening, boost),
            traction_limited_cubic_metres_per_hour=traction_air_flow(
                traction, cells, limits["traction_gas_amps_limited"], rated
            ),
            traction_unlimited_cubic_metres_per_hour=traction_air_flow(
                traction, cells, limits["traction_gas_amps_unlimited"], rated
            ),
            safe_distance_millimetres=safe_distance_millimetres(limits["gas_milliamps_boost"], rated),
            float_heat_watts=float_heat_watts(limits["float_heat_watts"], cells, rated),
        )
        reason = (
            f"{constant:g} m³/h · {cells} cells in series · {limits['gas_milliamps_boost']:g} mA per Ah · {rated:g} "
            f"Ah; at float {resting:.2f} m³/h; nothing of this is measured"
        )
        return [
            tell(moment.frame, "heat.ventilation", "by_formula", reason, grade=Grade.INFERRED, value=boost,
                 details=details)
        ]  # fmt: skip

    def to_plain(self) -> dict[str, Any]:
        return {"told": self._told}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._told = plain["told"]
