"""What has to be done again and again is told again, though its alarm never clears in between."""

from __future__ import annotations

from itertools import pairwise

from alarm_tools import DAY, HOUR, Site, key_of

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.model.alarm import AlarmEvent

WATER = key_of("water_due")


def test_water_that_stays_due_is_told_every_month() -> None:
    """A truck that needs water every three weeks never stops needing it; monthly rounds: common practice, no source."""
    site = Site(ALARM_CONDITIONS)
    for hour in range(0, 100 * 24):
        site.look(hour * HOUR, WATER)
        if hour % 24 == 8:
            site.act(hour * HOUR, AlarmEvent.ACKNOWLEDGED, WATER)
    told = [one.at.at_ms for one in site.stored.changes if one.event in (AlarmEvent.RAISED, AlarmEvent.RE_ALARMED)]
    assert len(told) == 4
    assert all(30 * DAY <= later - one <= 31 * DAY for one, later in pairwise(told))
