"""A sensor in doubt is told before what is concluded from it; what does not rest on it keeps its rank."""

from __future__ import annotations

from dataclasses import replace

from loggerd.analysis.findings import FINDINGS, ranked
from loggerd.analysis.findings.causes import FOLLOWS
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Instant


def told(name: str, verdict: str, subject: str = "bank") -> Finding:
    return Finding(name, subject, verdict, Grade.OBSERVED, "", Instant(1, 1_000_000))


def order(*findings: Finding) -> list[str]:
    return [one.name for one in ranked(findings)]


NOISY_AMPS = told("meter.channel", "noisy", "amps")
RUNAWAY = told("heat.runaway", "stop")
SHORTED = told("blocks.cause", "shorted_cell", "block 3")


def test_a_runaway_concluded_from_a_noisy_current_comes_behind_the_noise() -> None:
    assert order(RUNAWAY, NOISY_AMPS) == ["meter.channel", "heat.runaway"]
    assert order(RUNAWAY) == ["heat.runaway"]
    # What is wired past the shunt makes no rise at a held voltage.
    assert order(RUNAWAY, told("meter.bypass", "bypassed_load")) == ["heat.runaway", "meter.bypass"]


def test_a_load_that_seems_to_bypass_comes_behind_the_runaway_that_turns_amp_hours_into_heat() -> None:
    watched, bypass = told("heat.runaway", "watch"), told("meter.bypass", "bypassed_load")
    assert order(bypass, watched) == ["heat.runaway", "meter.bypass"]
    assert order(told("meter.bypass", "bypassed_charger"), watched) == ["meter.bypass", "heat.runaway"]
    assert order(bypass, told("heat.runaway", "calm"))[0] == "meter.bypass"


def test_the_first_block_to_give_out_comes_behind_the_sulfate_of_the_whole_bank() -> None:
    low = told("blocks.cause", "low_capacity", "block 7")
    assert order(low, told("rest.sulfation", "sulfated")) == ["rest.sulfation", "blocks.cause"]
    assert order(low, told("capacity.acid_when_full", "fallen")) == ["capacity.acid_when_full", "blocks.cause"]
    assert order(SHORTED, told("rest.sulfation", "sulfated")) == ["blocks.cause", "rest.sulfation"]


def test_what_a_low_set_point_and_a_leaking_block_lead_to_comes_behind_them() -> None:
    low, layers = told("full_charge.set_points", "low"), told("rest.stratification", "likely")
    assert order(layers, low) == ["full_charge.set_points", "rest.stratification"]
    assert order(layers, told("full_charge.undercharge", "chronic"))[0] == "rest.stratification"
    # The charger's voltage lacks what the block lacks.
    assert order(low, LEAKS, REVERSED)[0] == "blocks.cause"
    assert order(low, LEAKS)[0] == "full_charge.set_points"
    # A chain of causes keeps its order.
    chronic, wide = told("full_charge.undercharge", "chronic"), told("blocks.spread", "wide")
    chain = order(chronic, low, LEAKS, wide, layers)
    assert chain[:2] == ["blocks.cause", "full_charge.set_points"]
    assert set(chain[2:4]) == {"rest.stratification", "full_charge.undercharge"}


def test_what_keeps_a_bank_from_getting_full_comes_before_charges_that_are_not() -> None:
    """If it was there before the weeks without a full charge; what comes after them may come of them."""
    chronic = replace(told("full_charge.undercharge", "chronic"), since=Instant(1, 500_000))
    overdue = told("full_charge.days_since", "long_overdue")
    for name, verdict in (("capacity.acid_when_full", "fallen"), ("heat.dry_out", "suspected")):
        before = replace(told(name, verdict), at=Instant(1, 400_000))
        after = replace(before, at=Instant(1, 600_000))
        assert order(chronic, overdue, before) == [name, "full_charge.undercharge", "full_charge.days_since"]
        assert order(chronic, overdue, after)[0] == "full_charge.undercharge"
        # What was there before is told later when its beginning was not seen at once.
        assert order(chronic, replace(after, since=Instant(1, 400_000)))[0] == name


def test_a_sum_that_is_off_comes_behind_the_voltage_that_makes_it_so() -> None:
    taps = told("meter.taps", "sum_off")
    assert order(taps, told("meter.channel", "noisy", "volts")) == ["meter.channel", "meter.taps"]
    assert order(taps, told("meter.channel", "stuck", "block_3_volts")) == ["meter.channel", "meter.taps"]
    assert order(told("meter.taps", "mirror"), NOISY_AMPS) == ["meter.taps", "meter.channel"]


def test_the_zero_of_a_current_that_is_stuck_or_misses_a_charger_comes_behind_it() -> None:
    zero = told("meter.zero_offset", "offset")
    assert order(zero, told("meter.channel", "stuck", "amps")) == ["meter.channel", "meter.zero_offset"]
    assert order(zero, NOISY_AMPS)[0] == "meter.zero_offset"
    assert order(zero, told("meter.channel", "stuck", "volts"))[0] == "meter.zero_offset"
    assert order(zero, told("meter.bypass", "bypassed_charger")) == ["meter.bypass", "meter.zero_offset"]
    assert order(zero, told("meter.bypass", "bypassed_load"))[0] == "meter.zero_offset"


def test_heat_that_needs_no_current_stays_in_front() -> None:
    assert order(NOISY_AMPS, told("heat.high", "too_hot")) == ["heat.high", "meter.channel"]


def test_swapped_taps_come_before_the_block_they_seem_to_break() -> None:
    assert order(SHORTED, told("meter.taps", "swapped")) == ["meter.taps", "blocks.cause"]


def test_a_channel_in_doubt_says_nothing_of_other_places() -> None:
    stuck = told("meter.channel", "stuck", "block_3_celsius")
    assert order(SHORTED, stuck) == ["blocks.cause", "meter.channel"]
    cold = told("meter.temperature", "dead", "block_2_celsius")
    assert order(told("heat.spread", "hot_block", "block 3"), cold) == ["meter.temperature", "heat.spread"]


def test_doubts_do_not_push_one_another_back() -> None:
    sign, scale = told("meter.current_sign", "reversed"), told("meter.shunt_scale", "too_large")
    assert order(scale, sign) == ["meter.current_sign", "meter.shunt_scale"]


LEAKS = told("blocks.cause", "self_discharge", "block 3")
REVERSED = told("blocks.reversal", "reversed", "block 3")
EMPTY = told("limits.low_voltage", "empty")


def test_a_block_that_leaks_is_told_before_its_reversal_and_what_looks_like_a_short() -> None:
    short = told("blocks.short", "looks_shorted", "block 3")
    assert order(REVERSED, short) == ["blocks.short", "blocks.reversal"]
    assert order(REVERSED, short, LEAKS) == ["blocks.cause", "blocks.short", "blocks.reversal"]
    assert order(REVERSED, told("blocks.cause", "fine", "block 3")) == ["blocks.reversal"]


def test_the_reversal_of_another_block_and_a_sure_short_stay_in_front() -> None:
    other = told("blocks.reversal", "reversed", "block 4")
    assert order(LEAKS, other) == ["blocks.reversal", "blocks.cause"]
    assert order(LEAKS, told("blocks.short", "shorted_cell", "block 3")) == ["blocks.short", "blocks.cause"]


def test_an_empty_bank_follows_from_a_block_only_where_that_runs_flat() -> None:
    assert order(EMPTY, LEAKS) == ["limits.low_voltage", "blocks.cause"]
    assert order(EMPTY, REVERSED, LEAKS)[0] == "blocks.cause"
    assert order(EMPTY, told("blocks.spread", "wide"), LEAKS)[0] == "blocks.cause"
    weak = told("blocks.cause", "low_capacity", "block 3")
    assert order(EMPTY, REVERSED, weak)[0] == "limits.low_voltage"


def test_each_row_of_the_table_of_causes_is_of_verdicts_that_can_be_told() -> None:
    can_be_told = {(spec.name, verdict.word) for spec in FINDINGS for verdict in spec.verdicts}
    for row in FOLLOWS:
        assert {*row.causes, *row.leads_to} <= can_be_told
        assert not set(row.causes) & set(row.leads_to)
