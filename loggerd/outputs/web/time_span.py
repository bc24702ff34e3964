"""A stretch of time in an address: local dates, times with their offset, or epoch milliseconds."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from loggerd.outputs.web.asking import Ask, CannotBeUsed
from loggerd.outputs.web.local_times import day_ms

_FIRST_YEAR, _LAST_YEAR = 1970, 2199
_WORDS = (
    "that is no time; expected a day such as 2026-05-01, a local time such as 2026-05-01T17:30,"
    " or one with its offset such as 2026-05-01T17:30+02:00"
)
_DATE_LENGTH = len("2026-05-01")
_MOST_DIGITS = 14


def instant_ms(text: str, zone: ZoneInfo, *, after: bool = False) -> int | None:
    """Epoch milliseconds of what an address says; None for nothing. A day begins at local midnight, with `after` the
    next one. Raises CannotBeUsed."""
    text = text.strip().replace(" ", "+")
    if not text:
        return None
    if text.isascii() and text.isdecimal() and len(text) <= _MOST_DIGITS:
        return _checked(int(text))
    if len(text) <= _DATE_LENGTH:
        if text[:4].isdecimal() and not _FIRST_YEAR <= int(text[:4]) <= _LAST_YEAR:
            raise CannotBeUsed(f"only years from {_FIRST_YEAR} to {_LAST_YEAR} can be shown")
        found = day_ms(text, zone, after=after)
        # The first local day of 1970 begins in 1969 where clocks are ahead of UTC.
        return None if found is None else _checked(max(found, 0))
    try:
        told = datetime.fromisoformat(text)
        return _checked(round((told if told.tzinfo else told.replace(tzinfo=zone)).timestamp() * 1000))
    except (ValueError, OverflowError):
        raise CannotBeUsed(_WORDS) from None


def _checked(at_ms: int) -> int:
    if not 0 <= at_ms < round(datetime(_LAST_YEAR + 1, 1, 1, tzinfo=UTC).timestamp() * 1000):
        raise CannotBeUsed(f"only years from {_FIRST_YEAR} to {_LAST_YEAR} can be shown")
    return at_ms


def span_of(ask: Ask) -> tuple[int | None, int | None]:
    """`from` and `until` of an address. Raises CannotBeUsed for what is no time, and where they are the wrong way
    round."""
    from_ms = instant_ms(ask.query.get("from", ""), ask.zone)
    until_ms = instant_ms(ask.query.get("until", ""), ask.zone, after=True)
    if from_ms is not None and until_ms is not None and until_ms <= from_ms:
        raise CannotBeUsed("the end of the time asked for is not after its beginning; exchange them")
    return from_ms, until_ms


def instant_text(at_ms: int, zone: ZoneInfo) -> str:
    """An instant as an address says it: local time with its offset, to the second."""
    return datetime.fromtimestamp(at_ms // 1000, UTC).astimezone(zone).isoformat(timespec="seconds")


def query_of(**values: str | int | None) -> str:
    """The part of an address after "?"; what is None or empty is left out."""
    return urlencode({name: value for name, value in values.items() if value not in (None, "")})


def span_query(from_ms: int, until_ms: int, zone: ZoneInfo, **more: str) -> str:
    return query_of(**{"from": instant_text(from_ms, zone), "until": instant_text(until_ms, zone)}, **more)
