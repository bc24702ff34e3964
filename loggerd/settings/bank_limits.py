"""The limits of one bank: the presets of its type with what its settings put in their place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from loggerd.settings.bank import BankSettings
from loggerd.settings.limits import load_limits


@dataclass(frozen=True)
class LimitStage:
    """A value that holds from `since` on (None: from the beginning); `preset` where it comes with loggerd."""

    since: datetime | None
    value: float
    source: str
    preset: bool

    @property
    def since_ms(self) -> int | None:
        return None if self.since is None else round(self.since.timestamp() * 1000)


@dataclass(frozen=True)
class BankLimit:
    """One limit of a bank: what holds from the beginning, then from each change on."""

    name: str
    unit: str
    stages: tuple[LimitStage, ...]

    def in_force(self, at_ms: int) -> LimitStage:
        """The stage that holds at an instant."""
        return [one for one in self.stages if one.since_ms is None or one.since_ms <= at_ms][-1]


def limits_of_bank(bank: BankSettings) -> tuple[BankLimit, ...]:
    """All limits of a bank, in the order of the preset. Raises SettingsError without the presets."""
    return tuple(
        BankLimit(limit.name, limit.unit, tuple(_stages(bank, limit.name, limit.value, limit.source)))
        for limit in load_limits(bank.type).values()
    )


def _stages(bank: BankSettings, name: str, value: float, source: str) -> Iterator[LimitStage]:
    own = [entry for entry in bank.limits if entry.name == name]
    if not own or own[0].since is not None:
        yield LimitStage(None, value, source, preset=True)
    for entry in own:
        yield LimitStage(entry.since, entry.value, entry.source, preset=False)
