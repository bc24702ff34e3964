"""A mail without the texts: what is sent when the words for an alarm cannot be made. Better bare than not at all."""

from __future__ import annotations

from datetime import UTC, datetime

from loggerd.model.outbox import OutboxItem
from loggerd.outputs.planning import Letter
from loggerd.wording.mail import Mail

COMPOSING_FAULTS = (ArithmeticError, AssertionError, AttributeError, LookupError, TypeError, ValueError)
"""What a mistake in composing raises. It must not keep an alarm from being told."""


def bare_mail(letter: Letter) -> Mail:
    """A line for each item, in English and UTC."""
    lines = [_line(item) for item in letter.items]
    head = "The words of this mail could not be made (see the log of the service). What happened, times in UTC:"
    count = f"{len(lines)} changes" if len(lines) != 1 else "1 change"
    subject = f"loggerd: {count} of alarms" if any(item.change for item in letter.items) else f"loggerd: {letter.topic}"
    return Mail(subject, "\n".join([head, "", *lines]) + "\n", "")


def _line(item: OutboxItem) -> str:
    change = item.change
    if change is None:
        return f"- {item.kind.value}"
    at = datetime.fromtimestamp(change.at.at_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M")
    bank = f", bank {change.key.bank}" if change.key.bank else ""
    again = "" if item.kind.value == "change" else f" ({item.kind.value}: nobody has acknowledged it)"
    what = f"{change.key.condition.replace('_', ' ')}, {change.key.subject}{bank}"
    return f"- {at} {item.priority.value}: {what}: {change.event.value}{again}"
