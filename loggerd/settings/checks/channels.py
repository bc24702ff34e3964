"""What the numbers of a channel mean: unit, shunt, sign, valid range, accuracy; for every date of its settings."""

from __future__ import annotations

from collections.abc import Iterator

from loggerd.model.channels import Quantity
from loggerd.settings.channel import InForce
from loggerd.settings.draft import Draft, DraftChannel
from loggerd.settings.faults import Fault, show
from loggerd.settings.key_lines import KeyPath
from loggerd.settings.units import UNITS, units_of

_ONE_WAY_COUNTERS = {"charged_amp_hours", "discharged_amp_hours"}


def _stages(draft: Draft) -> Iterator[tuple[DraftChannel, KeyPath, InForce]]:
    """Every channel from the beginning and from each correction on, with the path of that table."""
    for _, channel in draft.channels():
        for number, stage in enumerate(channel.settings.in_force()):
            path = channel.path if number == 0 else (*channel.path, "correction", number - 1)
            yield channel, path, stage


def check_units(draft: Draft) -> Iterator[Fault]:
    """The unit fits what the channel measures; millivolts of a shunt are amps."""
    for channel, path, stage in _stages(draft):
        quantity = channel.settings.parsed.quantity
        if stage.shunt is not None:
            yield from _shunt(path, stage, quantity)
        elif UNITS[stage.unit].quantity is not quantity:
            hint = ", or mV with a shunt" if quantity is Quantity.AMPS else ""
            expected = f"a unit of {channel.settings.channel}: {', '.join(units_of(quantity))}{hint}"
            yield Fault((*path, "unit"), show(stage.unit), expected)


def _shunt(path: KeyPath, stage: InForce, quantity: Quantity) -> Iterator[Fault]:
    if quantity is not Quantity.AMPS:
        yield Fault((*path, "shunt"), "a shunt", "a shunt only for a channel of amps")
    elif stage.unit != "mV":
        found = f"{show(stage.unit)} beside a shunt"
        yield Fault((*path, "unit"), found, "mV, because the shunt turns millivolts into amps (or no shunt)")


def check_signs(draft: Draft) -> Iterator[Fault]:
    """A sign is for what flows in two directions."""
    for channel, path, stage in _stages(draft):
        two_ways = channel.settings.parsed.quantity in {Quantity.AMPS, Quantity.AMP_HOURS}
        if stage.sign == ("discharge_positive") and not (
            two_ways and channel.settings.channel not in _ONE_WAY_COUNTERS
        ):
            expected = "no sign: only currents and net_amp_hours have one"
            yield Fault((*path, "sign"), show(stage.sign), expected)


def check_ranges(draft: Draft) -> Iterator[Fault]:
    """The valid range is one, and percent of a range has a range."""
    for _, path, stage in _stages(draft):
        # Readings are judged in thousandths of a unit: bounds that are closer are the same.
        if stage.valid is not None and not round(1000 * stage.valid[0]) < round(1000 * stage.valid[1]):
            yield Fault((*path, "valid"), show(list(stage.valid)), "two numbers [low, high] with low below high")
        accuracy = stage.accuracy
        if accuracy is None or accuracy.percent_of_range is None:
            continue
        if accuracy.range is None and stage.shunt is None:
            expected = "the range, in V, A, °C or Ah, that percent_of_range is of"
            yield Fault((*path, "accuracy", "range"), "nothing", expected)
