"""Frames of simulated sites whose measuring is wired wrong: readings at minute grain, through the real builder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from frame_tools import START_MS, Pipeline, limits_of

from loggerd.analysis.cleaning import DeviceColumns
from loggerd.analysis.findings.catalogue import Ground
from loggerd.analysis.findings.meter import Meter
from loggerd.analysis.frame_builder import FrameBuilder
from loggerd.analysis.frames import Frame, Layout
from loggerd.analysis.intervals import LeadColumns
from loggerd.model.bank import Accuracy, Bank
from loggerd.model.channels import MISSING
from loggerd.model.finding import Finding
from simulators.judging.chemistry import LAYOUTS
from simulators.judging.site import DayRecord, Sites

MINUTE_MS = 60_000
FRAMES_A_DAY = 288
Columns = dict[str, np.ndarray]


@dataclass
class Site:
    """A bank and its readings (minutes,) by channel, with what truly went to loads and came from chargers."""

    bank: Bank
    columns: Columns
    load_amps: np.ndarray
    charge_amps: np.ndarray


Wiring = Callable[[Site], None]


@lru_cache(maxsize=8)
def _records(layout: str, seeds: tuple[int, ...], days: int) -> list[DayRecord]:
    sites = Sites(LAYOUTS[layout], list(seeds))
    return [sites.run_day(day) for day in range(days)]


def sites(layout: str, seeds: tuple[int, ...], days: int) -> list[Site]:
    """Sites with rightly wired sensors, whose errors are within what `ground` states."""
    records, kind = _records(layout, seeds, days), LAYOUTS[layout]
    bank = Bank(
        "bank", kind.type, kind.strings, kind.blocks_per_string, kind.cells_per_block, kind.rated_amp_hours, kind.hours
    )
    return [_site(bank, records, place, np.random.default_rng([seed, 99])) for place, seed in enumerate(seeds)]


def _site(bank: Bank, records: list[DayRecord], place: int, rng: np.random.Generator) -> Site:
    def whole(name: str) -> np.ndarray:
        return np.concatenate([getattr(record, name)[:, place] for record in records]).astype(float)

    load, charge = whole("load_amps"), whole("charge_amps")
    minutes = len(load)

    def read(values: np.ndarray, gain: float, offset: float, noise: float) -> np.ndarray:
        return values * (1 + gain * rng.uniform(-1, 1)) + offset * rng.uniform(-1, 1) + rng.normal(0, noise, minutes)

    rated = bank.rated_amp_hours
    columns = {
        "amps": read(charge - load, 0.005, rated / 2000, rated / 4000),
        "volts": read(whole("volts"), 0.001, 0.01, 0.003),
        "ambient_celsius": read(whole("ambient_celsius"), 0.0, 0.5, 0.1),
    }
    blocks = whole("block_volts").reshape(minutes, -1)
    celsius = whole("celsius").reshape(minutes, -1)
    for number in range(bank.blocks):
        columns[f"block_{number + 1}_volts"] = read(blocks[:, number], 0.001, 0.01, 0.003)
        columns[f"block_{number + 1}_celsius"] = read(celsius[:, number], 0.0, 0.5, 0.1)
    return Site(bank, columns, load, charge)


def ground(site: Site) -> Ground:
    """What is stated of the sensors."""
    rated = site.bank.rated_amp_hours
    amps = Accuracy(0.005, rated / 2000, rated / 4000, 0.001)
    by_unit = {"amps": amps, "volts": Accuracy(0.001, 0.01, 0.003, 0.001), "celsius": Accuracy(None, 0.5, 0.1, 0.1)}
    accuracy = {name: by_unit[name.rsplit("_", 1)[-1]] for name in site.columns}
    return Ground(site.bank, Layout.of(site.bank), accuracy, frozenset(accuracy))


def frames(site: Site) -> list[Frame]:
    """The readings in frames. NaN: not read."""
    minutes = len(site.load_amps)
    at = START_MS + np.arange(minutes, dtype=np.int64) * MINUTE_MS
    fine = {name: np.rint(np.nan_to_num(values) * 1000).astype(np.int64) for name, values in site.columns.items()}
    for name, values in site.columns.items():
        fine[name][np.isnan(values)] = MISSING
    keep = fine["amps"] != MISSING
    lead = LeadColumns(1, at[keep], fine["amps"][keep], fine["volts"][keep], None, False)
    builder = FrameBuilder(Layout.of(site.bank), round(30 * site.bank.rated_amp_hours))
    closed = builder.push(lead, {"meter": DeviceColumns(at, fine)}, [], "meter", {"meter": MINUTE_MS})
    return [*closed, *builder.break_off(MINUTE_MS)]


def found(site: Site, wiring: Wiring | None = None) -> list[Finding]:
    """What the meter topic says of a site, wired as given."""
    if wiring is not None:
        wiring(site)
    pipeline = Pipeline(ground(site), limits_of(site.bank.type), Meter)
    return pipeline.run(frames(site))


def faults(findings: list[Finding]) -> list[Finding]:
    """Those that accuse something."""
    return [one for one in findings if one.verdict not in ("right", "cannot_tell")]


def day_of(finding: Finding, site: Site) -> float:
    """Days from the first reading, or from the first load above 2 % of the rated amp-hours where that is later."""
    used = np.flatnonzero(site.load_amps > 0.02 * site.bank.rated_amp_hours)
    first = START_MS + (int(used[0]) if len(used) else 0) * MINUTE_MS
    return (finding.at.at_ms - first) / 86_400_000
