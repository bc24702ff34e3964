"""Units that instruments report in, and the trade unit (V, A, °C, Ah) that each is turned into."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from loggerd.model.channels import Quantity


@dataclass(frozen=True)
class Unit:
    """trade value = (value - zero) * factor. Fractions, so that factors come out exact to the last bit."""

    quantity: Quantity
    factor: Fraction = Fraction(1)
    zero: Fraction = Fraction(0)


_THOUSANDTH = Fraction(1, 1000)

UNITS = {
    "V": Unit(Quantity.VOLTS),
    "mV": Unit(Quantity.VOLTS, _THOUSANDTH),
    "A": Unit(Quantity.AMPS),
    "mA": Unit(Quantity.AMPS, _THOUSANDTH),
    "°C": Unit(Quantity.CELSIUS),
    "C": Unit(Quantity.CELSIUS),
    "°F": Unit(Quantity.CELSIUS, Fraction(5, 9), Fraction(32)),
    "F": Unit(Quantity.CELSIUS, Fraction(5, 9), Fraction(32)),
    "K": Unit(Quantity.CELSIUS, Fraction(1), Fraction("273.15")),
    "Ah": Unit(Quantity.AMP_HOURS),
    "mAh": Unit(Quantity.AMP_HOURS, _THOUSANDTH),
}


def units_of(quantity: Quantity) -> list[str]:
    """The units in which that quantity may be reported."""
    return [name for name, unit in UNITS.items() if unit.quantity is quantity]


def exact(value: float) -> Fraction:
    """The decimal number that a float of the settings was written as: 0.1 is one tenth, not the float next to it."""
    return Fraction(repr(value))
