"""What the findings on capacity can say. A witness that is blind to a kind of fade never says that all is well."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_TEST = (
    "Charge it full, prove it, and make a discharge at the rated current down to the end voltage, within the maker's "
    "limits; then plan for a replacement."
)
_TEST_CARE = "Never below the end voltage: the weakest cell may be driven backwards. Recharge at once afterwards."

OBSERVED = FindingSpec(
    "capacity.observed",
    "Ah",
    1,
    "Amp-hours that an ordinary discharge gave, from a proven full down to the end voltage; brought to the rated "
    "current and temperature where those are near enough.",
    "IEEE 450 and IEC 60896 by arithmetic (clauses from memory); Peukert's law within a stated range of rates",
    (
        Verdict("sound", "{subject} gave {value} down to the end voltage, as it should."),
        Verdict(
            "watch", "{subject} gave {value} down to the end voltage: it is getting weaker.", 25, "", _TEST, _TEST_CARE
        ),
        Verdict(
            "low",
            "{subject} gave only {value} down to the end voltage: it is at the end of its life by the usual rule.",
            50,
            "low capacity",
            _TEST,
            _TEST_CARE,
        ),
        Verdict(
            "other_rate", "{subject} gave {value} at a current far from the rated one, which is no percentage of it."
        ),
        Verdict(
            "fallen",
            "{subject} gave {value} at a current far from the rated one: much less than it once did at that current.",
            50,
            "low capacity",
            _TEST,
            _TEST_CARE,
        ),
        Verdict("cannot_tell", "How much {subject} holds down to the end voltage cannot be told."),
    ),
)
INFERRED = FindingSpec(
    "capacity.inferred",
    "Ah",
    1,
    "Amp-hours down to the end voltage, from a shorter discharge whose curve is stretched onto this bank's own one. "
    "It reads too high where acid is locked as sulfate.",
    "own study by simulation: within a tenth from half of the charge on",
    (
        Verdict("sound", "{subject} would give about {value}, if the rest of its curve is as it was."),
        Verdict("watch", "{subject} would give about {value}: it seems to get weaker.", 20, "", _TEST, _TEST_CARE),
        Verdict("low", "{subject} would give only about {value}.", 45, "low capacity", _TEST, _TEST_CARE),
        Verdict("cannot_tell", "A shorter discharge says nothing of {subject} now."),
    ),
)
ACID_RESERVE = FindingSpec(
    "capacity.acid_reserve",
    "Ah",
    0,
    "Amp-hours that the acid gives between full and flat, from rested voltages. It is no capacity: plates that are "
    "worn and acid that is locked as sulfate do not show in it.",
    "errors in both after G. L. Plett, J. Power Sources 196 (2011) 2319; own covariance of shared rests",
    (
        Verdict(
            "read", "The acid of {subject} stands for {value}; what the plates can give of it is not said by that."
        ),
        Verdict("cannot_tell", "For how many amp-hours the acid of {subject} stands cannot be told."),
    ),
)
ACID_WHEN_FULL = FindingSpec(
    "capacity.acid_when_full",
    "%",
    0,
    "State of charge that the rested voltage shows after a charge that was proven full. Where it falls, acid is "
    "missing that the charge did not bring back.",
    "own study by simulation: it follows the capacity where acid is locked as sulfate",
    (
        Verdict("read", "When {subject} is full, its rested voltage shows {value}."),
        Verdict(
            "fallen",
            "{subject} charges to the end, but its rested voltage then shows only {value}: acid is locked as sulfate.",
            45,
            "sulfated",
            "Prove three full charges in a row, then equalize if the maker allows it, and look at this figure again.",
            "Equalizing makes gas and heat: air the room, keep sparks away, read temperature and acid every hour. "
            "Sealed blocks only as their maker says.",
        ),
    ),
)
SUMMARY = FindingSpec(
    "capacity.summary",
    "%",
    0,
    "Capacity as a share of the rated amp-hours at their rate and temperature, by the best witness there is.",
    "below 90 % test every year, below 80 % replace: IEEE 450 and 1188 as read in maintenance handbooks (TM 5-684)",
    (
        Verdict("sound", "{subject} has {value} of its rated capacity."),
        Verdict("watch", "{subject} has {value} of its rated capacity: test it every year.", 20, "", _TEST, _TEST_CARE),
        Verdict("low", "{subject} has only {value} of its rated capacity.", 50, "low capacity", _TEST, _TEST_CARE),
        Verdict("cannot_tell", "What {subject} really holds is not known."),
    ),
)
AT_DEPTH = FindingSpec(
    "capacity.at_depth",
    "mV",
    1,
    "How much lower the voltage of a cell lies deep in ordinary discharges than in the first weeks, at the same "
    "amp-hours, current and temperature, beyond what it is lower at their beginning. How many amp-hours are lost "
    "does not follow from it, and shallow use shows nothing.",
    "own study by simulation: healthy banks stay within 2 mV through a year, a fifth of the plates is 5 mV or more",
    (
        Verdict("as_before", "Deep in its discharges {subject} holds its voltage as in the first weeks."),
        Verdict(
            "fallen",
            "Deep in its discharges {subject} falls behind its first weeks by {value} a cell: it holds less.",
            30,
            "loss of capacity",
            _TEST,
            _TEST_CARE,
        ),
        Verdict(
            "jumped",
            "Deep in its discharges {subject} has lain lower by {value} a cell all at once, since a certain day; "
            "capacity need not be the cause.",
        ),
        Verdict(
            "cannot_tell",
            "Whether {subject} falls behind its first weeks deep in its discharges cannot be told: a block was "
            "changed, and its first weeks are being gathered anew.",
        ),
    ),
)
SPECS = (SUMMARY, OBSERVED, INFERRED, AT_DEPTH, ACID_RESERVE, ACID_WHEN_FULL)
