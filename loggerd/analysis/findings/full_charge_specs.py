"""What the catalogue says of the findings about full charges."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_GAS = "Charging near full makes hydrogen, which explodes at 4 % in air: air the room, keep flames and sparks away."
_CHARGER = (
    "Settings of a charger are changed by someone qualified for it, by the maker's manual and the local code; "
    "switch the charger off before its leads are moved."
)

LAST = FindingSpec(
    "full_charge.last",
    "A per 100 Ah",
    2,
    "Whether the last charge filled the bank. The current must be small and must have stopped falling while the "
    "charging voltage was held; the value is the current at the end.",
    "own study of simulated charges: a current under 5 % that falls by less than 5 % an hour; three equal readings "
    "(common practice)",
    (
        Verdict("full_proven", "The last charge filled the bank: the current had stopped falling, at {value}."),
        Verdict("full_likely", "The last charge probably filled the bank, but that is not proven."),
        Verdict(
            "ended_early",
            "The last charge ended before the bank was full.",
            do="Let the next charge run on until the current no longer falls.",
            caution=_GAS,
        ),
        Verdict("unknown", "Whether the last charge filled the bank cannot be told."),
    ),
)
DAYS_SINCE = FindingSpec(
    "full_charge.days_since",
    "days",
    0,
    "Days since a full charge was last proven. Plates that stay partly discharged for weeks grow hard.",
    "common practice, no source: 7 to 14 days for solar banks; a trade bulletin names 30 days for lasting sulfation",
    (
        Verdict("fine", "The bank was proven full {value} ago."),
        Verdict(
            "overdue",
            "The bank has had no full charge for {value}.",
            weight=20,
            do="Give it a long charge, until the current no longer falls.",
            caution=_GAS,
        ),
        Verdict(
            "long_overdue",
            "The bank has had no full charge for {value}: lasting damage of the plates begins.",
            weight=50,
            cause="chronic undercharge",
            do="Give it a long charge now, and find out why it does not get full: too little sun or time, too low a "
            "voltage, too much load.",
            caution=_GAS,
        ),
        Verdict("cannot_tell", "How long ago the bank was full cannot be told."),
    ),
)
UNDERCHARGE = FindingSpec(
    "full_charge.undercharge",
    "% of rated Ah",
    1,
    "Whether the bank gets back less than it gives, week after week. The value is what is missing.",
    "own: what was taken less what was returned grows in every third of the weeks; no published source",
    (
        Verdict("none", "The bank gets back what it gives."),
        Verdict(
            "chronic",
            "For weeks the bank has not been charged full.",
            weight=55,
            cause="chronic undercharge",
            do="Charge longer or more often, lower the load, and look at the voltage that the charger holds. Some "
            "long charges in a row may be needed.",
            caution=_GAS,
        ),
        Verdict("cannot_tell", "Whether the bank gets back what it gives cannot be told."),
    ),
)
OVERCHARGE = FindingSpec(
    "full_charge.overcharge",
    "Ah per Ah",
    3,
    "Whether much more is charged than the bank gave, for weeks: what is too much turns water into gas and heat.",
    "common practice, no source: above 1.25 for weeks in flooded banks, less in sealed ones",
    (
        Verdict("none", "The bank is not overcharged: the charges put back {value} taken out."),
        Verdict(
            "high",
            "The bank is overcharged: for weeks the charges put back {value} taken out.",
            weight=50,
            cause="overcharge",
            do="Lower the voltage or shorten the time of the charge; look for a temperature probe that hangs in the "
            "cold, and for a shorted cell. Look at the water of flooded blocks.",
            caution=f"{_GAS} {_CHARGER}",
        ),
        Verdict("cannot_tell", "Whether the bank is overcharged cannot be told."),
    ),
)
_SET_POINT_DO = "Set the charger to the voltage that the maker of the blocks states, or correct the preset here."
SET_POINTS = FindingSpec(
    "full_charge.set_points",
    "V per cell",
    3,
    "The voltage at which the charger holds the bank, less what it should be at the temperature of the blocks.",
    "presets by type, each with its source; tolerance 25 mV per cell, 1 % of the charging voltage (own choice)",
    (
        Verdict("right", "The charger holds the right voltage ({value} off)."),
        Verdict("may_be_right", "The charger's voltage can be right, as far as the temperature of the air tells."),
        Verdict(
            "low",
            "The charger holds a voltage that is too low ({value} off).",
            weight=52,
            cause="charger set point low",
            do=_SET_POINT_DO,
            caution=_CHARGER,
        ),
        Verdict(
            "high",
            "The charger holds a voltage that is too high ({value} off).",
            weight=52,
            cause="charger set point high",
            do=_SET_POINT_DO,
            caution=f"{_CHARGER} {_GAS}",
        ),
        Verdict("cannot_tell", "Whether the charger holds the right voltage cannot be told."),
    ),
)
_PROBE_DO = "Fix the charger's temperature probe to the hottest block, or switch its compensation on."
COMPENSATION = FindingSpec(
    "full_charge.compensation",
    "mV per cell and K",
    1,
    "How the charging voltage moves with the temperature of the blocks. It should fall when they are warmer.",
    "sources disagree: 3 to 5 mV per cell and kelvin; slope by Theil and Sen",
    (
        Verdict("as_preset", "The charging voltage follows the temperature of the blocks ({value})."),
        Verdict(
            "none",
            "The charging voltage does not move with the temperature of the blocks ({value}).",
            weight=53,
            cause="temperature compensation wrong",
            do=_PROBE_DO,
            caution=_CHARGER,
        ),
        Verdict(
            "too_strong",
            "The charging voltage moves more with the temperature than any maker asks for ({value}).",
            weight=53,
            cause="temperature compensation wrong",
            do="Set the compensation that the maker of the blocks states.",
            caution=_CHARGER,
        ),
        Verdict(
            "follows_ambient",
            "The charging voltage follows the air and not the blocks: the charger's probe hangs loose.",
            weight=53,
            cause="temperature compensation wrong",
            do=_PROBE_DO,
            caution=f"A probe in the cold makes the charger overcharge. {_CHARGER}",
        ),
        Verdict("cannot_tell", "How the charging voltage moves with the temperature cannot be told."),
    ),
)
CHARGE_FACTOR = FindingSpec(
    "full_charge.charge_factor",
    "Ah per Ah",
    3,
    "What was charged for each Ah taken, from one proven full charge to the next. A wrong scale of the meter cancels, "
    "a wrong zero does not.",
    "common practice: 1.10 to 1.20 flooded, 1.02 to 1.10 sealed; no source",
    (
        Verdict("usual", "The charges put back what is usual: {value}."),
        Verdict("low", "The charges put back only {value} taken out."),
        Verdict("high", "The charges put back much: {value}."),
        Verdict("cannot_tell", "What is charged for each Ah taken cannot be told."),
    ),
)

SPECS: tuple[FindingSpec, ...] = (
    LAST,
    DAYS_SINCE,
    UNDERCHARGE,
    OVERCHARGE,
    SET_POINTS,
    COMPENSATION,
    CHARGE_FACTOR,
)
