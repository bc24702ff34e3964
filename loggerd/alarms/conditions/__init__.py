"""ALARM_CONDITIONS: the catalogue of all that is alarmed, one file for each topic."""

from __future__ import annotations

from loggerd.alarms.catalogue import AlarmCondition
from loggerd.alarms.conditions import (
    blocks,
    capacity,
    full_charge,
    heat,
    instruments,
    limits,
    logger,
    meter,
    resistance,
    rest,
    trends,
)

ALARM_CONDITIONS: tuple[AlarmCondition, ...] = (
    *heat.CONDITIONS,
    *blocks.CONDITIONS,
    *limits.CONDITIONS,
    *full_charge.CONDITIONS,
    *resistance.CONDITIONS,
    *capacity.CONDITIONS,
    *rest.CONDITIONS,
    *trends.CONDITIONS,
    *meter.CONDITIONS,
    *instruments.CONDITIONS,
    *logger.CONDITIONS,
)

NOT_ALARMED: tuple[tuple[str, str, str], ...] = ()
"""(finding, verdict, why) of verdicts that weigh as a fault and are not alarmed all the same."""

_BY_NAME = {one.name: one for one in ALARM_CONDITIONS}


def condition_of(name: str) -> AlarmCondition:
    """The catalogue's entry of that name. Raises KeyError."""
    return _BY_NAME[name]


__all__ = ["ALARM_CONDITIONS", "NOT_ALARMED", "condition_of"]
