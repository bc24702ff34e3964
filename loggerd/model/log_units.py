"""Numbers as keepers write them: a decimal comma or point, and a unit or none."""

from __future__ import annotations

import math
import re

_NUMBER = re.compile(r"([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*(.*)", re.DOTALL)
_POUND_FOOT = 1.355_817_948
"""Newton metres of a pound-force foot (NIST SP 811)."""

# unit of the catalogue: what may be written for it, with factor and what is added afterwards
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "": {"": (1.0, 0.0)},
    "V": {"v": (1.0, 0.0), "volt": (1.0, 0.0), "volts": (1.0, 0.0), "mv": (0.001, 0.0)},
    "A": {"a": (1.0, 0.0), "amp": (1.0, 0.0), "amps": (1.0, 0.0), "ma": (0.001, 0.0)},
    "Ah": {"ah": (1.0, 0.0), "mah": (0.001, 0.0)},
    "l": {
        "l": (1.0, 0.0),
        "litre": (1.0, 0.0),
        "litres": (1.0, 0.0),
        "liter": (1.0, 0.0),
        "liters": (1.0, 0.0),
        "dl": (0.1, 0.0),
        "cl": (0.01, 0.0),
        "ml": (0.001, 0.0),
    },
    "ml": {"ml": (1.0, 0.0), "cm3": (1.0, 0.0), "cl": (10.0, 0.0), "dl": (100.0, 0.0), "l": (1000.0, 0.0)},
    "°C": {
        "c": (1.0, 0.0),
        "°c": (1.0, 0.0),
        "celsius": (1.0, 0.0),
        "f": (5 / 9, -160 / 9),
        "°f": (5 / 9, -160 / 9),
        "fahrenheit": (5 / 9, -160 / 9),
        "k": (1.0, -273.15),
    },
    "h": {
        "h": (1.0, 0.0),
        "hour": (1.0, 0.0),
        "hours": (1.0, 0.0),
        "min": (1 / 60, 0.0),
        "minutes": (1 / 60, 0.0),
        "d": (24.0, 0.0),
        "days": (24.0, 0.0),
    },
    "Nm": {
        "nm": (1.0, 0.0),
        "lbf ft": (_POUND_FOOT, 0.0),
        "ft lb": (_POUND_FOOT, 0.0),
        "in lb": (_POUND_FOOT / 12, 0.0),
    },
    "%": {"%": (1.0, 0.0), "percent": (1.0, 0.0)},
}


def read_number(text: str, unit: str) -> float:
    """A number in the unit of the catalogue. Without a unit, it is taken for that one.

    Raises ValueError, with what is expected, for anything else; also where comma and point both stand in it, since
    nobody can tell which of them is the decimal mark.
    """
    match = _NUMBER.fullmatch(text.strip())
    word = " ".join(match[2].lower().replace("-", " ").split()) if match else "?"
    units = UNITS[unit]
    if match is None or (word and word not in units):
        raise ValueError(expected_number(unit))
    factor, shift = units[word] if word else (1.0, 0.0)
    value = round(float(match[1].replace(",", ".")) * factor + shift, 9)
    if not math.isfinite(value):
        raise ValueError(expected_number(unit))
    return value


def expected_number(unit: str) -> str:
    """What is expected of a number of that unit, in words."""
    if not unit:
        return "a number, such as 1.265 or 1,265"
    others = [word for word in UNITS[unit] if word != unit.lower()]
    return f"a number in {unit}, such as 12.5 or 12,5" + (f" (or with {', '.join(others)})" if others else "")
