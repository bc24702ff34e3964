"""The tables that stand alone."""

from __future__ import annotations

from collections.abc import Iterator

from loggerd.settings.draft import Draft
from loggerd.settings.faults import Fault

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
