"""Where an axis has its ticks: round numbers, and round local times whatever the clocks do."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo

_MINUTE_MS, _HOUR_MS, _DAY_MS = 60_000, 3_600_000, 86_400_000
_MINUTES = (1, 2, 5, 10, 15, 30)
_HOURS = (1, 2, 3, 6, 12)
_DAYS = (1, 2, 7, 14)
_MONTHS = (1, 2, 3, 6)
_YEARS = (1, 2, 5, 10, 25, 50)
_QUARTER_MINUTES = 15
_MONTH_DAYS, _YEAR_DAYS = 31, 366


@dataclass(frozen=True)
class Tick:
    """`at`: value, or epoch milliseconds."""

    at: float
    text: str


def number_step(low: float, high: float, most: int) -> float:
    """The smallest of 1, 2 and 5 times a power of ten that cuts [low, high] at most `most` times."""
    rough = (high - low) / max(most, 1)
    power = 10.0 ** math.floor(math.log10(rough)) if rough > 0.0 else 1.0
    return next((factor * power for factor in (1.0, 2.0, 5.0) if factor * power >= rough), 10.0 * power)


def number_ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Round values within [low, high]."""
    step = number_step(low, high, most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [whole * step for whole in range(first, last + 1)]


def decimals_of(step: float) -> int:
    """Decimals that tell one tick from the next."""
    return max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0.0 else 0


def time_ticks(from_ms: int, until_ms: int, zone: tzinfo, months: Sequence[str], most: int = 6) -> list[Tick]:
    """Round local times within [from, until): minutes, hours, days, months or years.

    A local hour that comes twice, when the clocks go back, has two ticks of the same name; one that is left out has
    none. `months`: their short names.
    """
    span = until_ms - from_ms
    minutes = next((one for one in _MINUTES if span <= most * one * _MINUTE_MS), None)
    if minutes is None:
        hours = next((one for one in _HOURS if span <= most * one * _HOUR_MS), None)
        if hours is None:
            return list(_date_ticks((from_ms, until_ms), zone, months, most))
        minutes = 60 * hours
    return list(_clock_ticks((from_ms, until_ms), minutes, zone, months))


def _clock_ticks(span: tuple[int, int], minutes: int, zone: tzinfo, months: Sequence[str]) -> Iterator[Tick]:
    """Local times that are whole multiples of so many minutes. Zones lie whole quarters of an hour from UTC."""
    every = min(minutes, _QUARTER_MINUTES) * _MINUTE_MS
    for at_ms in range(-(-span[0] // every) * every, span[1], every):
        at = _local(at_ms, zone)
        if (60 * at.hour + at.minute) % minutes == 0:
            midnight = at.hour == 0 and at.minute == 0
            yield Tick(at_ms, f"{at.day} {months[at.month - 1]}" if midnight else f"{at:%H:%M}")


def _date_ticks(span: tuple[int, int], zone: tzinfo, months: Sequence[str], most: int) -> Iterator[Tick]:
    """Local midnights of every so many days, firsts of months, or of years."""
    days = (span[1] - span[0]) / _DAY_MS
    every_days = next((one for one in _DAYS if days <= most * one), None)
    every_months = next((one for one in _MONTHS if days <= most * one * _MONTH_DAYS), None)
    every_years = next(one for one in _YEARS if days <= most * one * _YEAR_DAYS or one == _YEARS[-1])
    day = _local(span[0], zone).date()
    if every_days is None:
        day = day.replace(day=1)
    last = _local(span[1], zone).date()
    while day <= last:
        at_ms = round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
        if every_days is not None:
            wanted, text = day.toordinal() % every_days == every_days // 7 % 7, f"{day.day} {months[day.month - 1]}"
        elif every_months is not None:
            wanted = (day.month - 1) % every_months == 0
            text = str(day.year) if day.month == 1 else months[day.month - 1]
        else:
            wanted, text = day.month == 1 and day.year % every_years == 0, str(day.year)
        if wanted and span[0] <= at_ms < span[1]:
            yield Tick(at_ms, text)
        day = day + timedelta(days=1) if every_days is not None else _next_month(day)


def _next_month(day: date) -> date:
    return date(day.year + day.month // 12, day.month % 12 + 1, 1)


def _local(at_ms: int, zone: tzinfo) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
