"""What the catalogue says of the findings about rests."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_GAS = "Charging near full makes hydrogen, which explodes at 4 % in air: air the room, keep flames and sparks away."

STATE_OF_CHARGE = FindingSpec(
    "rest.state_of_charge",
    "%",
    0,
    "The state of charge by the voltage of the resting bank, extrapolated to where it settles, at 25 °C.",
    "trade tables of rested voltage; extrapolation: own study, compare J. H. Aylor et al., IEEE Trans. Ind. Electron. "
    "39 (1992) 398",
    (
        Verdict("settled", "At rest the bank was at {value}."),
        Verdict("fair", "At rest the bank was at about {value}; the voltage had not quite settled."),
        Verdict("rough", "At rest the bank was very roughly at {value}; the rest was too short for more."),
        Verdict("cannot_tell", "The state of charge cannot be told by voltage: the bank has not rested."),
    ),
)
SELF_DISCHARGE = FindingSpec(
    "rest.self_discharge",
    "% per day",
    2,
    "What the resting bank loses of its charge in a day by itself.",
    "slope of the rested voltage over days; usual figures: data sheets by type",
    (
        Verdict("usual", "The resting bank loses {value}, which is usual."),
        Verdict(
            "high",
            "The resting bank loses {value} by itself, much more than usual.",
            weight=50,
            cause="self-discharge",
            do="Wash and dry the tops of the blocks, look for a load that the meter does not see, and compare the "
            "blocks' voltages after days of rest.",
            caution="Wear goggles and gloves: the wet tops carry acid.",
        ),
        Verdict("cannot_tell", "What the resting bank loses by itself cannot be told."),
    ),
)
_LOAD_DO = (
    "Open the main switch first and look: what is shown then is the zero of the meter and no load. Then pull the fuses"
    " of the loads one at a time and watch the current."
)
PARASITIC = FindingSpec(
    "rest.parasitic",
    "A",
    3,
    "The steady current that something draws while the bank rests.",
    "mean current of rests against the zero offset of the meter; common practice",
    (
        Verdict("none", "Nothing draws on the resting bank."),
        Verdict("small", "Something draws a steady {value} while the bank rests."),
        Verdict(
            "grown",
            "The steady current while the bank rests has grown to {value}.",
            weight=50,
            cause="parasitic load",
            do=_LOAD_DO,
        ),
        Verdict(
            "heavy",
            "Something draws a steady {value} while the bank rests, which empties it within weeks.",
            weight=50,
            cause="parasitic load",
            do=_LOAD_DO,
        ),
        Verdict("cannot_tell", "Whether something draws on the resting bank cannot be told."),
    ),
)
AFTER_FULL = FindingSpec(
    "rest.after_full",
    "%",
    0,
    "The state of charge by rested voltage after a charge that was proven full. Full is what it should show.",
    "own study by simulation: the one sign of acid that is locked up as sulfate",
    (
        Verdict("confirmed", "After the full charge the rested voltage shows {value}: it was full."),
        Verdict(
            "contradicted",
            "After a charge that looked full the rested voltage shows only {value}.",
            weight=45,
            cause="sulfation",
            do="Part of the acid is locked up as sulfate, the acid is weak, or the table of rested voltages is not "
            "that of these blocks. Take a hydrometer to flooded blocks; give some long charges and compare.",
            caution=f"{_GAS} Wear goggles and gloves for the hydrometer.",
        ),
        Verdict("cannot_tell", "The rested voltage neither confirms nor denies the full charge."),
    ),
)
SULFATION = FindingSpec(
    "rest.sulfation",
    "%",
    0,
    "By how much the rested voltage after whole charges has fallen since the first weeks, as a share of the way from "
    "full to flat.",
    "own study by simulation: acid that no charge sets free is locked up as sulfate",
    (
        Verdict("as_before", "After whole charges the bank rests as in its first weeks."),
        Verdict(
            "sulfated",
            "After whole charges the bank rests ever lower, by {value} of its charge: acid stays locked up as sulfate.",
            weight=56,
            cause="sulfation",
            do="Measure the gravity of flooded blocks after a whole charge. If it is low and no water was added, give "
            "long or equalizing charges as the maker allows and compare again. Do not add acid.",
            caution=f"{_GAS} Wear goggles and gloves for the hydrometer.",
        ),
    ),
)
_MIX = (
    "Give an equalizing charge where the maker allows it, or a whole charge that gasses for hours; then measure the "
    "gravity at the top and at the bottom of some cells. Do not add acid, and do not judge blocks before it is mixed."
)
STRATIFICATION = FindingSpec(
    "rest.stratification",
    "days",
    0,
    "Whether the acid of flooded blocks may lie in layers: days since a charge last gassed for an hour.",
    "common practice, no source: gas mixes the acid; limits own",
    (
        Verdict(
            "mixed",
            "Nothing speaks for layers in the acid: gas mixed it not long ago, or little was charged since.",
        ),
        Verdict(
            "possible",
            "No charge has gassed for an hour in {value}: the acid may lie in layers.",
            weight=30,
            cause="stratification",
            do=_MIX,
            caution=f"{_GAS} Wear goggles and gloves for the hydrometer.",
        ),
        Verdict(
            "likely",
            "No charge has gassed for an hour in {value}, yet the bank rests as if full: the acid lies in layers.",
            weight=56,
            cause="stratification",
            do=_MIX,
            caution=f"{_GAS} Wear goggles and gloves for the hydrometer.",
        ),
    ),
)

SPECS: tuple[FindingSpec, ...] = (STATE_OF_CHARGE, SELF_DISCHARGE, PARASITIC, AFTER_FULL, SULFATION, STRATIFICATION)
