"""The tables that stand alone."""

from __future__ import annotations

from collections.abc import Iterator

from loggerd.settings.draft import Draft
from loggerd.settings.faults import Fault, value_at

_TOKEN_KEYS = ("token_file", "token_env", "token_credential")


def check_token(draft: Draft) -> Iterator[Fault]:
    """The token stands in one place."""
    if draft.time_series is None:
        return
    given = [key for key in _TOKEN_KEYS if getattr(draft.time_series, key) is not None]
    for key in given[1:]:
        yield Fault(
            ("time_series", key),
            f'"{given[0]}" beside it',
            f"only one of {', '.join(_TOKEN_KEYS)}",
            other=("time_series", given[0]),
        )


def check_whole(draft: Draft) -> Iterator[Fault]:
    """Summaries are kept at least as long as what they are made from."""
    raw_days = value_at(draft.raw, ("record", "raw_days"))
    minute_days = value_at(draft.raw, ("record", "minute_days"))
    if isinstance(raw_days, int) and isinstance(minute_days, int) and 0 < minute_days < raw_days:
        yield Fault(
            ("record", "minute_days"),
            str(minute_days),
            f"no fewer days than raw_days ({raw_days})",
            other=("record", "raw_days"),
        )
