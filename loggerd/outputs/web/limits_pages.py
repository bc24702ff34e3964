"""Limits and settings in force of a bank, with where each comes from. Nothing is changed here, no secret is read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from starlette.responses import Response

from loggerd.model.access import Need
from loggerd.outputs.web.asking import Ask, Route
from loggerd.outputs.web.limit_topics import OTHERS, TOPICS, topic_of
from loggerd.plans import bank_named
from loggerd.settings.bank import BankSettings
from loggerd.settings.bank_limits import BankLimit, LimitStage, limits_of_bank
from loggerd.settings.limit_notes import limit_notes
from loggerd.settings.summary import summary
from loggerd.wording.reader import Reader

_DISAGREE = "sources disagree"
_LONGEST_QUERY = 100


@dataclass(frozen=True)
class StageView:
    """A value that held before or will hold later."""

    when: str
    value: str
    source: str


@dataclass(frozen=True)
class LimitView:
    """A limit in force. `whose`: a preset of the type, or of the settings."""

    name: str
    title: str
    topic: str
    value: str
    whose: str
    since: str
    decides: str
    source: str
    disagree: bool
    others: tuple[StageView, ...]

    def has(self, words: list[str]) -> bool:
        """Whether all of these words, in small letters, stand in it."""
        text = " ".join((self.name, self.title, self.topic, self.decides, self.source, self.whose)).casefold()
        return all(word in text for word in words)


@dataclass(frozen=True)
class ChannelView:
    """A channel of the bank. `words`: how its numbers are read, how far they are right, dated corrections in order."""

    device: str
    connection: str
    poll: str
    channel: str
    place: str
    words: tuple[str, ...]

    def has(self, words: list[str]) -> bool:
        own = (self.device, self.connection, self.channel, self.channel.replace("_", " "), self.place)
        text = " ".join((*own, *self.words)).casefold()
        return all(word in text for word in words)


def limit_views(table: BankSettings, now_ms: int, reader: Reader) -> list[LimitView]:
    """All limits of a bank in words, in the order of the headings."""
    notes = limit_notes(table.type)
    views = [_limit(one, notes.get(one.name, ""), now_ms, reader) for one in limits_of_bank(table)]
    order = {topic: place for place, topic in enumerate([*(topic for topic, _ in TOPICS), OTHERS])}
    return sorted(views, key=lambda one: order[one.topic])


def _limit(limit: BankLimit, decides: str, now_ms: int, reader: Reader) -> LimitView:
    now = limit.in_force(now_ms)
    others = tuple(
        StageView(
            "from then on" if one.since_ms is not None and one.since_ms > now_ms else "before",
            f"{_value(limit, one, reader)}{_since(one, reader)}",
            one.source,
        )
        for one in limit.stages
        if one is not now
    )
    return LimitView(
        limit.name,
        limit.name.replace("_", " "),
        topic_of(limit.name),
        _value(limit, now, reader),
        "preset of the type of battery" if now.preset else "own, of the settings",
        _since(now, reader).removeprefix(", ") or "from the beginning",
        decides,
        now.source,
        _DISAGREE in now.source.casefold(),
        others,
    )


def _value(limit: BankLimit, stage: LimitStage, reader: Reader) -> str:
    value, unit = stage.value, "" if limit.unit == "1" else limit.unit
    if unit == "°C" and reader.fahrenheit:
        value, unit = 32.0 + 1.8 * value, "°F"
    text = f"{value:.10g}"
    decimals = len(text.partition(".")[2]) if "e" not in text else 0
    return f"{reader.number(value, decimals) if 'e' not in text else text} {unit}".rstrip()


def _since(stage: LimitStage, reader: Reader) -> str:
    return "" if stage.since_ms is None else f", since {reader.instant(stage.since_ms)}"


def channel_views(settings: dict[str, Any], bank: str, reader: Reader) -> Iterator[ChannelView]:
    """Channels of a bank, by what `loggerd check` says of the settings."""
    for device in settings["devices"]:
        poll = f"every {reader.number(device['poll_seconds'], 0 if device['poll_seconds'] >= 1 else 1)} s"
        for one in device["channels"]:
            if one["bank"] == bank:
                yield ChannelView(
                    device["name"], device["connection"], poll, one["channel"], one["place"], tuple(one["words"])
                )


def _limits(ask: Ask) -> Response:
    bank = ask.bank()
    table = bank_named(ask.site, bank)[1]
    asked = ask.query.get("q", "")[:_LONGEST_QUERY]
    words = asked.casefold().split()
    whole = summary(ask.site)
    every = limit_views(table, ask.clock.wall_ms(), ask.words)
    limits = [one for one in every if one.has(words)]
    channels = list(channel_views(whole, bank, ask.words))
    return ask.page(
        "limits.html",
        bank=bank,
        asked=asked,
        topics=[(topic, own) for topic in dict.fromkeys(one.topic for one in limits) if (own := _of(limits, topic))],
        count=len(limits),
        every=len(every),
        settings=list(_settings(table, next(one["words"] for one in whole["banks"] if one["name"] == bank), ask)),
        channels=[one for one in channels if one.has(words)],
        channel_count=len(channels),
    )


def _of(limits: list[LimitView], topic: str) -> list[LimitView]:
    return [one for one in limits if one.topic == topic]


def _settings(table: BankSettings, words: str, ask: Ask) -> Iterator[tuple[str, str]]:
    reader = ask.words
    yield "Bank", words
    yield "A phase lasts at least", f"{reader.number(table.dwell_seconds, 0)} s"
    yield "A cycle takes at least", f"{reader.number(100 * table.minimum_swing, 1)} % of the rated Ah"
    yield "Limits of your own", reader.number(len({one.name for one in table.limits}), 0)
    yield "Readings are committed", f"every {reader.number(ask.site.record.commit_seconds, 0)} s"
    yield "Single readings are kept", f"{ask.site.record.raw_days} days"
    yield "Minutes are kept", f"{ask.site.record.minute_days} days"


ROUTES: tuple[Route, ...] = (Route("/bank/{bank}/limits", _limits, Need.READER),)
