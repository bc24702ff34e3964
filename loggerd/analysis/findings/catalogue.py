"""What an entry of the catalogue of findings is, and what a topic is that makes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from loggerd.analysis.findings.events import Event, SinceFull
from loggerd.analysis.frames import Frame, Layout
from loggerd.model.bank import Accuracy, Bank
from loggerd.model.finding import Finding
from loggerd.model.log_book import LogEntry

if TYPE_CHECKING:
    from loggerd.analysis.findings.full_charge_reading import Reading


@dataclass(frozen=True)
class Verdict:
    """One thing that a finding can say.

    `says`: a sentence in plain words; {subject} and {value} (with its unit) may stand in it. `weight`: how early it
    is told among others, 0 where nothing is wrong: 90 and more for danger, 70 and more for a fault of the measuring
    (which makes other findings doubtful), 50 for a fault found, 20 for something to watch. `cause`: the fault that it
    names, in a word or two of the trade; empty where it names none. `do`: what mends it (for a sensor: the setting),
    and what not to do; empty where nothing has to be done. `caution`: what can hurt whoever does it.
    """

    word: str
    says: str
    weight: int = 0
    cause: str = ""
    do: str = ""
    caution: str = ""


@dataclass(frozen=True)
class FindingSpec:
    """One judged statement: its name (topic.what), unit and decimals of its value, what it means, and its verdicts.

    `source` is the published source of the method, or "common practice, no source", or "own".
    """

    name: str
    unit: str
    decimals: int
    explanation: str
    source: str
    verdicts: tuple[Verdict, ...]

    def verdict(self, word: str) -> Verdict:
        """The verdict of that word. Raises KeyError."""
        for one in self.verdicts:
            if one.word == word:
                return one
        raise KeyError(f"{self.name}: {word}")


@dataclass(frozen=True)
class Ground:
    """What topics know before the first frame: the bank, its columns, and what its sensors can be wrong by.

    `accuracy`: stated accuracy by channel name ("amps" and "volts" are those of what leads), as of the latest dated
    setting. `channels`: those that something reads.
    """

    bank: Bank
    layout: Layout
    accuracy: Mapping[str, Accuracy] = field(default_factory=dict)
    channels: frozenset[str] = frozenset()


@dataclass(slots=True)
class Moment:
    """One closed frame on its way through the topics, in their order.

    `limits`: those in force now, by name. `events`: what earlier topics have settled with this frame; a topic may
    append. `since_full`: what went out and in since the bank was last full, set by the topic full_charge. `entries`: of
    the log book, those taken in since the frame before; one that tells of the past counts from here on.
    """

    frame: Frame
    limits: Mapping[str, float]
    events: list[Event] = field(default_factory=list)
    since_full: SinceFull | None = None
    entries: tuple[LogEntry, ...] = ()
    reading: list[Reading | None] = field(default_factory=list)
    """The frame as a charge sees it, once a topic has asked for it; see reading_at."""


class Topic(Protocol):
    """A state machine over frames. Made with a Ground; its state is a plain value.

    `specs` are the catalogue's entries that it emits, in the order in which they are shown.
    """

    def push(self, moment: Moment) -> list[Finding]:
        """What this frame settles: findings that are new or changed, and events appended to the moment."""
        ...

    def to_plain(self) -> dict[str, Any]: ...

    def load_plain(self, plain: dict[str, Any]) -> None: ...
