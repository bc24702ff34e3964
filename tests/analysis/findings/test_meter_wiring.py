"""Wrong wiring is named as what it is, within a day of use, on three kinds of site; right wiring never."""

from __future__ import annotations

import numpy as np
import pytest
from frame_tools import limits_of, restarts_change_nothing
from wired_sites import Site, Wiring, day_of, faults, found, frames, ground, sites

from loggerd.analysis.findings.meter import Meter
from loggerd.analysis.findings.meter_scale import charge_left
from loggerd.model.finding import Finding

SEEDS = (4101, 4102)
KINDS = ("solar", "truck", "golf")


def _reversed(site: Site) -> None:
    site.columns["amps"] *= -1


def _milliamps(site: Site) -> None:
    site.columns["amps"] /= 1000


def _tenfold(site: Site) -> None:
    site.columns["amps"] *= 10


def _load_bypasses(site: Site) -> None:
    site.columns["amps"] += site.load_amps


def _charger_bypasses(site: Site) -> None:
    site.columns["amps"] -= site.charge_amps


def _posts(site: Site) -> np.ndarray:
    blocks = np.stack([site.columns[f"block_{number + 1}_volts"] for number in range(site.bank.blocks)])
    return np.concatenate([np.cumsum(blocks[::-1], axis=0)[::-1], np.zeros((1, blocks.shape[1]))])


def _read_posts(site: Site, posts: np.ndarray) -> None:
    for number in range(site.bank.blocks):
        site.columns[f"block_{number + 1}_volts"] = posts[number] - posts[number + 1]


def _taps_swapped(site: Site) -> None:
    posts = _posts(site)
    posts[[3, 4]] = posts[[4, 3]]
    _read_posts(site, posts)


def _tap_one_post_too_far(site: Site) -> None:
    posts = _posts(site)
    posts[3] = posts[4]
    _read_posts(site, posts)


def _tap_one_cell_off(site: Site) -> None:
    posts = _posts(site)
    posts[3] -= site.columns["block_4_volts"] / site.bank.cells_per_block
    _read_posts(site, posts)


def _block_upside_down(site: Site) -> None:
    site.columns["block_2_volts"] *= -1


def _bank_volts_scale(site: Site) -> None:
    site.columns["volts"] *= 1.03


def _probe_without_answer(site: Site) -> None:
    site.columns["block_2_celsius"][:] = 85.0


WIRINGS: dict[str, tuple[Wiring, str, str]] = {
    "reversed": (_reversed, "meter.current_sign", "reversed"),
    "milliamps as amps": (_milliamps, "meter.shunt_scale", "too_small"),
    "ten times": (_tenfold, "meter.shunt_scale", "too_large"),
    "load bypasses": (_load_bypasses, "meter.bypass", "bypassed_load"),
    "charger bypasses": (_charger_bypasses, "meter.bypass", "bypassed_charger"),
    "taps swapped": (_taps_swapped, "meter.taps", "swapped"),
    "tap one post too far": (_tap_one_post_too_far, "meter.taps", "shifted"),
    "tap one cell off": (_tap_one_cell_off, "meter.taps", "mirror"),
    "block upside down": (_block_upside_down, "meter.taps", "reversed"),
    "bank voltage scale": (_bank_volts_scale, "meter.taps", "sum_off"),
    "probe without answer": (_probe_without_answer, "meter.temperature", "dead"),
}
SLOW = {
    ("solar", "milliamps as amps"),
    ("solar", "ten times"),
    ("solar", "load bypasses"),
    ("solar", "charger bypasses"),
    ("solar", "tap one cell off"),
}
"""A cabin at which little happens in the first days; there a few more are allowed."""


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("wrong", WIRINGS)
def test_wrong_wiring_is_named_within_the_first_day(kind: str, wrong: str) -> None:
    wiring, name, verdict = WIRINGS[wrong]
    for site in sites(kind, SEEDS, 6):
        told = faults(found(site, wiring))
        mine = [one for one in told if (one.name, one.verdict) == (name, verdict)]
        assert mine, f"{[(one.name, one.verdict) for one in told]}"
        assert day_of(mine[0], site) <= (4.0 if (kind, wrong) in SLOW else 1.0)
        assert {one.name for one in told} == {name}, "and nothing else is accused"


@pytest.mark.parametrize("kind", ["solar", "solar_agm", "truck", "truck_48", "golf", "golf_36"])
def test_right_wiring_gives_none(kind: str) -> None:
    for site in sites(kind, tuple(range(5200, 5205)), 10):
        findings = found(site)
        assert [(one.name, one.subject, one.verdict, one.reason) for one in faults(findings)] == []
        right = {one.name for one in findings if one.verdict == "right"}
        assert {"meter.current_sign", "meter.taps"} <= right


def _scale(findings: list[Finding]) -> list[Finding]:
    return [one for one in findings if one.name == "meter.shunt_scale"]


@pytest.mark.parametrize(("kind", "factor"), [("golf", 1.5), ("golf", 2.0), ("truck", 2.0)])
def test_a_shunt_of_another_rating_is_named_after_a_deep_discharge(kind: str, factor: float) -> None:
    def wiring(site: Site) -> None:
        site.columns["amps"] *= factor

    for site in sites(kind, SEEDS, 6):
        told = _scale(found(site, wiring))
        assert told[-1].verdict == "too_large"
        assert told[-1].value is not None and told[-1].value > 130
        assert "rated_millivolts" in told[-1].reason
        assert not [one for one in told if one.verdict == "right"]


def test_before_a_deep_discharge_the_scale_cannot_be_told() -> None:
    def idle(site: Site) -> None:
        """Only a twentieth of the loads and charges is left: nothing deep ever happens."""
        site.columns["amps"] *= 0.0
        for name in site.columns:
            if name.endswith("volts"):
                site.columns[name][:] = np.median(site.columns[name])

    for site in sites("golf", SEEDS, 3):
        told = _scale(found(site, idle))
        assert [one.verdict for one in told] == ["cannot_tell"]
        assert "missing" in told[0].reason


def test_a_scale_that_a_worn_bank_would_show_as_well_is_not_called_wrong() -> None:
    def half(site: Site) -> None:
        site.columns["amps"] *= 0.6

    for site in sites("golf", SEEDS, 6):
        assert {one.verdict for one in _scale(found(site, half))} <= {"cannot_tell", "right"}


def test_state_of_charge_by_voltage_goes_through_the_points_of_the_table() -> None:
    limits = limits_of()
    for name, share in (("rest_volts_flat", 0.0), ("rest_volts_50", 0.5), ("rest_volts_full", 1.0)):
        assert charge_left(limits[name], limits) == pytest.approx(share)
    assert charge_left(limits["rest_volts_full"] + 0.01, limits) > 1.0


@pytest.mark.parametrize("wiring", [None, _load_bypasses, _tap_one_cell_off, _probe_without_answer])
def test_restarts_change_nothing_here(wiring: Wiring | None) -> None:
    site = sites("golf", SEEDS, 3)[0]
    if wiring is not None:
        wiring(site)
    site.columns["block_1_volts"][2000:2400] = np.nan
    findings = restarts_change_nothing(ground(site), limits_of(site.bank.type), [Meter], frames(site))
    assert findings
