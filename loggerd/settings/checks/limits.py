"""Limits that a bank has of its own: plausible, and in order of time."""

from __future__ import annotations

from collections.abc import Iterator

from loggerd.model.bank import BankType
from loggerd.settings.checks.corrections import EARLIEST, LATEST
from loggerd.settings.draft import Draft
from loggerd.settings.faults import Fault, show
from loggerd.settings.key_lines import KeyPath
from loggerd.settings.limits import LEDGER_LIMITS, LimitSettings, load_limits

_BY_UNIT = {
    "V per cell": (0.0, 3.0),
    "V per cell and K": (-0.02, 0.02),
    "°C": (-80.0, 120.0),
    "K": (0.0, 120.0),
    "h": (0.0, 10_000.0),
    "min": (0.0, 100_000.0),
    "days": (0.0, 10_000.0),
}
_SHARE = (0.0, 1.0)


def check_limit_values(draft: Draft) -> Iterator[Fault]:
    """Values are possible in the unit of the limit: no millivolts for volts, no percent for a share."""
    for path, limit in draft.limits:
        bounds = plausible(limit.name, unit := _unit(limit.name))
        if bounds is not None and not bounds[0] <= limit.value <= bounds[1]:
            expected = f"a number from {bounds[0]:g} to {bounds[1]:g}, in the unit of this limit ({unit})"
            yield Fault((*path, "value"), show(limit.value), expected)


def plausible(name: str, unit: str) -> tuple[float, float] | None:
    """Lowest and highest value that a limit can have by its name and unit; None where anything may be right."""
    return _SHARE if name.endswith(("_fraction", "_share")) else _BY_UNIT.get(unit)


def check_limit_dates(draft: Draft) -> Iterator[Fault]:
    """Of the entries of one limit only the first may be without a date; the others stand in order of time."""
    before: dict[tuple[KeyPath, str], tuple[KeyPath, LimitSettings]] = {}
    for path, limit in draft.limits:
        at = (*path, "since")
        key = (path[:2], limit.name)
        earlier = before.get(key)
        before[key] = (path, limit)
        if limit.since is not None and limit.name in LEDGER_LIMITS:
            yield Fault(at, show(limit.since), "no date for this limit: the ledger takes one value for all readings")
        elif limit.since is not None and not EARLIEST <= limit.since < LATEST:
            yield Fault(at, show(limit.since), "an instant between 1980 and 2200")
        elif earlier is not None:
            yield from _order(path, limit, *earlier)


def _order(path: KeyPath, limit: LimitSettings, other: KeyPath, earlier: LimitSettings) -> Iterator[Fault]:
    if limit.since is None:
        expected = "a later entry of one limit with the instant from which it holds"
        yield Fault((*path, "since"), f"nothing, for {show(limit.name)} a second time", expected, other=other)
    elif earlier.since is not None and limit.since <= earlier.since:
        expected = f"an instant later than {show(earlier.since)}"
        yield Fault((*path, "since"), show(limit.since), expected, other=(*other, "since"))


def _unit(name: str) -> str:
    return load_limits(BankType.FLOODED_ANTIMONY)[name].unit
