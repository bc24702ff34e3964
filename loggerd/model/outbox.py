"""What is to be told to whom: items that wait to be told, and the mails that were made of them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from loggerd.model.alarm import AlarmChange, Priority


class Lane(Enum):
    """The way out. Each has a thread of its own, so that one that hangs does not hold up the other."""

    MAIL = "mail"
    WEBHOOK = "webhook"


class ItemKind(Enum):
    """Why something is told. The first three are about alarms and go into one mail together."""

    CHANGE = "change"
    REPEAT = "repeat"
    """The alarm still stands and nobody has acknowledged it."""
    ESCALATION = "escalation"
    """Likewise, and now somebody else is told."""
    DIGEST = "digest"
    HEARTBEAT = "heartbeat"
    TEST = "test"


OF_ALARMS = (ItemKind.CHANGE, ItemKind.REPEAT, ItemKind.ESCALATION)
ALARMS = "alarms"


def topic_of(kind: ItemKind) -> str:
    """What goes into one mail together: "alarms", or the kind itself."""
    return ALARMS if kind in OF_ALARMS else kind.value


class MailState(Enum):
    """How far a mail has come. SENDING is stored before a try, so that a crash in it is known afterwards."""

    QUEUED = "queued"
    SENDING = "sending"
    ACCEPTED = "accepted"
    REFUSED = "refused"


@dataclass(frozen=True)
class NewItem:
    """Something to be told to one receiver, not before `due_ms` (epoch ms), with the next mail after it at the latest.

    `change`: number of the stored change it is about; `of_commit`: instead of it, the position of that change among
    those of the same commit. `urgent`: danger to people. `rides`: makes no mail of its own before it is due, but goes
    with any mail on alarms that is made before; `number`: of a repeat, which one.
    """

    lane: Lane
    receiver: str
    kind: ItemKind
    made_ms: int
    due_ms: int
    priority: Priority = Priority.LOW
    urgent: bool = False
    rides: bool = False
    change: int | None = None
    of_commit: int | None = None
    number: int = 0


@dataclass(frozen=True)
class OutboxItem:
    """An item as it waits. `change` is the change of an alarm that it is about, None for digests and the like."""

    id: int
    lane: Lane
    receiver: str
    kind: ItemKind
    made_ms: int
    due_ms: int
    priority: Priority
    urgent: bool
    rides: bool
    number: int
    change_id: int | None = None
    change: AlarmChange | None = None

    @property
    def topic(self) -> str:
        return topic_of(self.kind)


@dataclass(frozen=True)
class NewMail:
    """A mail as it was composed. `content` is what is sent, byte for byte, at every try; `items` are told in it."""

    lane: Lane
    receiver: str
    topic: str
    address: str
    message_id: str
    subject: str
    content: bytes
    urgent: bool
    composed_ms: int
    items: tuple[int, ...]


@dataclass(frozen=True)
class OutboxMail:
    """A mail in the outbox, without its content. Times are epoch ms; `items`: how many are told in it."""

    id: int
    lane: Lane
    receiver: str
    topic: str
    address: str
    message_id: str
    subject: str
    urgent: bool
    state: MailState
    composed_ms: int
    tries: int
    next_try_ms: int
    tried_ms: int | None
    done_ms: int | None
    answer: str
    items: int


@dataclass(frozen=True)
class MailNote:
    """What became of a mail at one step. `next_try_ms` counts while it is queued."""

    id: int
    state: MailState
    at_ms: int
    answer: str = ""
    next_try_ms: int = 0


@dataclass(frozen=True)
class OutboxUpdate:
    """Changes of the outbox that are stored together. `dropped`: ids of items that are not told any more, and why.

    The items of a mail that is noted as refused wait again, for the next mail. A mail noted as queued before its first
    try, or after a failed one, keeps its content.
    """

    items: tuple[NewItem, ...] = ()
    mails: tuple[NewMail, ...] = ()
    notes: tuple[MailNote, ...] = ()
    dropped: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True)
class Sent:
    """A mail that has left the outbox, as rate limits and holds look at it."""

    receiver: str
    topic: str
    address: str
    state: MailState
    composed_ms: int
    done_ms: int
    urgent: bool
    answer: str = ""


@dataclass(frozen=True)
class OutboxLook:
    """What the outbox of one lane holds at one moment: `items` not in a mail yet, `mails` on their way (in the order
    in which they were composed), and those that left it in the last day."""

    items: tuple[OutboxItem, ...] = ()
    mails: tuple[OutboxMail, ...] = ()
    sent: tuple[Sent, ...] = ()
