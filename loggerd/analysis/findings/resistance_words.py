"""What the findings on resistance can say."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_STEPS = "own arrangement of a common method: change of voltage by change of current at load steps"
_JOINT_CARE = (
    "Take the load and the charger off and cover the other pole before a joint is touched: opening one under current "
    "draws an arc, and there may be gas. From 60 V on it is work for a licensed person; local codes govern."
)
_MEND = (
    "Open the joint without load, clean both faces, tighten to the maker's torque, and look at this figure again. "
    "If it stays high, the fault lies inside the block: test that block by itself."
)

BANK = FindingSpec(
    "resistance.bank",
    "mΩ",
    3,
    "Resistance of the whole bank with its joints, from load steps, at the reference temperature. It depends on how "
    "soon after the step the voltage is read, so compare it only with figures of this bank.",
    _STEPS,
    (Verdict("measured", "{subject} has a resistance of {value}."),),
)
BLOCK = FindingSpec(
    "resistance.block",
    "mΩ",
    3,
    "Resistance of a block with its joint, from load steps, at the reference temperature.",
    _STEPS,
    (
        Verdict("measured", "{subject} and its joint have a resistance of {value}."),
        Verdict(
            "above_peers",
            "{subject} and its joint have had a much higher resistance ({value}) than its neighbours from the start.",
            20,
            "",
            "Look at its joints first: clean and tighten them without load. If that does not help, it is the block.",
            _JOINT_CARE,
        ),
        Verdict(
            "risen",
            "The resistance of {subject} or its joint has risen to {value}; which of both, the readings cannot tell.",
            30,
            "",
            "Look at its joints first: clean and tighten them without load. If that does not help, it is the block.",
            _JOINT_CARE,
        ),
        Verdict(
            "block_risen",
            "The resistance of {subject} itself has risen to {value}; a joint would not behave like this.",
            30,
            "aged block",
            "Test the capacity of this block after a full charge before you replace it.",
            "",
        ),
    ),
)
LINK = FindingSpec(
    "resistance.link",
    "%",
    0,
    "Rise of the resistance of a block's span over its own first weeks, where it behaves like a joint: in proportion "
    "to the current, at once, and no more when the bank is low.",
    "cell manual and maintenance handbooks: a joint more than 20 % above the average or its first value is remade",
    (
        Verdict("as_before", "The joint at {subject} is as it was in the first weeks again ({value})."),
        Verdict(
            "rising",
            "The resistance at {subject} is {value} above its first weeks: watch this joint.",
            15,
            "",
            "Look at the joint when you are there next.",
            _JOINT_CARE,
        ),
        Verdict(
            "risen",
            "{subject} is loose or corroded: its span has {value} more resistance than in the first weeks.",
            50,
            "high-resistance link",
            _MEND,
            _JOINT_CARE,
        ),
    ),
)
TREND = FindingSpec(
    "resistance.trend",
    "%",
    0,
    "Rise of the resistance of the bank, all blocks together, over its own first weeks at the same depth of discharge "
    "and temperature.",
    "IEEE 1188, from memory: 30 to 50 % over the baseline is significant; resistance is not capacity",
    (
        Verdict("steady", "The resistance of {subject} is as in the first weeks, within {value}."),
        Verdict(
            "watch",
            "The resistance of {subject} is {value} above its first weeks, in all blocks alike.",
            20,
            "rising resistance",
            "Test the capacity. Look at the electrolyte where it can be seen, and at the temperature of the room.",
            "",
        ),
        Verdict(
            "act",
            "The resistance of {subject} is {value} above its first weeks: the whole bank ages, or dries out.",
            40,
            "rising resistance",
            "Test the capacity now, and plan for a replacement; fill water where blocks can be filled.",
            "Plates that are bare under a space full of gas need only a spark: air the room before you open anything.",
        ),
        Verdict(
            "jumped",
            "The resistance of {subject} has risen by {value} within days: a joint somewhere, most likely.",
            45,
            "high-resistance link",
            "Feel for a warm joint after a spell of load, then clean and tighten it without load. Wires to each "
            "block would show which one.",
            _JOINT_CARE,
        ),
    ),
)
SPECS = (BANK, BLOCK, LINK, TREND)
