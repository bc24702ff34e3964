"""What the topic of trends can say."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_SOURCE = (
    "Theil 1950, Sen 1968 (slope); Mann 1945, Kendall 1975 (test), variance inflated for AR(1) memory: own study by "
    "simulation"
)


def _spec(name: str, unit: str, decimals: int, what: str, verdicts: tuple[Verdict, ...]) -> FindingSpec:
    explanation = f"Slope of {what} over the months, season taken out by temperature, memory of the series respected."
    early = Verdict("too_early", f"Too early for a trend of {what.partition(' (')[0]}.")
    return FindingSpec(name, unit, decimals, explanation, _SOURCE, (early, *verdicts))


CAPACITY = _spec(
    "trends.capacity",
    "%/a",
    1,
    "the capacity (tested, else observed, else inferred)",
    (
        Verdict("steady", "The capacity shows no loss worth naming: {value}."),
        Verdict(
            "falling",
            "The capacity falls: {value}.",
            35,
            "loss of capacity",
            "Prove that charges end full; then test the capacity, and plan its replacement by the date that is told.",
        ),
        Verdict(
            "rising", "The capacity rises: {value}. Young banks do; so do banks that are charged better than before."
        ),
    ),
)
RESISTANCE = _spec(
    "trends.resistance",
    "%/a",
    1,
    "the bank's resistance",
    (
        Verdict("steady", "The resistance shows no change worth naming: {value}."),
        Verdict(
            "rising",
            "The resistance rises: {value}.",
            30,
            "rising resistance",
            "Look at the joints first, then at the water, then test the capacity.",
            "Switch the current off before a joint is touched; insulated tools; cover the other pole.",
        ),
        Verdict("falling", "The resistance falls: {value}."),
    ),
)
END_OF_CHARGE = _spec(
    "trends.end_of_charge",
    "%/a",
    1,
    "the share of a charge that is taken before the charging voltage is reached",
    (
        Verdict("steady", "Charges are taken as before: the share before the charging voltage changes by {value}."),
        Verdict(
            "falling",
            "The bank reaches the charging voltage ever earlier: {value}. That is how sulfation shows.",
            35,
            "sulfation",
            "Three proven full charges one after the other; flooded: then a corrective equalizing charge; then look "
            "again.",
            "Equalizing makes hydrogen and heat; sealed types only as the maker says.",
        ),
        Verdict("rising", "The bank takes more before the charging voltage is reached than before: {value}."),
    ),
)
TAIL = _spec(
    "trends.tail_current",
    "",
    2,
    "the current at the end of full charges, at 25 °C",
    (
        Verdict("steady", "The current at the end of full charges stays: {value} A per 100 Ah a year."),
        Verdict(
            "rising",
            "The current at the end of full charges rises: {value} A per 100 Ah a year. More water is "
            "used; ageing antimony grids, drying sealed cells or a cell that is dying do that.",
            25,
            "rising gassing",
            "Look at water and temperatures; look for a block that stands out.",
            "Hydrogen: ventilate, no flame, no spark.",
        ),
        Verdict("falling", "The current at the end of full charges falls: {value} A per 100 Ah a year."),
    ),
)
REST_VOLTS = _spec(
    "trends.rest_volts",
    "mV",
    1,
    "the rested voltage after full charges",
    (
        Verdict("steady", "The rested voltage after full charges stays: {value} per cell a year."),
        Verdict(
            "falling",
            "The rested voltage after full charges falls: {value} per cell a year. Acid stays bound in "
            "the plates, or charges end too early.",
            30,
            "sulfation",
            "Prove full charges; flooded: measure the specific gravity.",
            "Protect eyes and hands against acid.",
        ),
        Verdict(
            "rising",
            "The rested voltage after full charges rises: {value} per cell a year. The acid becomes "
            "stronger, as when water is lost.",
            25,
            "loss of water",
            "Flooded: look at the levels.",
            "Protect eyes and hands against acid.",
        ),
    ),
)
SPREAD = _spec(
    "trends.spread",
    "mV",
    1,
    "the difference between the blocks",
    (
        Verdict("steady", "The blocks stay together: {value} per cell a year."),
        Verdict(
            "rising",
            "The blocks drift apart: {value} per cell a year.",
            25,
            "out of balance",
            "Charge full, equalize as the maker says, and see whether it comes back; then test the blocks.",
            "Equalizing makes hydrogen and heat; sealed types only as the maker says.",
        ),
        Verdict("falling", "The blocks come together: {value} per cell a year."),
    ),
)
DRIFT = FindingSpec(
    "trends.drift",
    "",
    0,
    "Whether a weekly figure has left the level of its own first year: capacity, resistance, end of charge, rested "
    "voltage, differences of blocks.",
    "CUSUM with a designed rate of false alarms: Siegmund 1985, Brook and Evans 1972, Hawkins 1987 (from memory)",
    (
        Verdict("steady", "Nothing has left its usual level."),
        Verdict(
            "drifting",
            "Something has left its usual level; series: {value}.",
            25,
            "",
            "See what was changed since (charger, load, place, sensors); then look at the other findings.",
        ),
    ),
)
END_OF_LIFE = FindingSpec(
    "trends.end_of_life",
    "",
    1,
    "Years until the capacity falls below the share at which a bank is at its end, with a chance of 5 % outside "
    "each side.",
    "IEEE 450 and 1188: replace below 80 % of rated; band: own study by simulation",
    (
        Verdict("no_date", "No date for the end of life yet."),
        Verdict(
            "not_before", "The end of life is at least {value} years away, as far as the trend tells; no date yet."
        ),
        Verdict("date", "The end of life is about {value} years away.", 10, "", "Plan its replacement."),
        Verdict(
            "reached",
            "The capacity is at or below the end of life.",
            50,
            "end of life",
            "Test the capacity after a proven full charge; replace the bank or its weak blocks.",
            "Heavy blocks, acid, and currents that weld: licensed practice governs.",
        ),
    ),
)

SPECS: tuple[FindingSpec, ...] = (
    CAPACITY,
    RESISTANCE,
    END_OF_CHARGE,
    TAIL,
    REST_VOLTS,
    SPREAD,
    DRIFT,
    END_OF_LIFE,
)
