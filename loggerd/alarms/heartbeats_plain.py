"""What a watcher knows as plain values for JSON, and back. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from loggerd.alarms.heartbeats import Notice, NoticeKind, Watched, WatchState

_TEXTS = ("site", "keeper", "message_id", "subject", "content", "answer")
_WHOLES = ("overdue_ms", "tries", "next_mono_ms")


def state_to_plain(state: WatchState) -> dict[str, Any]:
    """The state as values that JSON can hold."""
    return {
        "sites": {
            name: {**asdict(one), "told_mono_ms": dict(one.told_mono_ms)} for name, one in sorted(state.sites.items())
        },
        "notices": [{**asdict(one), "kind": one.kind.value} for one in state.notices],
    }


def state_from_plain(plain: Mapping[str, Any]) -> WatchState:
    """The state again. Raises ValueError for what is none."""
    try:
        sites = {str(name): _watched(one) for name, one in plain["sites"].items()}
        return WatchState(sites, tuple(_notice(one) for one in plain["notices"]))
    except (AttributeError, KeyError, TypeError) as error:
        raise ValueError(f"it is not what a watcher writes ({error!r})") from None


def _watched(plain: Mapping[str, Any]) -> Watched:
    return Watched(
        whole(plain["expected_mono_ms"]),
        _maybe(plain["heard_wall_ms"]),
        _maybe(plain["newest_ms"]),
        whole(plain["newest_number"]),
        _maybe(plain["silent_mono_ms"]),
        {str(keeper): whole(at_ms) for keeper, at_ms in plain["told_mono_ms"].items()},
    )


def _notice(plain: Mapping[str, Any]) -> Notice:
    site, keeper, message_id, subject, content, answer = (_text(plain[name]) for name in _TEXTS)
    late_ms, tries, next_mono_ms = (whole(plain[name]) for name in _WHOLES)
    kind = NoticeKind(plain["kind"])
    return Notice(site, keeper, kind, late_ms, message_id, subject, content, tries, next_mono_ms, answer)


def _maybe(value: Any) -> int | None:
    return None if value is None else whole(value)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError("a text of it is none")  # noqa: TRY004 - what is wrong is the file
    return value


def whole(value: Any) -> int:
    """A whole number. Raises ValueError for anything else."""
    if not isinstance(value, int) or isinstance(value, bool):
        raise ValueError("a number of it is none")  # noqa: TRY004 - what is wrong is the file
    return value
