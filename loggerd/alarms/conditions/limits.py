"""Plain limits on the bank's voltage."""

from __future__ import annotations

from loggerd.alarms.catalogue import HOUR_MS, AlarmCondition
from loggerd.model.alarm import Priority, Visit

CONDITIONS: tuple[AlarmCondition, ...] = (
    AlarmCondition(
        "low_voltage",
        Priority.HIGH,
        Visit.NOW,
        6.0,
        (("limits.low_voltage", ("low", "empty")),),
        off_delay_ms=HOUR_MS,
        roots=("shorted_cell", "open_circuit"),
        quiet_while=("capacity_test",),
    ),
    AlarmCondition(
        "high_voltage",
        Priority.HIGH,
        Visit.NOW,
        6.0,
        (("limits.high_voltage", ("high",)),),
        off_delay_ms=HOUR_MS,
        roots=("set_point_high",),
        quiet_while=("equalizing",),
    ),
)
