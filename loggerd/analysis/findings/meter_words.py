"""What the findings about the measuring say: catalogue entries."""

from __future__ import annotations

from loggerd.analysis.findings.catalogue import FindingSpec, Verdict

_SHUNT = (
    "Isolate the bank before you touch the shunt or its leads: at the shunt a tool can draw an arc of hundreds of amps."
)
_TAPS = "Taps are live: fused leads, one at a time, insulated tools; over 60 V touching is dangerous."

_RIGHT = Verdict("right", "{subject}: the measuring is right in this.")

SPECS: tuple[FindingSpec, ...] = (
    FindingSpec(
        "meter.current_sign",
        "%",
        0,
        "Whether charge and discharge are the right way round: a battery's voltage rises when more current goes in. The"
        " number is the share of changes that agreed.",
        "own; the resistance of a battery is positive",
        (
            Verdict("right", "The current has the right sign."),
            Verdict(
                "reversed",
                "The current is reversed: charge is shown as discharge. This is the meter, not the battery.",
                85,
                "reversed current",
                'In the settings of the channel that reads the current: sign = "discharge_positive" (take it out'
                " if it is"
                " there), in a [[device.channel.correction]] with since. Or exchange the two sense leads at the shunt.",
                _SHUNT,
            ),
            Verdict("cannot_tell", "Whether the current has the right sign cannot be told yet."),
        ),
    ),
    FindingSpec(
        "meter.shunt_scale",
        "% of rated",
        0,
        "Whether the amps are amps: amp-hours moved for a whole change of the rested voltage, against the rated"
        " ones, and"
        " ohms of a cell against what is usual. A charge factor never shows a wrong scale, since in and out are wrong"
        " alike; nor does this show a factor under about a third, or one that a worn bank would show as well.",
        "own; common practice: a 75 mV shunt read as one of 50 mV shows 150 %",
        (
            Verdict("right", "The current's scale fits the bank's size ({value})."),
            Verdict(
                "too_large",
                "The meter shows more amps than flow. No bank of this size gives so many amp-hours.",
                80,
                "wrong current scale",
                "Read the label of the shunt, and set it: shunt = { rated_amps = 500, rated_millivolts = 75 } (the"
                " numbers of the label), or scale, in a [[device.channel.correction]] with since. Check"
                " rated_amp_hours and"
                " rated_hours of the bank as well.",
                _SHUNT,
            ),
            Verdict(
                "too_small",
                "The meter shows fewer amps than flow. No cell of this size has so many ohms.",
                80,
                "wrong current scale",
                "Check unit (mA or A) and scale of the channel, and shunt = { rated_amps = 500, rated_millivolts = 75 }"
                " against the label; correct it in a [[device.channel.correction]] with since.",
                _SHUNT,
            ),
            Verdict("cannot_tell", "Whether the current's scale is right cannot be told."),
        ),
    ),
    FindingSpec(
        "meter.bypass",
        "jumps a day",
        0,
        "Whether a load or a charger is wired past the shunt: then the voltage moves and the meter sees no current. A"
        " dead current sensor looks the same.",
        "common practice: a sag without current means that a load bypasses the shunt; limits are own",
        (
            Verdict("right", "No load and no charger bypasses the shunt as far as can be seen."),
            Verdict(
                "bypassed_load",
                "A load is wired past the shunt (or the meter's leads are off): the voltage sags and no current"
                " is shown.",
                82,
                "load bypasses the shunt",
                "No setting mends it. Move every negative cable but the bank's own to the far side of the shunt;"
                " where the"
                " meter shows 0 all the time, check its sense leads first.",
                _SHUNT,
            ),
            Verdict(
                "bypassed_charger",
                "A charger is wired past the shunt: the bank is charged and the meter does not count it.",
                82,
                "charger bypasses the shunt",
                "No setting mends it. Switch the charger off, then move its negative cable to the far side of"
                " the shunt.",
                _SHUNT,
            ),
            Verdict(
                "bypassed_both",
                "Loads and a charger are wired past the shunt: the meter counts only a part.",
                84,
                "loads and charger bypass the shunt",
                "No setting mends it. Move every negative cable but the bank's own to the far side of the shunt.",
                _SHUNT,
            ),
            Verdict("cannot_tell", "Whether something bypasses the shunt cannot be told yet."),
        ),
    ),
    FindingSpec(
        "meter.taps",
        "V",
        2,
        "Whether each block's voltage is that of the block: order and polarity of the taps, their sum against the bank"
        " voltage, and neighbours that err in opposite directions. Two whole channels exchanged between healthy blocks"
        " that are alike cannot be seen.",
        "common practice: sum of taps within 0.5 % or 0.1 V; neighbour of opposite sign means the tap between",
        (
            Verdict("right", "The taps are in order."),
            Verdict(
                "swapped",
                "Tap wires are exchanged. These are wires, not bad blocks.",
                76,
                "swapped taps",
                "Put the tap wires in order, from the positive end; or give the channels (channel ="
                ' "block_N_volts") the'
                " address of the wire that they sit on.",
                _TAPS,
            ),
            Verdict(
                "shifted",
                "A tap sits one post too far: one block reads double, its neighbour nothing.",
                76,
                "shifted tap",
                "Move that tap to the post between the two blocks.",
                _TAPS,
            ),
            Verdict(
                "reversed",
                "A block is read upside down.",
                76,
                "reversed tap",
                "Exchange its two wires, or set scale = -1 for its channel in a [[device.channel.correction]]"
                " with since.",
                _TAPS,
            ),
            Verdict(
                "no_reading",
                "A block reads nothing while the string gives current: a tap is off.",
                76,
                "tap off",
                "Check fuse, wire and clamp of the tap; or the address of the channel, if all are one place off.",
                _TAPS,
            ),
            Verdict(
                "mirror",
                "Two neighbours err in opposite directions, whatever the current: the tap between them is wrong.",
                72,
                "bad tap",
                "Check where the tap between the two blocks is clamped, and its wire; do not condemn a block for it.",
                _TAPS,
            ),
            Verdict(
                "sum_off",
                "The blocks do not add up to the bank voltage ({value}).",
                70,
                "sum of taps",
                "Hold a voltmeter to bank and blocks; correct scale of the channel that is off in a"
                " [[device.channel.correction]] with since.",
                _TAPS,
            ),
        ),
    ),
    FindingSpec(
        "meter.zero_offset",
        "A",
        2,
        "What the meter shows when nothing flows, at proven rest (charge positive). A discharge at rest may be a small"
        " load as well. 10 µV at a shunt of 500 A and 50 mV are 0.1 A, or 2.4 Ah a day. Nothing is corrected by"
        " itself.",
        "own; common practice: within 0.1 % of range with everything isolated",
        (
            Verdict("right", "At rest the meter shows nothing, within its stated error ({value})."),
            Verdict(
                "offset",
                "The meter shows a current where none flows ({value}).",
                83,
                "zero offset",
                "Open the main switch and look: if it still shows this, set offset of the current's channel"
                " against it, in"
                " a [[device.channel.correction]] with since.",
                _SHUNT,
            ),
            Verdict(
                "cannot_tell", "A small current at rest ({value}): a load, or the meter's zero; which, cannot be told."
            ),
        ),
    ),
    FindingSpec(
        "meter.temperature",
        "",
        1,
        "Whether a temperature probe lives and sits on its block: a block warms as its neighbours do, and"
        " follows the air"
        " slowly.",
        "own; values by which probes say that they cannot measure: from memory",
        (
            Verdict("right", "{subject}: the probe behaves."),
            Verdict(
                "dead",
                "{subject}: the probe is dead or not connected.",
                71,
                "dead temperature probe",
                "Check plug and cable, exchange it with another probe to see which moves. A charger with the"
                " same probe may"
                " overcharge: check that too. Until then: valid = [-40, 80] keeps error values out of the figures.",
            ),
            Verdict(
                "detached",
                "{subject}: the probe has come off; it shows the air, not the block.",
                72,
                "detached temperature probe",
                "Fix it to the block again, where it is hottest.",
                "A charger that is led by a probe that fell off charges a warm bank too high.",
            ),
            Verdict(
                "drifting",
                "{subject}: the probe reads too cold to be true.",
                70,
                "drifting temperature probe",
                "Exchange the probe, or set offset of its channel in a [[device.channel.correction]] with since.",
            ),
        ),
    ),
    FindingSpec(
        "meter.channel",
        "",
        2,
        "Whether a channel lives: stuck, noisy, silent, or outside its valid range.",
        "own; common practice, no source",
        (
            _RIGHT,
            Verdict(
                "stuck",
                "{subject}: the reading does not change any more.",
                78,
                "stuck channel",
                "Restart the instrument, check its leads; compare with a hand meter.",
                _SHUNT,
            ),
            Verdict(
                "noisy",
                "{subject}: the reading jumps about without cause.",
                70,
                "noisy channel",
                "Check for a loose lead, and for leads beside power cables; state the true noise: accuracy = {"
                " noise = ... }.",
            ),
            Verdict(
                "silent",
                "{subject}: no readings come any more.",
                74,
                "silent channel",
                "Check supply and cable of the instrument, and the address of the channel.",
            ),
            Verdict(
                "out_of_range",
                "{subject}: most readings lie outside the valid range.",
                72,
                "readings out of range",
                "Compare with a hand meter. If the reading is right, set valid = [low, high]; if not, scale and unit.",
            ),
        ),
    ),
    FindingSpec(
        "meter.clock",
        "h",
        1,
        "Whether the logger's clock was set, and whether it jumped since. Amp-hours do not depend on it; dates do.",
        "own",
        (
            Verdict("right", "The clock is set."),
            Verdict(
                "not_set",
                "The logger's clock is not set: dates are guessed.",
                25,
                "clock not set",
                "Set the clock, or give the logger a time server; dates are mended when it is known.",
            ),
            Verdict(
                "jumped",
                "The logger's clock jumped by {value} while it ran: dates before or after that are wrong.",
                25,
                "clock wrong",
                "Compare the clock of the logger (in UTC) with a watch; set it if it is wrong, and check its time"
                " service and the cell of its clock chip.",
            ),
        ),
    ),
)
