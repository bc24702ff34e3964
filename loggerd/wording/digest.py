"""The digest of a day or a week: cycles, full charges, spread, capacity, alarms, findings, and a small picture."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from loggerd.analysis.findings import spec_of, verdict_of
from loggerd.model.alarm import Alarm
from loggerd.model.finding import Finding
from loggerd.model.ledger import Figure
from loggerd.wording.alarm_part import Site
from loggerd.wording.details import Details
from loggerd.wording.digest_figures import CycleSummary, DayAmpHours
from loggerd.wording.filling import capital, one_line
from loggerd.wording.heartbeat import how_many, standing_alarms
from loggerd.wording.layout import Element, Facts, Heading, Image, Paragraph, Points, Table, Title
from loggerd.wording.mail import Attachment, Mail, closing, finished
from loggerd.wording.picture import Canvas, bar_chart, most
from loggerd.wording.reader import Reader

MOST_FINDINGS = 12
_DAY_MS = 86_400_000
_WEEK = 7
_LEAST_COVERED = 0.9
_CAPACITY = ("capacity.summary", "capacity.observed")


@dataclass(frozen=True)
class BankDigest:
    """What there is to tell of one bank. `newest`: its findings as they hold; `changed`: those of the digest's time."""

    name: str
    days: tuple[DayAmpHours, ...]
    cycles: CycleSummary
    newest: tuple[Finding, ...] = ()
    changed: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Digest:
    """A digest of so many days, from `start_ms` to `end_ms`."""

    start_ms: int
    end_ms: int
    days: int
    banks: tuple[BankDigest, ...]
    standing: tuple[Alarm, ...] = ()


def compose_digest(digest: Digest, site: Site, reader: Reader, encode: Callable[[Canvas], bytes]) -> Mail:
    """The digest as a mail. `encode` makes a PNG file of a picture; the text says all that it shows."""
    name = one_line(site.name)
    kind = _kind(digest.days, reader)
    details = Details()
    span = reader.word("digest_span", start=reader.date(digest.start_ms), end=reader.date(digest.end_ms - 1))
    elements: list[Element] = [Title(f"{kind}: {name}", "", span)]
    if not site.clock_set:
        elements.append(Paragraph(reader.word("clock")))
    elements.extend(standing_alarms(digest.standing, reader))
    pictures = []
    for number, bank in enumerate(digest.banks, 1):
        elements.append(Title(capital(reader.word("bank", name=one_line(bank.name)))))
        elements.extend(_state(bank, digest.end_ms, reader, details))
        elements.extend(_cycles(bank, reader, details))
        elements.extend(_findings(bank, reader))
        if bank.days:
            image = Image(f"days{number}@loggerd", _alt(bank, reader), reader.word("picture_key"))
            elements.extend([*_days(bank.days, reader), image])
            labels = [str(reader.local(day.start_ms).day) for day in bank.days]
            content = encode(bar_chart(bank.days, labels))
            pictures.append(Attachment(f"days{number}.png", "image/png", content, image.content_id))
    elements.append(Paragraph(reader.word("bands"), small=True))
    elements.extend([*closing(site, reader), *details.at_the_end(reader)])
    return finished(f"{name}: {kind}, {how_many(digest.standing, reader)}", elements, reader, pictures)


def _kind(days: int, reader: Reader) -> str:
    if days in (1, _WEEK):
        return reader.word("digest_week" if days == _WEEK else "digest_day")
    return reader.word("digest_days", count=str(days))


def _state(bank: BankDigest, end_ms: int, reader: Reader, details: Details) -> Iterator[Element]:
    found = {one.name: one for one in bank.newest if one.subject == "bank"}
    capacity = next((name for name in _CAPACITY if name in found and found[name].value is not None), _CAPACITY[0])
    say = _Say(reader, details, bank.name)
    rows = [
        (reader.word("since_full"), _since_full(found.get("full_charge.days_since"), end_ms, say)),
        (reader.word("spread"), _known(found.get("blocks.spread"), say, "spread")),
        (reader.word("capacity"), _known(found.get(capacity), say, "capacity")),
        (reader.word("data"), _covered(found.get("quality.record"), say)),
    ]
    yield Facts(tuple(rows))


@dataclass(frozen=True)
class _Say:
    """How something of a bank is said to a reader, and where its English details go."""

    reader: Reader
    details: Details
    bank: str

    def why(self, word: str, english: str) -> str:
        """A reason, to be said here. `word`: what is spoken of."""
        about = f"{self.reader.word('bank', name=one_line(self.bank))}, {self.reader.word(word)}"
        return self.details.here(self.reader, capital(about), english)

    def figure(self, word: str, figure: Figure, unit: str, decimals: int) -> tuple[str, str]:
        """A row of facts."""
        if figure.value is None:
            self.why(word, figure.reason)
        return self.reader.word(word), self.reader.banded(figure, unit, decimals)


def _since_full(finding: Finding | None, end_ms: int, say: _Say) -> str:
    """Days at the end of the digest; in the words of the finding where it is too long ago, or cannot be told."""
    reader = say.reader
    if finding is None or finding.since is None or verdict_of(finding).weight:
        if finding is None or finding.value is None:
            return _known(finding, say, "since_full")
        return reader.trusted(finding)
    days = reader.number(max(0.0, (end_ms - finding.since.at_ms) / _DAY_MS), 0)
    return reader.word("day_ago") if days == "1" else reader.word("days_ago", count=days)


def _known(finding: Finding | None, say: _Say, word: str) -> str:
    """The figure with its band and how far to trust it; what the finding says and why, where there is none."""
    reader = say.reader
    if finding is None:
        return reader.word("unknown")
    if finding.value is None:
        reason = say.why(word, finding.reason)
        return f"{reader.finding(finding)} {reader.word('reason')}: {reason}" if reason else reader.finding(finding)
    spec = spec_of(finding.name)
    figure = Figure(finding.name, finding.value, finding.low, finding.high)
    told, trust = reader.banded(figure, spec.unit, spec.decimals), reader.trust(finding)
    return f"{told}, {trust}" if trust else told


def _covered(finding: Finding | None, say: _Say) -> str:
    if finding is None or finding.value is None:
        return _known(finding, say, "data")
    return say.reader.word("covered", covered=say.reader.amount(finding.value, "%", 0))


def _cycles(bank: BankDigest, reader: Reader, details: Details) -> Iterator[Element]:
    cycles, say = bank.cycles, _Say(reader, details, bank.name)
    yield Heading(reader.word("cycles"))
    if not cycles.count:
        yield Paragraph(reader.word("no_cycles"))
        return
    mean, deepest = (say.figure("depth", _percent(one), "%", 0)[1] for one in (cycles.mean_depth, cycles.deepest))
    yield Facts(
        (
            (reader.word("count"), str(cycles.count)),
            say.figure("amp_hours_out", cycles.out, "Ah", 1),
            say.figure("amp_hours_in", cycles.into, "Ah", 1),
            say.figure("charge_factor", cycles.charge_factor, "", 3),
            say.figure("efficiency", _percent(cycles.efficiency), "%", 0),
            (reader.word("depth"), reader.word("depth_value", mean=mean, deepest=deepest)),
        )
    )


def _percent(figure: Figure) -> Figure:
    """A share as a percentage."""
    value, low, high = (None if one is None else 100.0 * one for one in (figure.value, figure.low, figure.high))
    return Figure(figure.name, value, low, high, figure.reason)


def _findings(bank: BankDigest, reader: Reader) -> Iterator[Element]:
    yield Heading(reader.word("findings"))
    ranked = sorted(bank.changed, key=lambda one: -verdict_of(one).weight)
    told = [reader.trusted(one) for one in ranked[:MOST_FINDINGS]]
    if len(ranked) > MOST_FINDINGS:
        told.append(reader.word("more", count=str(len(ranked) - MOST_FINDINGS)))
    yield Points(tuple(told) or (reader.word("no_findings"),))


def _days(days: Sequence[DayAmpHours], reader: Reader) -> Iterator[Element]:
    yield Heading(reader.word("days"))
    rows = []
    gaps = False
    for day in days:
        short = day.covered is not None and day.covered < _LEAST_COVERED
        gaps = gaps or short
        name = reader.day(day.start_ms) + (reader.word("gap") if short else "")
        full = reader.word("yes" if day.full else "no")
        rows.append((name, reader.number(day.out, 1), reader.number(day.into, 1), full))
    yield Table(tuple(reader.word(name) for name in ("day_column", "out", "in", "full")), tuple(rows))
    if gaps:
        yield Paragraph(reader.word("gap_note"), small=True)


def _alt(bank: BankDigest, reader: Reader) -> str:
    full = ", ".join(reader.day(day.start_ms) for day in bank.days if day.full)
    return reader.word(
        "picture",
        bank=one_line(bank.name),
        start=reader.day(bank.days[0].start_ms),
        end=reader.day(bank.days[-1].start_ms),
        most=reader.number(most(bank.days), 0),
        full=full or reader.word("picture_none"),
    )
