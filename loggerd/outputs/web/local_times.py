"""Local dates and times of the site, as forms send them."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from loggerd.outputs.web.asking import CannotBeUsed


def local_ms(day: str, clock: str, zone: ZoneInfo) -> int:
    """Epoch milliseconds of a local date ("2026-05-01") and time ("17:30").

    A time that comes twice, when the clocks go back, is taken for the first. Raises ValueError with what is expected.
    """
    try:
        told = datetime.combine(date.fromisoformat(day.strip()), time.fromisoformat(clock.strip()))
        return round(told.replace(tzinfo=zone).timestamp() * 1000)
    except (ValueError, OverflowError):
        raise ValueError("a date such as 2026-05-01 and a time such as 17:30") from None


def day_ms(text: str, zone: ZoneInfo, *, after: bool = False) -> int | None:
    """When a local day begins, or with `after` when the next one does; None for an empty field. Raises CannotBeUsed."""
    if not text.strip():
        return None
    try:
        day = date.fromisoformat(text.strip()) + timedelta(days=1 if after else 0)
        return local_ms(day.isoformat(), "00:00", zone)
    except (ValueError, OverflowError):
        raise CannotBeUsed("that is no day; expected one such as 2026-05-01") from None


def number_of(text: str) -> int | None:
    """The number of a row in an address; None without one. Raises CannotBeUsed."""
    if not text:
        return None
    if not (text.isascii() and text.isdecimal() and len(text) < 19):
        raise CannotBeUsed("that is no number of a row; go back to the first page")
    return int(text)
