"""Waiting for something to have happened, instead of for a time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable


async def until(condition: Callable[[], bool], look_every_seconds: float = 0.005) -> None:
    """Return when the condition holds (the test's own timeout is the limit)."""
    while not condition():  # noqa: ASYNC110 - what is waited for gives no event
        await asyncio.sleep(look_every_seconds)
