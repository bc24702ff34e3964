"""What can be said of blocks and parallel strings: the catalogue's entries."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_HYDROGEN = "Charging gives hydrogen: ventilate, no flame, no sparks; the maker's manual governs."
_JOINT = (
    "Never open a joint under current; charger and loads off first, cover the opposite pole, insulated tools; over "
    "60 V isolate first. Local codes and licensed practice govern."
)
_REPLACE = "Vent gas before touching joints; loads and charger off first, so that nothing arcs."
_OWN = "own method after common practice: each block against the median of its peers in four phases; no source"

CANNOT_TELL = Verdict("cannot_tell", "Which block is weakest cannot be told yet.")

CAUSE = FindingSpec(
    "blocks.cause",
    "%",
    1,
    "What is wrong with a block, by how it stands to its peers at the end of a charge, early and late in a discharge "
    "and at rest. The value is what it holds less (negative) or more than its peers, in per cent, where that is known.",
    _OWN,
    (
        Verdict("fine", "{subject} goes along with its peers."),
        # A block's own fault before what follows from it: with one block behind, the others are overcharged.
        Verdict(
            "low_capacity",
            "{subject} holds less than its peers: {value}.",
            51,
            "low capacity",
            "Prove a full charge, then test this block; if it stays behind, plan a replacement. A new block among old "
            "ones should match them.",
            _HYDROGEN,
        ),
        Verdict(
            "out_of_balance",
            "{subject} is not as full as its peers, even at the end of a charge.",
            51,
            "out of balance",
            "Charge the bank fully and equalize where the maker allows it, then look again; a block that falls behind "
            "again has a leak of its own.",
            _HYDROGEN,
        ),
        Verdict(
            "level_again",
            "{subject} lagged behind its peers and is level again.",
            20,
            "out of balance",
            "Watch it for three months: a block that falls behind again has a leak of its own.",
        ),
        Verdict(
            "self_discharge",
            "{subject} loses charge at rest faster than its peers.",
            51,
            "self-discharge",
            "Clean and dry its top, look for a wire that draws from this block alone, and measure again; if it goes "
            "on, the block is contaminated or has a creeping short.",
            "Wash-water carries acid: gloves and face shield, soda at hand but not in the cells.",
        ),
        Verdict(
            "high_resistance_link",
            "{subject} or the joints beside it have too much resistance: low at once under load, high on charge.",
            51,
            "high-resistance link",
            "Clean and tighten the joints of this block and load again; if nothing changes, the block itself is worn.",
            _JOINT,
        ),
        Verdict(
            "shorted_cell",
            "{subject} gives about one cell too little: a cell is short.",
            90,
            "shorted cell",
            "Take the block out of service today and replace it. Until then do not boost or equalize: the other "
            "blocks would be overcharged.",
            _REPLACE,
        ),
        Verdict(
            "open",
            "{subject} breaks under load.",
            90,
            "open cell or strap",
            "Take the block out of service and replace it; do not switch loads to try it.",
            _REPLACE,
        ),
        Verdict(
            "bad_tap",
            "{subject} reads the same amount too low whatever the bank does: its wire or input is wrong.",
            70,
            "bad tap",
            "Measure the block by hand; put the tap wires of this block and its neighbour right, or set the scale of "
            "its channel.",
            "Tap wires carry the battery's full short-circuit current: fused at the source, one at a time.",
        ),
        Verdict(
            "unclear",
            "{subject} does not go along with its peers, but what it has cannot be told yet.",
            20,
            "",
            "Charge the bank fully, let it rest for some hours, then discharge it deeper once, and look again.",
            _HYDROGEN,
        ),
        Verdict("not_judged", "{subject} is not judged: its reading is in doubt."),
    ),
)

WEAKEST = FindingSpec(
    "blocks.weakest",
    "%",
    0,
    "Which block to watch: the one that comes last most often. The value is the share of discharges in which it does.",
    _OWN,
    (
        Verdict("no_block_stands_out", "No block stands out."),
        Verdict("weakest", "One block comes last most often ({value}), but no further than ordinary scatter goes."),
        Verdict(
            "stands_out",
            "One block stands out: it came last in {value} of the discharges.",
            20,
            "low capacity",
            "Watch this block, and test it after the next proven full charge.",
        ),
        CANNOT_TELL,
    ),
)

SPREAD = FindingSpec(
    "blocks.spread",
    "mV per cell",
    0,
    "How far the blocks lie apart after a charge: highest less lowest, at rest.",
    "battery maker's page: more than 0.30 V between 12 V blocks, 0.15 V between 6 V blocks, about an hour after charge",
    (
        Verdict("even", "After a charge the blocks lie {value} apart, which is in order."),
        Verdict(
            "wide",
            "After a charge the blocks lie {value} apart: too much.",
            20,
            "spread",
            "Look which block is low; equalize only where the maker allows it.",
            _HYDROGEN,
        ),
    ),
)

SHORT = FindingSpec(
    "blocks.short",
    "V",
    2,
    "A block that stands about a cell below its peers where no load can pull it down. The value is how far (negative: "
    "below).",
    "common practice: a 12 V block at rest under 10.6 V has a shorted cell; own persistence, no source",
    (
        Verdict("gone", "{subject} is no longer a cell below its peers."),
        Verdict(
            "looks_shorted",
            "{subject} stands far below its peers without a load ({value}): a cell looks short.",
            60,
            "shorted cell",
            "Do not boost or equalize. Charge as usual, let it rest, and measure this block by hand today.",
            _REPLACE,
        ),
        Verdict(
            "shorted_cell",
            "{subject} stays far below its peers, rest after rest ({value}): a cell is short.",
            90,
            "shorted cell",
            "Take the block out of service today and replace it. Until then do not boost or equalize: the other "
            "blocks would be overcharged. In a bank of parallel strings open this string.",
            _REPLACE,
        ),
    ),
)

REVERSAL = FindingSpec(
    "blocks.reversal",
    "V",
    2,
    "A block driven so far down by the others that it may be reversed. The value is what it read.",
    "own choice, no source",
    (
        Verdict("not_lately", "{subject} has not been driven the wrong way lately."),
        Verdict(
            "reversed",
            "{subject} fell to {value} while the bank still gave current: it was driven the wrong way.",
            60,
            "over-discharge",
            "Stop the load now and charge slowly; test this block before the bank is used deeply again.",
            "A reversed cell gets hot on charge: watch it, ventilate.",
        ),
    ),
)

OPEN = FindingSpec(
    "blocks.open",
    "V",
    2,
    "A block that gives way under load and stands again at once. The value is the lowest that it read.",
    "common practice, no source",
    (
        Verdict("not_lately", "{subject} has not given way under load lately."),
        Verdict(
            "breaks_under_load",
            "{subject} gives way under load (down to {value}) and comes back: a strap or joint is breaking.",
            90,
            "open cell or strap",
            "Take the block out of service; look at its posts, straps and joints. Do not switch loads to try it.",
            "A strap that parts under load makes an arc, and the gas of the block may explode. " + _REPLACE,
        ),
    ),
)

SHARING = FindingSpec(
    "strings.sharing",
    "%",
    1,
    "How a parallel string carries its part: share of the current in the middle of a discharge, 100 % being an equal "
    "part. The middle tells capacity, the first minutes resistance, a reversed start a difference of charge.",
    "own study by simulation of two parallel strings, no published source",
    (
        Verdict("even", "{subject} carries its part ({value} of an equal one)."),
        Verdict(
            "less_capacity",
            "{subject} carries {value} of an equal part in the middle of discharges: it holds less.",
            50,
            "unequal strings",
            "Charge the bank fully, then measure the blocks of this string one by one.",
            _HYDROGEN,
        ),
        Verdict(
            "more_resistance",
            "{subject} starts discharges with too little current and ends with too much: its path has resistance.",
            50,
            "high-resistance link",
            "Compare lengths and joints of the cables of the strings; clean and tighten.",
            _JOINT,
        ),
        Verdict(
            "behind_in_charge",
            "{subject} starts discharges with hardly any current or takes some: it is less full than the others.",
            50,
            "unequal strings",
            "Charge the bank fully and for long enough that both strings' currents are small, then look again.",
            "Opening a string under load arcs; match voltages before strings are joined again.",
        ),
        Verdict(
            "no_current",
            "{subject} carries no current: it is open.",
            90,
            "open string",
            "Look for a blown fuse, an open switch or a broken strap; the other strings carry its part.",
            "Opening or closing a string under load arcs; match voltages before joining it again.",
        ),
        Verdict(
            "ambiguous",
            "{subject} carries less than its part, and why cannot be told from this alone.",
            20,
            "unequal strings",
            "Measure this string by itself on charge, on discharge and at rest.",
        ),
    ),
)

INTERRUPTED = FindingSpec(
    "strings.interrupted",
    "",
    0,
    "Whether the current of a parallel string falls to nothing under load while the others carry on, again and again: "
    "then it loses and makes contact. The strings' currents must add up to that of the bank.",
    "own method, no published source",
    (
        Verdict("steady", "The current of {subject} goes and comes with that of the other strings again."),
        Verdict(
            "comes_and_goes",
            "{subject} loses and makes contact under load: its current falls to nothing while the others carry on.",
            90,
            "open cell or strap",
            "Take this string out of use with load and charger off, and look for the loose joint or the broken strap.",
            "A strap that parts under load makes sparks, and there may be hydrogen: do not wait. Match voltages before "
            "joining the string again.",
        ),
        Verdict("cannot_tell", "Whether {subject} still loses contact under load cannot be told."),
    ),
)

SPECS = (CAUSE, WEAKEST, SPREAD, SHORT, REVERSAL, OPEN, SHARING, INTERRUPTED)
