"""A sensor in doubt is told before what is concluded from it; what does not rest on it keeps its rank."""

from __future__ import annotations

from loggerd.analysis.findings import ranked
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
