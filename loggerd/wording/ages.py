"""How long ago something was, and how a bank stands just now, in words."""

from __future__ import annotations

from loggerd.model.ledger import PhaseKind
from loggerd.wording.reader import Reader

_PHASES = {
    PhaseKind.CHARGE: "Charging",
    PhaseKind.DISCHARGE: "Discharging",
    PhaseKind.REST: "At rest",
}


def age_words(milliseconds: int) -> str:
    """ "5 s ago", "3 min ago", "2 h 05 min ago", "3 days ago"; what lies ahead, as clocks differ, is "just now"."""
    seconds = milliseconds // 1000
    minutes, hours, days = seconds // 60, seconds // 3600, seconds // 86_400
    if seconds < 1:
        return "just now"
    if seconds < 120:
        return f"{seconds} s ago"
    if minutes < 120:
        return f"{minutes} min ago"
    if hours < 48:
        return f"{hours} h {minutes % 60:02d} min ago"
    return f"{days} days ago"


def not_heard_words(reader: Reader, at_ms: int | None) -> str:
    """ "not heard since Tue 24 Nov 2026, 14:05 (UTC+01:00)"."""
    return "never heard" if at_ms is None else f"not heard since {reader.instant(at_ms)}"


def heard_words(reader: Reader, at_ms: int | None, now_ms: int, late: bool) -> str:
    """Its age while it is live, else since when it was not heard."""
    return not_heard_words(reader, at_ms) if late or at_ms is None else age_words(now_ms - at_ms)


def state_words(phase: PhaseKind | None) -> str:
    """What the bank does now."""
    return "What it does now is not known" if phase is None else _PHASES[phase]


def signed(reader: Reader, value: float, decimals: int = 0) -> str:
    """A number with its sign, zero without one."""
    text = reader.number(abs(value), decimals)
    zero = float(f"{abs(value):.{decimals}f}") == 0.0
    return text if zero else f"{'-' if value < 0 else '+'}{text}"
