"""What the topic of heat and gas can say."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_GAS = (
    "Hydrogen explodes from 4 % in air: ventilate, no flame, no spark, nothing switched near the cells. "
    "The maker's manual, local codes and licensed practice govern."
)
_AWAY = (
    "Do not approach blocks that swell, hiss or smell of rotten eggs; they may burst and give off hydrogen and "
    "hydrogen sulfide. Switch off from a distance, leave, and call the fire service if they vent."
)
_ACID = "Wear eye protection and gloves against acid; have water to rinse at hand. The maker's manual governs."
_COOL = "Do not pour water on hot cells; do not open vents of hot cells."
_OVER_60 = "Above 60 V, and while equalizing also a 48 V bank, live parts are dangerous to touch."

RUNAWAY = FindingSpec(
    "heat.runaway",
    "K",
    1,
    "Thermal runaway: at constant voltage the current rises instead of falling, and the blocks warm away from the air. "
    "The number is how far the blocks are above the air.",
    "limits of 10 K above the air and 50 °C: maintenance manual of a sealed block; rules of the rise: own study by "
    "simulation",
    (
        Verdict("calm", "No sign of thermal runaway."),
        Verdict(
            "watch",
            "The charge current rises slowly and the blocks warm with it, at constant voltage: this can become thermal "
            "runaway. Blocks above the air by {value}.",
            60,
            "thermal runaway",
            "Lower the charging voltage, check its compensation for temperature, and cool the room. Look again today.",
            _GAS,
        ),
        Verdict(
            "act",
            "The charge current rises and the blocks warm with it, at constant voltage: thermal runaway is beginning. "
            "Blocks above the air by {value}.",
            95,
            "thermal runaway",
            "Charger off, from a distance; ventilate; let it cool; then find the cause (charging voltage, "
            "compensation, a shorted cell, a hot room) and test the capacity.",
            f"{_AWAY} {_GAS}",
        ),
        Verdict(
            "stop",
            "Thermal runaway: the current rises and the blocks are near the point of no return. Above the air by "
            "{value}.",
            100,
            "thermal runaway",
            "Charger off now, from a distance; ventilate; leave.",
            f"{_AWAY} {_GAS}",
        ),
        Verdict("cannot_tell", "Thermal runaway could not be seen here."),
    ),
)

HIGH = FindingSpec(
    "heat.high",
    "°C",
    1,
    "The hottest block against the temperatures above which charging stops.",
    "sources disagree on flooded blocks: 38, 43, 46, 52 °C; 50 °C for sealed blocks: maintenance manual",
    (
        Verdict("normal", "The blocks are not too hot: {value}."),
        Verdict(
            "too_hot_to_charge",
            "A block is too hot to go on charging: {value}.",
            50,
            "heat",
            "Stop or lower the charge until the blocks have cooled; see to the flow of air.",
            f"{_COOL} {_GAS}",
        ),
        Verdict(
            "too_hot",
            "A block is hotter than any charge allows: {value}.",
            90,
            "heat",
            "Charger off, loads off, ventilate, let it cool, find the cause.",
            f"{_AWAY} {_GAS}",
        ),
    ),
)

SPREAD = FindingSpec(
    "heat.spread",
    "K",
    1,
    "Largest difference of the blocks' mean temperatures of a day.",
    "IEEE 450 and 1188, from memory: find the cause of more than 3 °C (5 °F) between cells",
    (
        Verdict("even", "The blocks are about equally warm, within {value}."),
        Verdict(
            "hot_block",
            "The warmest is {subject}; the blocks differ by {value}.",
            30,
            "hot block",
            "Look for sun, a heater or a lack of air there; then for a hot joint or a weak cell in this block.",
            f"Switch the current off before a joint is touched. {_OVER_60}",
        ),
        Verdict(
            "cold_block",
            "The coldest is {subject}; the blocks differ by {value}.",
            20,
            "",
            "See whether its probe still sits on the block, and whether cold air blows there.",
        ),
    ),
)

FREEZING = FindingSpec(
    "heat.freezing",
    "K",
    0,
    "How far the coldest block is above the temperature at which its acid freezes, by its state of charge.",
    "published tables of specific gravity and freezing; they disagree, the warmest are taken",
    (
        Verdict("safe", "The acid will not freeze: {value} left."),
        Verdict(
            "near",
            "The acid is near freezing: {value} left at the likely state of charge.",
            60,
            "freezing",
            "Charge the bank or warm it: full acid freezes only far below.",
            "Never charge a block that is frozen, bulged or cracked: thaw it first.",
        ),
        Verdict(
            "freezing",
            "The acid can be frozen: the coldest block is {value} from its freezing point.",
            90,
            "freezing",
            "Do not charge. Let it thaw, look for cracked cases, then charge slowly.",
            f"A cracked case spills acid. {_ACID}",
        ),
        Verdict("cannot_tell", "It is cold, and the state of charge is not known."),
    ),
)

WATER = FindingSpec(
    "heat.water",
    "g",
    0,
    "Water that overcharge has taken from each cell, by Faraday's law; corrosion and self-discharge are in it, so it "
    "is rather too much.",
    "Faraday's law: 0.3361 g per Ah; band: own study, the zero of the current sensor",
    (
        Verdict("interval", "Each cell has lost about {value} of water."),
        Verdict(
            "due",
            "Each cell has lost about {value} of water since the start of this account: water is due.",
            15,
            "",
            "If nobody has watered since: look at the levels. Before a charge only cover the plates, after it fill to "
            "the mark, with distilled water.",
            f"{_ACID} {_GAS}",
        ),
        Verdict("sealed", "Each cell has dried by about {value}; sealed blocks cannot be refilled."),
        Verdict("cannot_tell", "The use of water cannot be told."),
    ),
)

VENTILATION = FindingSpec(
    "heat.ventilation",
    "m³/h",
    2,
    "Flow of air that the formula of the standard asks for while charging at 2.40 V per cell.",
    "EN 50272-2 / IEC 62485-2 and EN 62485-3 as quoted by secondary sources",
    (
        Verdict(
            "by_formula",
            "Air needed by formula while charging: {value}. Hydrogen itself is not measured.",
            0,
            "",
            "Compare it with the openings and fans of the room.",
            _GAS,
        ),
    ),
)

EQUALIZE = FindingSpec(
    "heat.equalize",
    "mV",
    0,
    "Whether the blocks ask for an equalizing charge: difference of their rested voltages after full charges.",
    "battery maker's page: specific gravities that differ by more than 0.030; by evidence, not by the calendar",
    (
        Verdict("not_needed", "No equalizing charge is needed: the blocks differ by {value} per cell."),
        Verdict(
            "advisable",
            "An equalizing charge is advisable: the blocks differ by {value} per cell after full charges.",
            20,
            "out of balance",
            "Check the levels, charge full, then equalize as the maker says; stop when no block rises any more, or "
            "on heat.",
            f"{_GAS} {_ACID} {_OVER_60}",
        ),
        Verdict(
            "block_first",
            "The blocks differ by {value} per cell, but one lies so low that a cell may be dead: look there first.",
            20,
            "",
            "Do not equalize over a shorted cell: it overcharges the others.",
        ),
        Verdict(
            "too_warm",
            "The blocks differ by {value} per cell, but are too warm to equalize now.",
            10,
            "",
            "Let it cool.",
        ),
        Verdict(
            "not_this_type",
            "The blocks differ by {value} per cell; sealed blocks are not equalized unless the maker says so.",
            10,
            "",
            "Charge full several times at the maker's voltage; then test the lowest block.",
        ),
    ),
)

EFFECT = FindingSpec(
    "heat.equalize_effect",
    "mV",
    0,
    "How much closer together the blocks were after the last equalizing charge.",
    "own: medians of three comparisons before and after",
    (
        Verdict("helped", "The equalizing charge brought the blocks together, by {value} per cell."),
        Verdict("nothing_to_mend", "The blocks were even before the equalizing charge; it changed {value} per cell."),
        Verdict(
            "no_effect",
            "The equalizing charge did not bring the blocks together; it changed {value} per cell.",
            20,
            "",
            "Test the lowest block; do not equalize again for the habit.",
        ),
    ),
)

DRY_OUT = FindingSpec(
    "heat.dry_out",
    "",
    0,
    "Whether the cells lose water faster than it is replaced: signs that go together only then.",
    "common practice for the signs; own choice for their limits",
    (
        Verdict("no_sign", "No sign of drying out."),
        Verdict(
            "suspected",
            "The cells may be drying out: resistance and another sign have risen.",
            45,
            "dry-out",
            "Flooded: look at the levels today, cover the plates, charge, fill to the mark. Sealed: check charging "
            "voltage and temperature; test the capacity.",
            f"Bare plates and gas above them burst at a spark. {_GAS} {_ACID}",
        ),
        Verdict(
            "likely",
            "The cells are drying out: resistance and two other signs have changed together.",
            55,
            "dry-out",
            "Flooded: look at the levels today, cover the plates, charge, fill to the mark. Sealed: plan to replace "
            "them; until then lower the voltage and keep them cool.",
            f"Bare plates and gas above them burst at a spark. {_GAS} {_ACID}",
        ),
    ),
)

LIFE = FindingSpec(
    "heat.life",
    "",
    2,
    "How fast the blocks' temperature ages them, against 25 °C, over twelve months.",
    "two makers: life halves for each 10 K; sources disagree (8.3 K)",
    (
        Verdict("usual", "The temperature ages the bank by {value} years in a year."),
        Verdict(
            "fast",
            "The bank is warm and ages fast: {value} years in a year.",
            20,
            "",
            "Shade it, move air, or move it.",
        ),
    ),
)

SPECS: tuple[FindingSpec, ...] = (
    RUNAWAY,
    HIGH,
    SPREAD,
    FREEZING,
    DRY_OUT,
    EQUALIZE,
    EFFECT,
    WATER,
    VENTILATION,
    LIFE,
)
