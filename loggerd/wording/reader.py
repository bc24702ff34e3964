"""How one keeper reads: language, units, decimal comma, local time; and what is written for that keeper by these."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from loggerd.analysis.findings import spec_of, verdict_of
from loggerd.model.alarm import AlarmKey
from loggerd.model.channels import parse_channel
from loggerd.model.finding import Finding, Grade, Quality
from loggerd.model.ledger import Figure
from loggerd.wording.decimals import carried, fixed
from loggerd.wording.figure_forms import form_of
from loggerd.wording.filling import capital, fill, one_line
from loggerd.wording.findings import told_decimals
from loggerd.wording.texts import AlarmText, Texts

_PLACE = re.compile(r"(string|block|link)[ _]([0-9]{1,4})(?:_(amps|volts|celsius))?\Z")
_SITES = "logger_silent"
_EARLIEST_MS, _LATEST_MS = 0, 4_102_444_800_000


@dataclass(frozen=True)
class Reader:
    """One keeper as a reader. `zone`: the site's. `decimal_comma`: None as is usual in the language."""

    texts: Texts
    zone: tzinfo = UTC
    fahrenheit: bool = False
    decimal_comma: bool | None = None

    def word(self, name: str, /, **places: str) -> str:
        return fill(self.texts.words[name], places)

    # -- numbers --

    def number(self, value: float, decimals: int) -> str:
        text = fixed(value, decimals)
        comma = self.texts.decimal_comma if self.decimal_comma is None else self.decimal_comma
        return text.replace(".", ",") if comma else text

    def amount(self, value: float, unit: str, decimals: int) -> str:
        """A value with its unit, in the units of the keeper: "21.4 °C"."""
        if unit == "°C" and self.fahrenheit:
            unit, value = "°F", 32.0 + 1.8 * value
        elif unit == "K" and self.fahrenheit:
            unit, value = "K as °F", 1.8 * value
        text = self.number(value, decimals)
        if unit == "days" and text == "1":
            unit = "day"
        return f"{text} {self.texts.units[unit]}".rstrip()

    def banded(self, figure: Figure, unit: str, decimals: int) -> str:
        """A figure with its band: "2.03 V (1.98 to 2.08)"; or that it is not known, and in English also why.

        One with a reason and no band is the least that it can be: readings are missing.
        """
        if figure.value is None:
            told = figure.reason and self.texts.english
            return f"{self.word('unknown')} ({figure.reason})" if told else self.word("unknown")
        decimals = carried(decimals, figure.value, figure.low, figure.high)
        value = self.amount(figure.value, unit, decimals)
        if figure.low is None or figure.high is None:
            return self.word("at_least", value=value) if figure.reason else value
        low, high = (self._converted(bound, unit, decimals) for bound in (figure.low, figure.high))
        return self.word("band", value=value, low=low, high=high)

    def _converted(self, bound: float, unit: str, decimals: int) -> str:
        if self.fahrenheit and unit in ("°C", "K"):
            bound = 1.8 * bound + (32.0 if unit == "°C" else 0.0)
        return self.number(bound, decimals)

    def evidence(self, figures: Iterable[Figure]) -> list[tuple[str, str]]:
        """What each figure is called, and the figure with its band; those that have a name for keepers."""
        found = []
        for figure in figures:
            form = form_of(figure.name)
            if form is not None and figure.value is not None and figure.name in self.texts.figures:
                text = self.banded(figure, form.unit, form.decimals)
                found.append((capital(self.texts.figures[figure.name]), text))
        return found

    def values(self, figures: Iterable[Figure]) -> dict[str, str]:
        """Figures without their bands, by name, to be put into sentences."""
        found = {}
        for figure in figures:
            form = form_of(figure.name)
            if form is not None and figure.value is not None:
                decimals = carried(form.decimals, figure.value, figure.low, figure.high)
                found[figure.name] = self.amount(figure.value, form.unit, decimals)
        return found

    # -- time --

    def local(self, at_ms: int) -> datetime:
        """Local time. What lies before 1970 or after 2099, as a clock that was never set tells it, ends there."""
        bounded = min(max(at_ms, _EARLIEST_MS), _LATEST_MS)
        return datetime.fromtimestamp(bounded / 1000, UTC).astimezone(self.zone)

    def instant(self, at_ms: int) -> str:
        """Local time with its offset: "Tue 24 Nov 2026, 14:05 (UTC+01:00)"."""
        at = self.local(at_ms)
        clock = self.word("clock_time", time=f"{at:%H:%M}", zone=_offset(at.utcoffset()))
        return self.word("date_time", clock=clock, **self._calendar(at))

    def date(self, at_ms: int) -> str:
        return self.word("date", **self._calendar(self.local(at_ms)))

    def day(self, at_ms: int) -> str:
        """A day of a week that is told beside: "Tue 24"."""
        at = self.local(at_ms)
        return self.word("day", weekday=self.texts.words["weekdays"].split()[at.weekday()], day=str(at.day))

    def _calendar(self, at: datetime) -> dict[str, str]:
        weekday = self.texts.words["weekdays"].split()[at.weekday()]
        month = self.texts.words["months"].split()[at.month - 1]
        return {"weekday": weekday, "day": str(at.day), "month": month, "year": f"{at.year:04d}"}

    # -- what is spoken of --

    def subject(self, subject: str, key: AlarmKey | None = None) -> str:
        """ "block 7", "the bank", "the temperature of block 3": to stand in a sentence."""
        subjects, channels = self.texts.subjects, self.texts.channels
        if subject in ("bank", "logger", ""):
            return subjects[subject or "bank"]
        if key is not None and not key.bank:
            return fill(subjects["site" if key.condition == _SITES else "device"], {"name": one_line(subject)})
        if match := _PLACE.match(subject):
            number = {"number": str(int(match[2]))}
            return fill(channels[f"{match[1]}_{match[3]}"] if match[3] else subjects[match[1]], number)
        if subject in channels and _is_channel(subject):
            return channels[subject]
        return fill(subjects["channel"], {"name": one_line(subject)})

    def alarm_subject(self, key: AlarmKey) -> str:
        return self.subject(key.subject, key)

    def place(self, key: AlarmKey) -> str:
        """What an alarm is about and where: "block 7, bank barn"; of a whole bank only its name."""
        if not key.bank:
            return self.alarm_subject(key)
        bank = self.word("bank", name=one_line(key.bank))
        return bank if key.subject in ("bank", "") else f"{self.alarm_subject(key)}, {bank}"

    def alarm_text(self, condition: str) -> AlarmText:
        """The texts of a condition; of one that an earlier version knew, no more than its name."""
        text = self.texts.alarm.get(condition)
        return text or AlarmText(condition.replace("_", " "), "{subject}", (), (), (), (), ())

    # -- findings --

    def finding(self, finding: Finding) -> str:
        """What it says, in plain words. Raises KeyError for one that the catalogue does not know."""
        spec, verdict = spec_of(finding.name), verdict_of(finding)
        says = self._says(finding.name).get(finding.verdict, verdict.says)
        value = self.word("unknown")
        if finding.value is not None:
            value = self.amount(finding.value, spec.unit, told_decimals(finding))
        return capital(fill(says, {"subject": self.subject(finding.subject), "value": value}))

    def _says(self, name: str) -> Mapping[str, str]:
        return self.texts.findings.get(name, {})

    def trust(self, finding: Finding) -> str:
        """How far a finding can be trusted, where that is not as usual: its grade, and readings that are not good."""
        # What cannot be told says so itself.
        usual = finding.grade in (Grade.OBSERVED, Grade.CANNOT_TELL)
        words = [] if usual else [self.texts.grades[finding.grade.value]]
        if finding.quality in (Quality.FAIR, Quality.POOR):
            words.append(self.word("readings", quality=self.texts.qualities[finding.quality.value]))
        return ", ".join(words)

    def trusted(self, finding: Finding) -> str:
        """What it says, and how far that can be trusted."""
        says, trust = self.finding(finding), self.trust(finding)
        return f"{says.removesuffix('.')} ({trust})." if trust else says


def _is_channel(name: str) -> bool:
    try:
        parse_channel(name)
    except ValueError:
        return False
    return True


def _offset(offset: timedelta | None) -> str:
    minutes = 0 if offset is None else round(offset.total_seconds() / 60)
    sign = "-" if minutes < 0 else "+"
    return f"UTC{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
