"""What the topic of plain limits can say."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_HYDROGEN = "Charging gives off hydrogen: ventilate."
_FROST = "An empty block freezes first: never charge one that is frozen, bulged or cracked; thaw it first."

LOW = FindingSpec(
    "limits.low_voltage",
    "V",
    3,
    "Voltage per cell with what the load takes away by the bank's resistance put back, so that a motor start is not "
    "taken for an empty bank. The band is that of the resistance and of the voltmeter.",
    "end voltage of 1.75 V per cell: common practice of capacity tests; the rest own",
    (
        Verdict("normal", "The bank's voltage is not too low: {value} per cell without the load."),
        Verdict(
            "low",
            "The bank is nearly empty: {value} per cell, with the sag of the load put back.",
            50,
            "deep discharge",
            "Take off what load can wait, and charge as soon as possible. Do not start a long job on what is left.",
            "Charging gives off hydrogen: ventilate. The maker's manual governs.",
        ),
        Verdict(
            "empty",
            "The bank is empty: {value} per cell, with the sag of the load put back.",
            65,
            "deep discharge",
            "Take the load off now and charge fully, from today on: an empty bank that stands is damaged in days.",
            f"Weak cells can be driven the wrong way and get hot on charge. {_HYDROGEN} {_FROST}",
        ),
    ),
)

HIGH = FindingSpec(
    "limits.high_voltage",
    "V",
    3,
    "Voltage per cell while charging, above what any charge of this type holds, equalizing and cold included.",
    "own, above the equalizing voltages of the preset",
    (
        Verdict("normal", "The bank's voltage is not too high: {value} per cell."),
        Verdict(
            "high",
            "The bank's voltage is higher than any charge should hold: {value} per cell.",
            60,
            "overvoltage",
            "Switch the charger off, then check its setting and its wiring. Do not charge on until that is clear.",
            "Gas is given off fast: ventilate, no flame, no spark. Above 60 V live parts are dangerous to touch.",
        ),
    ),
)

DEEP = FindingSpec(
    "limits.deep_draws",
    "V",
    3,
    "Draws in the last four weeks in which the voltage per cell, with the load's sag put back, stayed below the end "
    "voltage. The value is the lowest of them; the finding stands after the bank was charged again.",
    "end voltage of 1.75 V per cell: common practice of capacity tests; the four weeks own",
    (
        Verdict("within", "The bank was not drawn empty in the last four weeks."),
        Verdict(
            "once",
            "The bank was drawn empty in the last four weeks, down to {value} per cell without the load.",
            40,
            "over-discharge",
            "Charge fully, and find out what kept the loads from being switched off in time.",
            f"{_HYDROGEN} {_FROST} The maker's manual governs.",
        ),
        Verdict(
            "repeatedly",
            "The bank was drawn empty repeatedly in the last four weeks, down to {value} per cell without the load.",
            45,
            "over-discharge",
            "Check at which voltage the loads are switched off, use less or charge in between: it wears the bank fast.",
            f"Weak cells can be driven the wrong way and get hot on charge. {_HYDROGEN} {_FROST}",
        ),
    ),
)

COUNTED = FindingSpec(
    "limits.drawn",
    "%",
    0,
    "Draws in the last four weeks that took more than the share of the capacity that may be drawn, by amp-hours "
    "counted since the bank was full. It is told only when the low end of its band is above that share and the voltage "
    "does not contradict. The value is the deepest, in percent of the capacity.",
    "no deeper than 80 %: common practice, no source; the band and the four weeks own",
    (
        Verdict("within", "No draw in the last four weeks took more than it should, by counted amp-hours."),
        Verdict(
            "once",
            "A draw in the last four weeks took {value} of the capacity.",
            40,
            "over-discharge",
            "Charge fully, use less between charges, and set the voltage at which loads are switched off higher.",
            f"{_HYDROGEN} {_FROST} The maker's manual governs.",
        ),
        Verdict(
            "repeatedly",
            "Draws in the last four weeks took up to {value} of the capacity, repeatedly.",
            45,
            "over-discharge",
            "Use less or charge in between, and set the voltage at which loads are switched off higher: it wears the "
            "bank fast.",
            f"{_HYDROGEN} {_FROST} The maker's manual governs.",
        ),
        Verdict("cannot_tell", "How deep the bank was drawn by counted amp-hours cannot be told."),
    ),
)

SPECS: tuple[FindingSpec, ...] = (LOW, HIGH, DEEP, COUNTED)
