"""What a form on a page asks of whoever writes the record: its uid, and what became of it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any

from loggerd.inbox import Inbox
from loggerd.outputs.web.asking import Ask, CannotBeUsed

WAIT_SECONDS = 2.0
"""How long an answer waits for the service to take in what was asked; a page must not hang for a whole commit."""
_UID = re.compile(r"[0-9a-f]{10}")
_LARGEST = 65_536


class Stage(Enum):
    """How far a request has come."""

    WAITING = "waiting"
    REFUSED = "refused"
    GONE = "gone"
    """It is not in the inbox any more, or never was."""


@dataclass(frozen=True)
class Fate:
    """What became of a request; `why`: the reason of a refusal."""

    stage: Stage
    why: str = ""


def form_uid(ask: Ask) -> str:
    """The uid that was made with the form and came back in it. Raises CannotBeUsed."""
    uid = ask.form.get("uid", "")
    if not is_uid(uid):
        raise CannotBeUsed("this form has lost its mark; open the page anew and fill it in again")
    return uid


def is_uid(text: str) -> bool:
    return _UID.fullmatch(text) is not None


def fate_of(ask: Ask, uid: str) -> Fate:
    """What the inbox says of a request."""
    paths = _files(ask, uid)
    if any(path.name.endswith(".json") for path in paths):
        return Fate(Stage.WAITING)
    for path in paths:
        if path.name.endswith(".json.refused"):
            return Fate(Stage.REFUSED, Inbox.refusal(path.with_name(path.name.removesuffix(".refused"))) or "")
    return Fate(Stage.GONE)


def waiting_body(ask: Ask, uid: str) -> Mapping[str, Any] | None:
    """What a request that waits says; None where none waits, or it was taken in while we looked."""
    for path in _files(ask, uid):
        if path.name.endswith(".json"):
            try:
                with path.open("rb") as stream:
                    body = json.loads(stream.read(_LARGEST))["body"]
            except (OSError, ValueError, KeyError, TypeError):
                continue
            return body if isinstance(body, dict) else None
    return None


def _files(ask: Ask, uid: str) -> list[Path]:
    if not is_uid(uid):
        return []
    return sorted(Inbox(Path(ask.site.record.path)).folder.glob(f"[0-9]*-{uid}.json*"))


def waiting_words(ask: Ask) -> str:
    """When what waits is taken in."""
    seconds = ask.words.number(ask.site.record.commit_seconds, 0)
    return f"it waits, and the service takes it in with its next commit (one every {seconds} s, or when it runs again)"
