"""Channels that stop, jump about or fall silent; probes; the zero of the current; the clock."""

from __future__ import annotations

import numpy as np
import pytest
from fold_tools import bank
from frame_tools import START_MS, Pipeline, ground_of, limits_of, make_frame
from wired_sites import Site, faults, found, sites

from loggerd.analysis.findings.events import DoubtEnded, SensorDoubt
from loggerd.analysis.findings.meter import SPECS, Meter
from loggerd.model.bank import Accuracy
from loggerd.model.finding import Finding
from loggerd.model.marks import Mark

SEEDS = (4101, 4102)
LATER = 2000
"""Minute from which something is wrong."""


def _of(findings: list[Finding], name: str, subject: str) -> list[str]:
    return [one.verdict for one in findings if (one.name, one.subject) == (name, subject)]


@pytest.fixture(params=SEEDS)
def site(request: pytest.FixtureRequest) -> Site:
    return sites("golf", SEEDS, 5)[SEEDS.index(request.param)]


@pytest.mark.parametrize("channel", ["volts", "block_1_volts", "amps"])
def test_a_channel_that_stands_still_while_the_rest_moves_is_stuck(site: Site, channel: str) -> None:
    site.columns[channel][LATER:] = site.columns[channel][LATER]
    assert "stuck" in _of(found(site), "meter.channel", channel)


@pytest.mark.parametrize(("channel", "noise"), [("volts", 1.0), ("block_1_volts", 0.15), ("amps", 10.0)])
def test_a_channel_that_jumps_about_alone_is_noisy(site: Site, channel: str, noise: float) -> None:
    site.columns[channel] += np.random.default_rng(1).normal(0, noise, len(site.load_amps))
    assert _of(faults(found(site)), "meter.channel", channel) == ["noisy"]


def test_a_block_that_empties_or_fills_for_hours_is_not_noisy(site: Site) -> None:
    """It goes one way while the bank's voltage and the current stand."""
    there = np.linspace(0.0, -6.0, 180)
    course = np.concatenate([there, np.full(60, -6.0), there[::-1]])
    for start in (2000, 4000, 5500):
        site.columns["block_2_volts"][start : start + len(course)] += course
    assert "noisy" not in _of(found(site), "meter.channel", "block_2_volts")


def test_a_channel_that_falls_silent_is_told_and_heard_again(site: Site) -> None:
    site.columns["block_1_volts"][LATER : LATER + 600] = np.nan
    assert _of(found(site), "meter.channel", "block_1_volts") == ["silent", "right"]


def test_a_probe_that_comes_off_shows_the_air(site: Site) -> None:
    rng = np.random.default_rng(2)
    site.columns["block_3_celsius"] = site.columns["ambient_celsius"] + rng.normal(0, 0.1, len(site.load_amps))
    told = faults(found(site))
    assert [(one.name, one.subject, one.verdict) for one in told] == [
        ("meter.temperature", "block_3_celsius", "detached")
    ]


def test_a_charge_at_rest_is_the_zero_of_the_meter_and_is_only_proposed(site: Site) -> None:
    site.columns["amps"] += 0.004 * site.bank.rated_amp_hours
    told = faults(found(site))
    assert [(one.name, one.verdict) for one in told] == [("meter.zero_offset", "offset")]
    # Carts draw a standing load of 0.04 % of the rated amp-hours.
    assert told[0].value == pytest.approx(0.0036 * site.bank.rated_amp_hours, abs=0.0007 * site.bank.rated_amp_hours)
    assert "nothing is corrected by itself" in told[0].reason


def test_a_discharge_at_rest_may_be_a_load_and_accuses_nobody(site: Site) -> None:
    site.columns["amps"] -= 0.004 * site.bank.rated_amp_hours
    findings = found(site)
    assert faults(findings) == []
    assert "cannot_tell" in _of(findings, "meter.zero_offset", "bank")


def test_a_clock_that_was_not_set_is_told_until_it_is() -> None:
    unset = {("meter", Mark.CLOCK_NOT_SET): 300}
    frames = [make_frame(bank(), place, -5.0, 50.0, marks=unset if 20 <= place < 40 else None) for place in range(60)]
    findings = Pipeline(ground_of(), limits_of(), Meter).run(frames)
    assert _of(findings, "meter.clock", "bank") == ["right", "not_set", "right"]


def test_doubts_are_told_to_later_topics_and_taken_back(site: Site) -> None:
    from wired_sites import frames, ground

    site.columns["block_1_volts"][LATER : LATER + 600] = np.nan
    pipeline = Pipeline(ground(site), limits_of(site.bank.type), Meter)
    pipeline.run(frames(site))
    kinds = [type(one) for one in pipeline.events if getattr(one, "channel", "") == "block_1_volts"]
    assert kinds == [SensorDoubt, DoubtEnded]


def test_every_fault_says_what_mends_it_and_where_a_setting_does_names_its_key() -> None:
    for spec in SPECS:
        for verdict in spec.verdicts:
            if verdict.weight:
                assert verdict.do, f"{spec.name} {verdict.word}"
                assert verdict.cause
    by_name = {spec.name: spec for spec in SPECS}
    assert 'sign = "discharge_positive"' in by_name["meter.current_sign"].verdict("reversed").do
    assert "rated_millivolts = 75" in by_name["meter.shunt_scale"].verdict("too_large").do
    assert "cannot be seen" in by_name["meter.taps"].explanation


def test_a_current_that_is_never_quiet_is_noisy_and_one_with_two_quiet_hours_a_day_is_not() -> None:
    """Scatter of 25 times what is stated, too little to stand out from loads that are switched within five minutes."""
    of = bank(200.0, blocks=4, cells=3)
    stated, column, width = {"amps": Accuracy(0.005, 0.1, 0.02, 0.01)}, 0, 1.2

    def verdicts(quiet_frames: int) -> list[str]:
        pipeline, found = Pipeline(ground_of(of, stated), limits_of(), Meter), list[Finding]()
        for position in range(4 * 288):
            frame = make_frame(of, position, -3.0 - 0.01 * (position % 7), 24.6 - 0.001 * (position % 5))
            if position % 288 >= quiet_frames:
                frame.highs[column] += width / 2
                frame.high_list[column] += width / 2
                frame.low_list[column] -= width / 2
            found += pipeline.run([frame])
            if position % 100 == 0:
                pipeline.restart()
        return _of(found, "meter.channel", "amps")

    assert verdicts(0) == ["noisy"]
    assert verdicts(24) == []


@pytest.mark.parametrize(
    ("stands", "unread", "named"), [(False, False, []), (True, False, ["stuck"]), (True, True, ["stuck"])]
)
def test_a_held_voltage_is_not_stuck_while_blocks_drift_apart_and_is_while_their_sum_moves(
    stands: bool, unread: bool, named: list[str]
) -> None:
    """A charger holds the bank to the digit for hours: three blocks rise, and the last one falls,
    or stays, or is not read."""
    of = bank(200.0, blocks=4, cells=6)
    pipeline, found = Pipeline(ground_of(of, {"volts": Accuracy(0.002, 0.02, 0.0, 0.01)}), limits_of(), Meter), []
    for position in range(400):
        last = float("nan") if unread else 13.8
        drift = 0.004 * max(0, position - 300)
        blocks = [*[13.8 + drift] * 3, last - 3.0 * drift * (not stands)]
        found += pipeline.run([make_frame(of, position, 3.0, 55.2, block_volts=blocks)])
    assert _of(found, "meter.channel", "volts") == named


def test_a_noisy_current_is_right_again_after_a_quiet_day_also_on_float() -> None:
    of = bank(200.0, blocks=4, cells=3)
    pipeline, found = Pipeline(ground_of(of, {"amps": Accuracy(0.005, 0.1, 0.02, 0.01)}), limits_of(), Meter), []
    for position in range(10 * 288):
        frame = make_frame(of, position, 0.2, 12 * 2.25 - 0.001 * (position % 5))
        width = 0.6 if position < 4 * 288 else 0.02
        frame.highs[0] += width
        frame.high_list[0] += width
        frame.low_list[0] -= width
        found += pipeline.run([frame])
    assert _of(found, "meter.channel", "amps") == ["noisy", "right"]


def test_a_channel_that_was_noisy_again_needs_more_than_a_quiet_day_to_be_right() -> None:
    of = bank(200.0, blocks=4, cells=3)
    pipeline, found = Pipeline(ground_of(of, {"amps": Accuracy(0.005, 0.1, 0.02, 0.01)}), limits_of(), Meter), []
    noisy_days = {*range(0, 4), *range(8, 12), *range(16, 20)}
    for position in range(36 * 288):
        frame = make_frame(of, position, -0.002, 24.6 - 0.001 * (position % 5))
        width = 0.6 if position // 288 in noisy_days else 0.02
        frame.highs[0] += width
        frame.high_list[0] += width
        frame.low_list[0] -= width
        found += pipeline.run([frame])
        if position % 500 == 0:
            pipeline.restart()
    assert _of(found, "meter.channel", "amps") == ["noisy", "right", "noisy", "right"]
    last = [one for one in found if one.subject == "amps"][-1].at.at_ms
    assert last > START_MS + 28 * 86_400_000


@pytest.mark.parametrize(("largest", "named"), [(40.0, ["noisy"]), (30_000.0, [])])
def test_the_noise_of_a_current_that_is_shown_a_thousandfold_is_that_of_a_good_sensor(
    largest: float, named: list[str]
) -> None:
    """At rest it scatters by 40 A and is never quiet; by day it shows a load that is possible, or one that is not."""
    of = bank(200.0, blocks=4, cells=3)
    pipeline, found = Pipeline(ground_of(of, {"amps": Accuracy(0.005, 0.1, 0.02, 0.01)}), limits_of(), Meter), []
    for position in range(4 * 288):
        driven = 96 <= position % 288 < 144
        amps, volts = (-largest, 23.9) if driven else (-30.0, 24.6)
        frame = make_frame(of, position, amps - 0.01 * (position % 7), volts - 0.001 * (position % 5))
        frame.highs[0] += 20.0
        frame.high_list[0] += 20.0
        frame.low_list[0] -= 20.0
        found += pipeline.run([frame])
        if position % 90 == 0:
            pipeline.restart()
    assert [one.verdict for one in found if (one.name, one.subject) == ("meter.channel", "amps")] == named
