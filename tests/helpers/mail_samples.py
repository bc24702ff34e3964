"""Alarms, findings and weeks to make mails of."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.alarms.heartbeats import NoticeKind
from loggerd.analysis.findings import FINDINGS
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmKey, AlarmState
from loggerd.model.bank import Bank, BankType
from loggerd.model.finding import Finding, Grade, Quality
from loggerd.model.ledger import Entry, Figure, Instant, LedgerName
from loggerd.outputs.picture import png
from loggerd.settings.texts import load_texts
from loggerd.wording.digest import BankDigest, Digest, compose_digest
from loggerd.wording.digest_figures import DayAmpHours, day_edges, summarise
from loggerd.wording.figure_forms import FIGURE_FORMS
from loggerd.wording.heartbeat import Alive, compose_heartbeat, compose_test
from loggerd.wording.mail import AlarmItem, BankFacts, Mail, Site, compose
from loggerd.wording.reader import Reader
from loggerd.wording.watch import Watch, compose_watch

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
NOW_MS = 1_795_586_700_000
"""Wednesday, 25 November 2026, 06:05 UTC."""
ZONE = ZoneInfo("Europe/Vienna")
BARN = Bank("barn", BankType.FLOODED_ANTIMONY, 1, 8, 3, 225.0, 20.0)
"""48 V: over 60 V only while equalizing."""
CART = Bank("cart", BankType.AGM, 2, 2, 6, 200.0, 20.0)
"""24 V: never over 60 V."""
SITE = Site("Hill farm", {"barn": BankFacts(BARN, 2.58), "cart": BankFacts(CART, 2.45)}, "https://farm.example/loggerd")


def reader(language: str = "en", *, fahrenheit: bool = False) -> Reader:
    return Reader(load_texts(language), ZONE, fahrenheit)


def alarm_of(
    key: AlarmKey,
    *evidence: Figure,
    root: AlarmKey | None = None,
    raised_ms: int = NOW_MS,
    reason: str = "",
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
) -> Alarm:
    """A standing alarm whose state began half an hour before it was raised."""
    raised, since = Instant(1, raised_ms), Instant(1, raised_ms - HOUR_MS // 2)
    return Alarm(key, state, True, None, raised, None, since, root=root, evidence=evidence, reason=reason, told=1)


def raised(alarm: Alarm, *findings: Finding, event: AlarmEvent = AlarmEvent.RAISED, url: str = "") -> AlarmItem:
    """The item that tells of it."""
    assert alarm.raised is not None
    change = AlarmChange(
        alarm.key, alarm.raised, event, AlarmState.NORMAL, alarm.state, "loggerd", "", alarm.root, alarm.evidence
    )
    return AlarmItem(change, alarm, findings, acknowledge_url=url)


def changed(key: AlarmKey, event: AlarmEvent, after: AlarmState, who: str = "loggerd", why: str = "") -> AlarmItem:
    """A change of an alarm that no longer calls for anybody."""
    change = AlarmChange(key, Instant(1, NOW_MS), event, AlarmState.UNACKNOWLEDGED, after, who, why)
    active = event is not AlarmEvent.CLEARED
    return AlarmItem(change, Alarm(key, after, active, raised=Instant(1, NOW_MS - DAY_MS)))


def one_of_each() -> list[AlarmItem]:
    """Every condition once, with every figure that it may carry."""
    extra = tuple(Figure(name, 1.5, 1.0, 2.0) for name in FIGURE_FORMS)
    items = []
    for number, one in enumerate(ALARM_CONDITIONS):
        own = tuple(Figure(name, 12.5, 11.0, 14.0) for name, _ in one.findings)
        bank, subject = ("barn", f"block {1 + number % 8}") if one.findings else ("", "shunt")
        items.append(raised(alarm_of(AlarmKey(bank, one.name, subject), *own, *extra, reason="three rests agree")))
    return items


def finding(name: str, verdict: str, subject: str = "bank", value: float | None = None, half: float = 0.0) -> Finding:
    low, high = (None, None) if value is None or not half else (value - half, value + half)
    return Finding(
        name, subject, verdict, Grade.OBSERVED, "", Instant(1, NOW_MS), value, low, high, quality=Quality.FAIR
    )


SHORT = AlarmKey("barn", "shorted_cell", "block 7")


def short_alarm(language: str = "en", *, fahrenheit: bool = False) -> Mail:
    """A shorted cell, from which an imbalance follows."""
    evidence = Figure("blocks.short", -2.03, -2.08, -1.98)
    short = alarm_of(SHORT, evidence, reason="seen in 3 of 3 rests, 2.03 V")
    found = finding("blocks.short", "shorted_cell", "block 7", -2.03, 0.05)
    follows = alarm_of(AlarmKey("barn", "out_of_balance", "block 7"), root=SHORT)
    items = [raised(short, found, url="https://farm.example/loggerd/seen/8f2c61d0a77b4e1b9c"), raised(follows)]
    return compose(items, SITE, reader(language, fahrenheit=fahrenheit))


def mixed_alarms(language: str = "en", *, fahrenheit: bool = False) -> Mail:
    """Runaway, an empty bank and a silent instrument, and some changes."""
    hot = alarm_of(
        AlarmKey("barn", "runaway", "bank"),
        Figure("heat.runaway", 12.4, 11.9, 12.9),
        reason="current from 4.1 to 5.6 A in 2 h at 56.9 V",
    )
    low = alarm_of(
        AlarmKey("cart", "low_voltage", "bank"), Figure("limits.low_voltage", 1.742, 1.728, 1.756),
        Figure("hours_left", 1.4, 0.8, 2.1), Figure("lowest_volts", 20.6),
    )  # fmt: skip
    silent = alarm_of(AlarmKey("", "device_silent", "shunt"), Figure("silent_minutes", 6.0), reason="no answer in time")
    link, probe = AlarmKey("barn", "high_resistance_link", "link 3"), AlarmKey("barn", "probe_fault", "block_2_celsius")
    items = [
        raised(silent),
        changed(link, AlarmEvent.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "the night watch", "I have seen it"),
        changed(probe, AlarmEvent.CLEARED, AlarmState.RETURNED),
        raised(low),
        raised(hot),
    ]
    return compose(items, SITE, reader(language, fahrenheit=fahrenheit))


def flood(language: str = "en", count: int = 200) -> Mail:
    """Very many alarms at once."""
    keys = [AlarmKey("barn", ALARM_CONDITIONS[number % 35].name, f"block {1 + number}") for number in range(count)]
    return compose([raised(alarm_of(key)) for key in keys], SITE, reader(language))


def cycle(start_ms: int, out: float, into: float) -> Entry:
    def banded(name: str, value: float, share: float = 0.01) -> Figure:
        return Figure(name, value, value * (1 - share), value * (1 + share))

    figures = (
        banded("discharge_amp_hours", out), banded("charge_amp_hours", into), banded("charge_factor", into / out),
        banded("watt_hour_efficiency", 0.81), banded("depth_of_discharge", out / 225),
    )  # fmt: skip
    end = Instant(1, start_ms + 20 * HOUR_MS)
    return Entry(LedgerName.CYCLES, "cycle", Instant(1, start_ms), end, True, figures)


def week() -> Digest:
    """Seven days of the barn; the cart did nothing."""
    edges = day_edges(NOW_MS - 7 * DAY_MS, 7, ZONE)
    outs = (61.2, 48.0, 0.0, 92.6, 88.1, 70.4, 12.3)
    cycles = [cycle(start, out, 1.12 * out) for start, out in zip(edges, outs, strict=False) if out]
    days = tuple(
        DayAmpHours(start, out, 1.12 * out, number in (1, 5), 0.82 if number == 2 else 1.0)
        for number, (start, out) in enumerate(zip(edges, outs, strict=False))
    )
    newest = (
        replace(finding("full_charge.days_since", "fine", value=1.6), since=Instant(1, edges[-1] - 2 * DAY_MS)),
        finding("blocks.spread", "even", value=18.0),
        finding("capacity.observed", "watch", value=191.0, half=9.0),
        finding("quality.record", "fair", value=97.0),
    )
    news = (
        finding("resistance.link", "rising", "link 3", 14.0, 4.0),
        finding("heat.water", "interval", value=31.0, half=12.0),
        finding("meter.temperature", "detached", "block_2_celsius"),
    )
    barn = BankDigest("barn", days, summarise(cycles, edges[0], edges[-1]), newest, news)
    cart = BankDigest("cart", (), summarise((), edges[0], edges[-1]))
    standing = alarm_of(AlarmKey("barn", "probe_fault", "block_2_celsius"), state=AlarmState.ACKNOWLEDGED)
    return Digest(edges[0], edges[-1], 7, (barn, cart), (standing,))


def digest(language: str = "en", *, fahrenheit: bool = False) -> Mail:
    return compose_digest(week(), SITE, reader(language, fahrenheit=fahrenheit), png)


def heartbeat(language: str = "en") -> Mail:
    alive = Alive(NOW_MS, NOW_MS + DAY_MS, NOW_MS - 4_000, 3, 4, 2)
    silent = alarm_of(AlarmKey("", "device_silent", "taps"))
    return compose_heartbeat(alive, [silent], SITE, reader(language))


def watched(kind: NoticeKind, language: str = "en", *, heard: bool = True) -> Mail:
    """What a watcher tells of a site whose sign of life came two days ago, and was due a day ago."""
    heard_ms = NOW_MS - 2 * DAY_MS if heard else None
    late_ms = DAY_MS - 2 * HOUR_MS
    watch = Watch("office", "Hill farm", kind, NOW_MS, late_ms, heard_ms, NOW_MS + DAY_MS, clock_set=False)
    return compose_watch(watch, reader(language))


def every_mail(language: str) -> dict[str, Mail]:
    """One of each kind of mail, and every condition, by name."""
    mails = {
        "short": short_alarm(language),
        "mixed": mixed_alarms(language),
        "flood": flood(language, 30),
        "digest": digest(language),
        "heartbeat": heartbeat(language),
        "test": compose_test(SITE, reader(language)),
        **{kind.value: watched(kind, language) for kind in NoticeKind},
    }
    return mails | {item.change.key.condition: compose([item], SITE, reader(language)) for item in one_of_each()}


VERDICTS = [(spec.name, one.word) for spec in FINDINGS for one in spec.verdicts]
