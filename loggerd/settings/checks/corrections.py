"""Dated corrections."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

from loggerd.settings.draft import Draft
from loggerd.settings.faults import Fault, show

EARLIEST = datetime(1980, 1, 1, tzinfo=UTC)
LATEST = datetime(2200, 1, 1, tzinfo=UTC)
_REPLACEABLE = ("scale", "offset", "unit", "sign", "shunt", "valid", "accuracy")


def check_dates(draft: Draft) -> Iterator[Fault]:
    """Corrections stand in order of time."""
    for _, channel in draft.channels():
        before = None
        for number, correction in enumerate(channel.settings.corrections):
            path = (*channel.path, "correction", number, "since")
            if not EARLIEST <= correction.since < LATEST:
                yield Fault(path, show(correction.since), "an instant between 1980 and 2200")
            elif before is not None and correction.since <= before:
                other = (*channel.path, "correction", number - 1, "since")
                yield Fault(path, show(correction.since), f"an instant later than {show(before)}", other=other)
            before = correction.since


def check_changes(draft: Draft) -> Iterator[Fault]:
    """A correction corrects something."""
    for _, channel in draft.channels():
        for number, correction in enumerate(channel.settings.corrections):
            if all(getattr(correction, key) is None for key in _REPLACEABLE):
                path = (*channel.path, "correction", number)
                yield Fault(path, "a correction that changes nothing", f"at least one of {', '.join(_REPLACEABLE)}")
