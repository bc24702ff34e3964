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
_LOAD_DO = "Pull the fuses of the loads one at a time and watch the current."
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

SPECS: tuple[FindingSpec, ...] = (STATE_OF_CHARGE, SELF_DISCHARGE, PARASITIC, AFTER_FULL)
