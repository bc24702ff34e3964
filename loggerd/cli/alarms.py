"""loggerd alarms: what stands, its history, and what keepers say to it."""

from __future__ import annotations

import argparse
import getpass
import json
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from loggerd.cli.arguments import (
    WordsError,
    add_bank,
    add_settings,
    add_span,
    epoch_ms,
    local_text,
    positive,
    verb_parser,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from loggerd.analysis.axis import SessionAxis
    from loggerd.model.alarm import Alarm
    from loggerd.model.ledger import Instant
    from loggerd.settings.site import SiteSettings
    from loggerd.wording.texts import AlarmText

_WIDTH = 92
_DESCRIPTION = """\
Alarms by the terms of ANSI/ISA-18.2 and IEC 62682: each is normal, unacknowledged, acknowledged, returned to normal
unacknowledged, shelved, suppressed by design or out of service. Every change is kept, with who and when.

  loggerd alarms SETTINGS list                    what stands, with what to do; --all also what is hidden
  loggerd alarms SETTINGS acknowledge NAME ...    "seen": by its number in the list, or condition:subject, or all
  loggerd alarms SETTINGS shelve NAME --hours 48  hides it for a time; unshelve ends that
  loggerd alarms SETTINGS remove NAME             takes it out of service; return puts it back
  loggerd alarms SETTINGS history                 every change; --from and --until choose the time"""
_EVENTS = {
    "acknowledge": "acknowledged",
    "shelve": "shelved",
    "unshelve": "unshelved",
    "remove": "taken out of service",
    "return": "returned to service",
}


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    example = 'loggerd alarms site.toml acknowledge "shorted_cell:block 7" --who anna'
    parser = verb_parser(subparsers, "alarms", "show alarms, acknowledge and shelve them", _DESCRIPTION, example)
    add_settings(parser)
    parser.add_argument("what", nargs="?", default="list", choices=("list", *_EVENTS, "history"), help="what to do")
    parser.add_argument("words", metavar="NAME", nargs="*", help="which alarms")
    add_bank(parser, "only alarms of this bank")
    parser.add_argument("--all", action="store_true", help="list also what is shelved, suppressed or out of service")
    parser.add_argument("--hours", type=positive, help="how long to shelve, at most 720")
    parser.add_argument("--why", default="", help="a reason, kept with the change")
    parser.add_argument("--who", metavar="NAME", help="who says so; the login name without it")
    parser.add_argument("--language", default="en", help="language of the texts, en without it")
    parser.add_argument(
        "--wait", metavar="SECONDS", type=positive, default=5.0, help="how long to wait for the service, 5 without it"
    )
    add_span(parser)
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run, late_words="words")


def run(arguments: argparse.Namespace) -> int:
    """Do what was asked. Returns the exit code."""
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    if arguments.what in _EVENTS:
        return _act(arguments, settings)
    return _history(arguments, settings) if arguments.what == "history" else _list(arguments, settings)


# -- looking --


def _stored(settings: SiteSettings, bank: str | None) -> tuple[list[Alarm], dict[int, SessionAxis]]:
    """Alarms that are not normal, the most urgent first, and the time axes."""
    from loggerd.alarms.conditions import condition_of
    from loggerd.model.alarm import AlarmState, Priority
    from loggerd.plans import axes_of
    from loggerd.store.record import RecordReader

    reader = RecordReader.open(Path(settings.record.path))
    try:
        alarms, axes = reader.alarms(), axes_of(reader.sessions())
    finally:
        reader.close()
    order = list(Priority)
    shown = [one for one in alarms if one.state is not AlarmState.NORMAL and bank in (None, one.key.bank)]
    shown.sort(key=lambda one: (order.index(condition_of(one.key.condition).priority), one.key))
    return shown, axes


def _hidden(alarm: Alarm) -> bool:
    from loggerd.wording.standing import HIDDEN

    return alarm.state in HIDDEN


def _shown_text(axes: dict[int, SessionAxis], zone: str) -> Callable[[Instant], str]:
    from loggerd.analysis.axis import shown_ms

    return lambda instant: local_text(shown_ms(axes, instant), zone)


def _list(arguments: argparse.Namespace, settings: SiteSettings) -> int:
    from loggerd.model.alarm_plain import alarm_to_plain
    from loggerd.settings.texts import load_texts

    alarms, axes = _stored(settings, arguments.bank)
    if arguments.json:
        print(json.dumps([alarm_to_plain(one) for one in alarms], ensure_ascii=False, indent=1))
        return 0
    texts = load_texts(arguments.language)
    text = _shown_text(axes, settings.site.timezone)
    if not any(arguments.all or not _hidden(one) for one in alarms):
        print("no alarm stands")
    for number, alarm in enumerate(alarms, 1):
        if arguments.all or not _hidden(alarm):
            _print_alarm(number, alarm, texts.alarm[alarm.key.condition], text)
    hidden = sum(_hidden(one) for one in alarms)
    if hidden and not arguments.all:
        print(f"{hidden} more shelved, suppressed by design or out of service: --all shows them")
    return 0


def _print_alarm(number: int, alarm: Alarm, words: AlarmText, text: Callable[[Instant], str]) -> None:
    from loggerd.alarms.conditions import condition_of

    condition = condition_of(alarm.key.condition)
    place = ", ".join(part for part in (alarm.key.bank, alarm.key.subject) if part and part != "bank")
    _wrapped(f"{number:2d} ", f"{condition.priority.value.upper()}: {words.title} ({place or 'bank'})")
    told = f"{alarm.state.value}, visit: {condition.visit.value}"
    if alarm.raised is not None:
        told += f", raised {text(alarm.raised)}, to be acted on within {condition.respond_hours:g} h"
    _wrapped("   ", told)
    if alarm.since is not None:
        _wrapped("   since ", text(alarm.since))
    if alarm.root is not None:
        _wrapped("   follows from ", f"{alarm.root.condition}:{alarm.root.subject}")
    if alarm.reason:
        _wrapped("   why: ", alarm.reason)
    for one in words.do if alarm.active else ():
        _wrapped("   do: ", one)
    print(f"   name: {alarm.key.condition}:{alarm.key.subject}")


def _history(arguments: argparse.Namespace, settings: SiteSettings) -> int:
    from loggerd.model.alarm_plain import change_to_plain
    from loggerd.plans import axes_of
    from loggerd.store.record import RecordReader

    zone = settings.site.timezone
    reader = RecordReader.open(Path(settings.record.path))
    try:
        span = epoch_ms(arguments.from_time, zone), epoch_ms(arguments.until_time, zone)
        changes = [one.change for one in reader.alarm_changes(*span)]
        axes = axes_of(reader.sessions())
    finally:
        reader.close()
    changes = [one for one in changes if arguments.bank in (None, one.key.bank)]
    if arguments.json:
        print(json.dumps([change_to_plain(one) for one in changes], ensure_ascii=False, indent=1))
        return 0
    text = _shown_text(axes, zone)
    for one in changes:
        place = f"{one.key.bank or 'logger'} {one.key.condition}:{one.key.subject}"
        why = f" ({one.why})" if one.why else ""
        _wrapped(f"{text(one.at)} ", f"{place} {one.event.value} by {one.who}, now {one.after.value}{why}")
    if not changes:
        print("no alarm has changed in that time")
    return 0


# -- acting --


def _act(arguments: argparse.Namespace, settings: SiteSettings) -> int:
    from loggerd.alarms.due import LONGEST_SHELF_HOURS, shelf_end_ms
    from loggerd.clock import SystemClock
    from loggerd.inbox import new_uid
    from loggerd.model.alarm import AlarmEvent, KeeperAction
    from loggerd.taking_in import ALARM_ACTION, Answer, action_body, hand_in

    clock = SystemClock()
    until_ms = None
    if arguments.what == "shelve":
        if arguments.hours is None or arguments.hours > LONGEST_SHELF_HOURS:
            raise WordsError(f"how long? Expected --hours of at most {LONGEST_SHELF_HOURS} (30 days)")
        until_ms = shelf_end_ms(clock.wall_ms(), arguments.hours)
    chosen = _chosen(arguments, settings)
    who = arguments.who or getpass.getuser()
    waiting = False
    for alarm in chosen:
        action = KeeperAction(alarm.key, AlarmEvent(_EVENTS[arguments.what]), who, arguments.why, until_ms)
        answer = hand_in(settings, ALARM_ACTION, new_uid(), action_body(action), clock, arguments.wait)
        waiting = waiting or answer is Answer.WAITING
        print(f"{alarm.key.condition}:{alarm.key.subject}: {arguments.what} {answer.value}")
    if waiting:
        print("the service takes it in at its next commit", file=sys.stderr)
    return 0


def _chosen(arguments: argparse.Namespace, settings: SiteSettings) -> list[Alarm]:
    alarms, _ = _stored(settings, arguments.bank)
    names = {f"{one.key.condition}:{one.key.subject}": one for one in alarms}
    known = ", ".join(names) or "none"
    if not arguments.words:
        raise WordsError(f"which alarm? There are: {known}")
    if arguments.words == ["all"]:
        return [one for one in alarms if not _hidden(one)]
    chosen = []
    for word in arguments.words:
        if word.isdecimal() and 0 < int(word) <= len(alarms):
            chosen.append(alarms[int(word) - 1])
        elif word in names:
            chosen.append(names[word])
        else:
            raise WordsError(f'no alarm "{word}"; there are: {known}')
    return chosen


def _wrapped(first: str, text: str) -> None:
    print("\n".join(textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=" " * max(3, len(first)))))
