"""Letters of the outbox to mails: what they tell is read from the record, and put into the keeper's words."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from loggerd.access.links import CAN_BE_ACKNOWLEDGED, acknowledge_link
from loggerd.analysis.findings import newest
from loggerd.errors import StoreError
from loggerd.model.alarm import Alarm, AlarmEvent, AlarmKey
from loggerd.model.finding import Finding
from loggerd.model.ledger import LedgerName
from loggerd.model.outbox import ItemKind, OutboxItem
from loggerd.outputs.picture import png
from loggerd.outputs.planning import Letter
from loggerd.settings.bank_limits import limits_of_bank
from loggerd.settings.domain import banks
from loggerd.settings.site import SiteSettings
from loggerd.settings.texts import load_texts
from loggerd.store.record import RecordReader
from loggerd.wording.alarm_part import AlarmItem, BankFacts, Site, findings_behind
from loggerd.wording.digest import BankDigest, Digest, compose_digest
from loggerd.wording.digest_figures import day_edges, days_of, summarise
from loggerd.wording.heartbeat import Alive, compose_heartbeat, compose_test, utc_text
from loggerd.wording.mail import Mail, compose
from loggerd.wording.reader import Reader
from loggerd.wording.standing import stands

_log = logging.getLogger("loggerd")

_DAY_MS = 86_400_000
_SILENT = "device_silent"


class Letters:
    """Composes the mails of one site. Thread-safe: keeps nothing but settings."""

    def __init__(self, settings: SiteSettings) -> None:
        self._settings = settings
        self._zone = ZoneInfo(settings.site.timezone)

    def __call__(self, letter: Letter, reader: RecordReader) -> Mail:
        """The words of a letter. Raises StoreError."""
        words = self.words(letter.receiver.name)
        if letter.topic == ItemKind.TEST.value:
            return compose_test(self.site(reader), words)
        if letter.topic == ItemKind.HEARTBEAT.value:
            return compose_heartbeat(self.alive(letter, reader), standing(letter), self.site(reader), words)
        if letter.topic == ItemKind.DIGEST.value:
            return compose_digest(self.digest(letter, reader), self.site(reader), words, png)
        found = {bank.name: self._findings(bank.name, reader) for bank in self._settings.banks}
        items = [item for one in letter.items if (item := _item(one, letter, found)) is not None]
        linked = [replace(item, acknowledge_url=self._acknowledge_url(item.alarm, letter, reader)) for item in items]
        return compose(linked, self.site(reader), words)

    def _acknowledge_url(self, alarm: Alarm, letter: Letter, reader: RecordReader) -> str:
        """Where the receiver can acknowledge an alarm; "" where there is nothing to. No mail is held up by its link."""
        if not self._settings.web.links_in_mails or alarm.state not in CAN_BE_ACKNOWLEDGED:
            return ""
        raised = reader.last_alarm_change(alarm.key, AlarmEvent.RAISED)
        if raised is None:
            return ""
        try:
            return acknowledge_link(self._settings, alarm.key, raised.id, letter.receiver.name, letter.now_ms) or ""
        except StoreError as error:
            _log.warning("a mail to %s has no link to acknowledge: %s", letter.receiver.name, error)
            return ""

    def words(self, keeper: str) -> Reader:
        """The keeper's language and units."""
        one = next((one for one in self._settings.keepers if one.name == keeper), None)
        texts = load_texts(one.language if one is not None else "en")
        return Reader(texts, self._zone, fahrenheit=one is not None and one.units == "fahrenheit")

    def site(self, reader: RecordReader) -> Site:
        """What of the site decides what is said."""
        facts = {}
        for bank, table in zip(banks(self._settings), self._settings.banks, strict=True):
            limits = {one.name: one.in_force(2**62).value for one in limits_of_bank(table)}
            highest = max(limits["equalize_volts_per_cell"], limits["absorption_volts_per_cell"])
            facts[bank.name] = BankFacts(bank, highest)
        unset = any(one.key.condition == "clock_not_set" and one.active for one in reader.alarms())
        return Site(self._settings.site.name, facts, self._settings.web.address or "", clock_set=not unset)

    def alive(self, letter: Letter, reader: RecordReader) -> Alive:
        """How the logger is. The next sign of life is due at the set hour of the next day, local time."""
        silent = {one.key.subject for one in letter.alarms.values() if one.active and one.key.condition == _SILENT}
        devices = [one.name for one in self._settings.devices]
        health = reader.health()
        answering = sum(name not in silent for name in devices)
        return Alive(
            letter.now_ms,
            self._next_ms(letter.now_ms),
            health.last_reading_wall_ms,
            answering,
            len(devices),
            number=max((item.id for item in letter.items), default=0),
        )

    def tell(self, letter: Letter, reader: RecordReader) -> dict[str, Any]:
        """What a webhook is told besides the items."""
        if letter.topic != ItemKind.HEARTBEAT.value:
            return {}
        alive = self.alive(letter, reader)
        return {
            "sent_at": utc_text(alive.at_ms),
            "next_due": utc_text(alive.next_ms),
            "number": alive.number,
            "devices": alive.instruments,
            "devices_answering": alive.answering,
            "alarms_standing": len(standing(letter)),
        }

    def _next_ms(self, now_ms: int) -> int:
        beat = self._settings.heartbeat
        if beat is None:
            return now_ms + _DAY_MS
        hour, minute = (int(part) for part in beat.at.split(":"))
        today = datetime.fromtimestamp(now_ms / 1000, self._zone)
        day = (today + timedelta(days=1)).date()
        due = datetime(day.year, day.month, day.day, hour, minute, tzinfo=self._zone)
        return round(due.timestamp() * 1000)

    def _findings(self, bank: str, reader: RecordReader) -> list[Finding]:
        return newest(one.finding for one in reader.newest_findings(bank))

    def digest(self, letter: Letter, reader: RecordReader, days: int | None = None) -> Digest:
        """What there is to tell of so many whole days before today; None: of as many as the keeper's own digest."""
        if days is None:
            keeper = next((one for one in self._settings.keepers if one.name == letter.receiver.name), None)
            days = 1 if keeper is not None and keeper.digest == "daily" else 7
        end_ms = day_edges(letter.now_ms, 0, self._zone)[0]
        start_ms = day_edges(end_ms - days * _DAY_MS + _DAY_MS // 2, 0, self._zone)[0]
        own = letter.receiver.banks
        chosen = [bank.name for bank in self._settings.banks if own is None or bank.name in own]
        told = tuple(self._bank(name, (start_ms, end_ms), days, reader) for name in chosen)
        return Digest(start_ms, end_ms, days, told, standing(letter))

    def _bank(self, name: str, span: tuple[int, int], days: int, reader: RecordReader) -> BankDigest:
        start_ms, end_ms = span
        cycles = [one.entry for one in reader.entries(name, LedgerName.CYCLES, None, start_ms, end_ms)]
        phases = [one.entry for one in reader.entries(name, LedgerName.PHASES, None, start_ms, end_ms)]
        changed = [one.finding for one in reader.findings(name, None, start_ms, end_ms)]
        full_ms = [one.at.at_ms for one in changed if (one.name, one.verdict) == ("full_charge.last", "full_proven")]
        return BankDigest(
            name,
            tuple(days_of(phases, start_ms, days, self._zone, full_ms)),
            summarise(cycles, start_ms, end_ms),
            tuple(self._findings(name, reader)),
            tuple(newest(changed)),
        )


def standing(letter: Letter) -> tuple[Alarm, ...]:
    """Alarms that stand and concern the receiver."""
    own = letter.receiver.banks
    return tuple(
        alarm
        for key, alarm in sorted(letter.alarms.items())
        if stands(alarm) and (own is None or not key.bank or key.bank in own)
    )


def _item(one: OutboxItem, letter: Letter, found: dict[str, list[Finding]]) -> AlarmItem | None:
    if one.change is None:
        return None
    key = one.change.key
    alarm = letter.alarms.get(key) or Alarm(key)
    behind = findings_behind(alarm, found.get(key.bank, ()))
    return AlarmItem(
        one.change,
        alarm,
        behind,
        tuple(_following(key, letter.alarms.values())),
        escalated=one.kind is not ItemKind.CHANGE,
    )


def _following(key: AlarmKey, alarms: Iterable[Alarm]) -> list[AlarmKey]:
    return sorted(one.key for one in alarms if one.root == key and one.active)
