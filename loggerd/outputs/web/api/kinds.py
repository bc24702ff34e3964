"""What a parameter may be: each kind says it as a JSON Schema, and reads text by the same rule."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol, TypeAlias
from zoneinfo import ZoneInfo

Schema: TypeAlias = dict[str, Any]

_DATE = "(19[7-9][0-9]|20[0-9][0-9])-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
_CLOCK = r"T([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9](\.[0-9]{1,6})?)?"
_OFFSET = "(Z|[+-](0[0-9]|1[0-4]):[0-5][0-9])"
TIME_PATTERN = f"^{_DATE}({_CLOCK}{_OFFSET}?)?$"
_TIME = re.compile(TIME_PATTERN[1:-1])
_LATEST_MS = 4_102_444_800_000


class Kind(Protocol):
    """One kind of value."""

    def schema(self) -> Schema:
        """It as JSON Schema."""
        ...

    def read(self, text: str, zone: ZoneInfo) -> Any:
        """The value of a text. Raises ValueError that says what is expected."""
        ...


@dataclass(frozen=True)
class Whole:
    """A whole number in a range, both ends included."""

    low: int
    high: int

    def schema(self) -> Schema:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}

    def read(self, text: str, zone: ZoneInfo) -> int:
        if re.fullmatch("-?[0-9]{1,19}", text) and self.low <= int(text) <= self.high:
            return int(text)
        raise ValueError(f"a whole number from {self.low} to {self.high}")


@dataclass(frozen=True)
class Name:
    """A name as the settings may give it."""

    def schema(self) -> Schema:
        return {"type": "string", "pattern": '^[^"\\\\/]{1,60}$'}

    def read(self, text: str, zone: ZoneInfo) -> str:
        if not re.fullmatch(r'[^"\\/]{1,60}', text):
            raise ValueError("a name")
        return text


@dataclass(frozen=True)
class Names:
    """Names of channels with commas between, at most so many; read without those told twice."""

    most: int

    @property
    def _pattern(self) -> str:
        return f"[a-z0-9_]{{1,40}}(,[a-z0-9_]{{1,40}}){{0,{self.most - 1}}}"

    def schema(self) -> Schema:
        return {"type": "string", "pattern": f"^{self._pattern}$"}

    def read(self, text: str, zone: ZoneInfo) -> tuple[str, ...]:
        if not re.fullmatch(self._pattern, text):
            raise ValueError(f"names of channels with commas between, at most {self.most}")
        return tuple(dict.fromkeys(text.split(",")))


@dataclass(frozen=True)
class YesNo:
    """true or false."""

    def schema(self) -> Schema:
        return {"type": "boolean"}

    def read(self, text: str, zone: ZoneInfo) -> bool:
        if text not in ("true", "false"):
            raise ValueError("true or false")
        return text == "true"


@dataclass(frozen=True)
class Words:
    """One of some words."""

    words: tuple[str, ...]

    def schema(self) -> Schema:
        return {"type": "string", "enum": list(self.words)}

    def read(self, text: str, zone: ZoneInfo) -> str:
        if text not in self.words:
            raise ValueError(f"one of {', '.join(self.words)}")
        return text


@dataclass(frozen=True)
class Time:
    """An instant from 1970 to 2099, read as epoch milliseconds. Without an offset it is local time of the site."""

    def schema(self) -> Schema:
        return {"type": "string", "pattern": TIME_PATTERN}

    def read(self, text: str, zone: ZoneInfo) -> int:
        return time_ms(text, zone)


def time_ms(text: str, zone: ZoneInfo) -> int:
    """Epoch milliseconds of an ISO-8601 text. Raises ValueError that says what is expected."""
    expected = "a time from 1970 to 2099 such as 2026-05-01 or 2026-05-01T06:00:00Z (+ in an address is written %2B)"
    if not _TIME.fullmatch(text):
        raise ValueError(expected)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(expected) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    at_ms = round(moment.timestamp() * 1000)
    if not 0 <= at_ms < _LATEST_MS:
        raise ValueError(expected)
    return at_ms
