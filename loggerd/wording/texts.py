"""The texts of one language, as they are read from its file, and which of them there must be."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.analysis.findings import FINDINGS
from loggerd.model.alarm import AlarmEvent, AlarmState, Priority, Visit
from loggerd.model.finding import Grade, Quality
from loggerd.wording.figure_forms import FIGURE_FORMS
from loggerd.wording.filling import places

CAUTIONS = ("hydrogen", "acid", "arc", "over_60_volts", "heat", "lifting", "freezing")
OVER_60_VOLTS = "over_60_volts"
LONGEST_TITLE = 45
_LONG_ADVICE = 6


@dataclass(frozen=True)
class AlarmText:
    """What is said of one alarm condition. `causes` are ranked; `cautions` are names of CAUTIONS."""

    title: str
    what: str
    causes: tuple[str, ...]
    do: tuple[str, ...]
    do_not: tuple[str, ...]
    parts: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        return (self.title, self.what, *self.causes, *self.do, *self.do_not, *self.parts)


@dataclass(frozen=True)
class Texts:
    """All texts of one language. `findings`: sentences by finding and verdict; empty: those of the catalogue hold."""

    code: str
    language: str
    decimal_comma: bool
    words: Mapping[str, str]
    priorities: Mapping[str, str]
    visits: Mapping[str, str]
    states: Mapping[str, str]
    events: Mapping[str, str]
    grades: Mapping[str, str]
    qualities: Mapping[str, str]
    subjects: Mapping[str, str]
    channels: Mapping[str, str]
    units: Mapping[str, str]
    figures: Mapping[str, str]
    cautions: Mapping[str, str]
    alarm: Mapping[str, AlarmText]
    findings: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def english(self) -> bool:
        """Whether sentences of the analysis, which are in English, may stand among these texts."""
        return self.code == "en"


WORDS: dict[str, frozenset[str]] = {
    name: frozenset(fields.split())
    for name, fields in {
        "site": "", "bank": "name", "alarm": "", "alarms": "count", "more": "count", "no_alarms": "", "since": "",
        "raised": "", "act_by": "", "within_hours": "count", "within_days": "count", "visit": "", "seen": "",
        "reason": "", "causes": "", "do": "", "do_not": "", "parts": "", "nothing": "", "caution": "", "see_above": "",
        "follows": "", "follows_from": "title", "readings": "quality",
        "band": "value low high", "at_least": "value", "unknown": "", "governs": "", "acknowledge": "", "page": "",
        "listed": "", "changes": "", "changed": "time title subject event",
        "changed_by": "time title subject event who", "why": "why", "still": "time", "comes_and_goes": "count",
        "clock": "", "clock_time": "time zone", "date_time": "weekday day month year clock",
        "date": "weekday day month year", "day": "weekday day", "digest_day": "",
        "digest_week": "", "digest_days": "count",
        "digest_span": "start end", "days": "", "day_column": "", "out": "", "in": "", "full": "",
        "yes": "", "no": "", "gap": "", "gap_note": "", "cycles": "", "count": "", "amp_hours_out": "",
        "amp_hours_in": "", "charge_factor": "", "efficiency": "", "depth": "", "depth_value": "mean deepest",
        "no_cycles": "", "since_full": "", "day_ago": "", "days_ago": "count",
        "spread": "", "capacity": "", "standing": "", "stands": "title subject state time", "findings": "",
        "no_findings": "", "data": "", "covered": "covered", "picture": "bank start end most full",
        "picture_none": "", "picture_key": "", "bands": "", "heartbeat": "", "heartbeat_alive": "site",
        "heartbeat_next": "time", "last_reading": "", "instruments": "", "instruments_value": "answering all",
        "mail_waiting": "", "none": "", "test": "", "test_text": "site", "weekdays": "", "months": "",
        "details": "", "watch_heard": "", "watch_never": "", "watch_still": "", "watch_back": "",
        "watch_back_text": "site hours", "watch_by": "name", "watch_clock": "",
    }.items()
}  # fmt: skip
"""Every word of [words], and what it must have places for."""

_SUBJECTS = {
    "bank": "", "string": "number", "block": "number", "link": "number", "channel": "name", "device": "name",
    "site": "name", "logger": "",
}  # fmt: skip
_CHANNELS = {
    "volts": "", "amps": "", "mean_amps": "", "ambient_celsius": "", "net_amp_hours": "", "charged_amp_hours": "",
    "discharged_amp_hours": "", "string_amps": "number", "block_volts": "number", "block_celsius": "number",
}  # fmt: skip
_ODD_UNITS = ("°F", "K as °F", "day")


def faults_of(texts: Texts) -> list[str]:
    """What is missing, left over or unfit, in words: "words.since: is missing"."""
    return [*_table_faults(texts), *_alarm_faults(texts), *_finding_faults(texts), *_calendar_faults(texts)]


def _table_faults(texts: Texts) -> list[str]:
    alarmed = {name for one in ALARM_CONDITIONS for name, _ in one.findings}
    units = {one.unit for one in FINDINGS} | {form.unit for form in FIGURE_FORMS.values()} | set(_ODD_UNITS)
    wanted: dict[str, tuple[Mapping[str, str], Mapping[str, frozenset[str]]]] = {
        "words": (texts.words, WORDS),
        "priorities": (texts.priorities, _plain(one.value for one in Priority)),
        "visits": (texts.visits, _plain(one.value for one in Visit)),
        "states": (texts.states, _plain(one.value for one in AlarmState)),
        "events": (texts.events, _plain(one.value for one in AlarmEvent)),
        "grades": (texts.grades, _plain(one.value for one in Grade)),
        "qualities": (texts.qualities, _plain(one.value for one in Quality)),
        "subjects": (texts.subjects, {name: frozenset(words.split()) for name, words in _SUBJECTS.items()}),
        "channels": (texts.channels, {name: frozenset(words.split()) for name, words in _CHANNELS.items()}),
        "units": (texts.units, _plain(units)),
        "figures": (texts.figures, _plain(alarmed | set(FIGURE_FORMS))),
        "cautions": (texts.cautions, _plain(CAUTIONS)),
    }
    return [fault for table, (given, names) in wanted.items() for fault in _compared(table, given, names)]


def _plain(names: Iterable[str]) -> dict[str, frozenset[str]]:
    return dict.fromkeys(names, frozenset[str]())


def _compared(table: str, given: Mapping[str, str], wanted: Mapping[str, frozenset[str]]) -> list[str]:
    faults = [f"{table}.{name}: is missing" for name in wanted if name not in given]
    faults += [f"{table}.{name}: nothing asks for it" for name in given if name not in wanted]
    faults += [
        f"{table}.{name}: must have {{{'}, {'.join(sorted(wanted[name])) or ''}}} and no other places"
        for name, text in given.items()
        if name in wanted and places(text) != wanted[name]
    ]
    return faults


def _alarm_faults(texts: Texts) -> list[str]:
    conditions = {one.name: one for one in ALARM_CONDITIONS}
    faults = [f"alarm.{name}: is missing" for name in conditions if name not in texts.alarm]
    for name, one in texts.alarm.items():
        where = f"alarm.{name}"
        if name not in conditions:
            faults.append(f"{where}: no condition has this name")
            continue
        known = {"subject", *FIGURE_FORMS, *(finding for finding, _ in conditions[name].findings)}
        odd = {place for sentence in one.sentences for place in places(sentence)} - known
        faults += [f"{where}: nothing fills the place {{{place}}}" for place in sorted(odd)]
        faults += [f"{where}.cautions: {caution} is no caution" for caution in one.cautions if caution not in CAUTIONS]
        faults += [
            f"{where}.{part}: says nothing" for part in ("title", "what", "causes", "do") if not getattr(one, part)
        ]
        if "subject" not in places(one.what):
            faults.append(f"{where}.what: must say {{subject}}")
        if len(one.title) > LONGEST_TITLE:
            faults.append(f"{where}.title: is longer than {LONGEST_TITLE} letters")
        if len(one.do) > _LONG_ADVICE:
            faults.append(f"{where}.do: more than {_LONG_ADVICE} steps are not read")
    return faults


def _finding_faults(texts: Texts) -> list[str]:
    if not texts.findings:
        return []
    faults = []
    known = {spec.name: {one.word: places(one.says) for one in spec.verdicts} for spec in FINDINGS}
    for name, verdicts in known.items():
        given = texts.findings.get(name, {})
        faults += [f"findings.{name}.{word}: is missing" for word in verdicts if word not in given]
        faults += [f"findings.{name}.{word}: no finding says this" for word in given if word not in verdicts]
        faults += [
            f"findings.{name}.{word}: has a place that the finding does not fill"
            for word, text in given.items()
            if word in verdicts and not places(text) <= {"subject", "value"}
        ]
    return faults + [f"findings.{name}: no finding has this name" for name in texts.findings if name not in known]


def _calendar_faults(texts: Texts) -> list[str]:
    counts = {"weekdays": 7, "months": 12}
    return [
        f"words.{name}: must be {count} words"
        for name, count in counts.items()
        if name in texts.words and len(texts.words[name].split()) != count
    ]
