"""loggerd log: the log book of what people did to a bank and measured by hand."""

from __future__ import annotations

import argparse
import getpass
import json
import os
import sys
import textwrap
from typing import TYPE_CHECKING

from loggerd.cli.arguments import (
    WordsError,
    add_bank,
    add_settings,
    add_span,
    chosen_bank,
    epoch_ms,
    local_text,
    positive,
    verb_parser,
)

if TYPE_CHECKING:
    from loggerd.model.log_book import LogEntry
    from loggerd.settings.site import SiteSettings
    from loggerd.store.record import TakenIn

_WIDTH = 92
_DESCRIPTION = """\
The log book: watering, hydrometer rounds, equalizing, blocks swapped, set points changed, readings of a trusted
meter, tests, notes. Findings and alarms know of what is in it, from when it was told. Entries are never changed: a
correction is an entry that names the one it corrects, and both stay visible.

  loggerd log SETTINGS kinds                      what can be told, with names, units and ranges
  loggerd log SETTINGS add KIND name=value ...    a new entry; decimal comma and units are understood
  loggerd log SETTINGS list                       what was told; --csv and --json for other programs
  loggerd log SETTINGS correct UID name=value ... the values named are put right, name= takes one away

such as
  loggerd log site.toml add watering litres="2,5 l" distilled=yes --at 2026-05-01T17:30
  loggerd log site.toml add hydrometer_round cells="1,265 1,260 - 1,238" celsius="77 F" after_full_charge=yes
  loggerd log site.toml add reference_reading channel=amps value="-12.6 A" meter="clamp meter"
  loggerd log site.toml correct 3f2a9c01bd litres=3"""
_EXAMPLE = 'loggerd log site.toml add note text="vent cap of cell 3 was loose" --who anna'


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(subparsers, "log", "write and show the log book", _DESCRIPTION, _EXAMPLE)
    add_settings(parser)
    parser.add_argument("what", choices=tuple(_WHAT), help="what to do")
    parser.add_argument("words", metavar="WORD", nargs="*", help="kind or uid, then name=value as often as needed")
    add_bank(parser, "the bank; not needed where the site has only one; list shows all banks without it")
    parser.add_argument("--at", metavar="TIME", help="when it happened (local time of the site); now without it")
    parser.add_argument("--who", metavar="NAME", help="who tells it; the login name without it")
    parser.add_argument(
        "--wait", metavar="SECONDS", type=positive, default=5.0, help="how long to wait for the service, 5 without it"
    )
    add_span(parser)
    parser.add_argument("--json", action="store_true", help="list as JSON")
    parser.add_argument("--csv", action="store_true", help="list as CSV")
    parser.set_defaults(run=run, late_words="words")


def run(arguments: argparse.Namespace) -> int:
    """Do what was asked. Returns the exit code."""
    return _WHAT[arguments.what](arguments)


def _kinds(arguments: argparse.Namespace) -> int:
    from loggerd.model.log_kinds import LOG_KINDS
    from loggerd.wording.log_book import kinds_lines

    chosen = [one for one in LOG_KINDS if not arguments.words or one.name in arguments.words]
    if not chosen:
        raise WordsError(f"no such kind; there are: {', '.join(one.name for one in LOG_KINDS)}")
    for kind in chosen:
        for line in kinds_lines(kind):
            deep = len(line) - len(line.lstrip())
            print(textwrap.fill(line, _WIDTH, subsequent_indent=" " * (deep + 2)))
    return 0


def _add(arguments: argparse.Namespace) -> int:
    from loggerd.inbox import new_uid
    from loggerd.model.log_book import LogEntry
    from loggerd.model.log_kinds import LOG_KINDS
    from loggerd.model.log_values import check_values
    from loggerd.plans import bank_named
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    bank = chosen_bank(settings, arguments.bank)
    if not arguments.words:
        raise WordsError(f"add what? Expected one of {', '.join(one.name for one in LOG_KINDS)}")
    kind, *words = arguments.words
    given, faults = _given(words)
    checked = check_values(kind, bank_named(settings, bank)[0], given)
    happened = _happened(arguments, settings, faults)
    _refuse([*faults, *checked.faults])
    entry = LogEntry(new_uid(), bank, kind, happened, _who(arguments), checked.data, checked.text)
    return _hand_in(arguments, settings, entry)


def _correct(arguments: argparse.Namespace) -> int:
    from dataclasses import replace

    from loggerd.inbox import new_uid
    from loggerd.model.log_values import check_values, typed_again
    from loggerd.plans import bank_named
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    if not arguments.words:
        raise WordsError("correct which entry? Expected its uid, which `list` shows")
    uid, *words = arguments.words
    former = _entry(settings, uid)
    given, faults = _given(words)
    if not given and arguments.at is None and not faults:
        faults.append("nothing to correct; expected name=value or --at TIME")
    whole = {**typed_again(former.data, former.text), **given}
    left = {name: typed for name, typed in whole.items() if typed.strip() or name not in given}
    known = {bank.name for bank in settings.banks}
    if former.bank not in known:
        raise WordsError(f'entry {former.uid} is of bank "{former.bank}", which the settings do not have any more')
    checked = check_values(former.kind, bank_named(settings, former.bank)[0], left)
    happened = former.happened_at_ms if arguments.at is None else _happened(arguments, settings, faults)
    _refuse([*faults, *checked.faults])
    entry = replace(
        former,
        uid=new_uid(),
        happened_at_ms=happened,
        who=_who(arguments),
        data=checked.data,
        text=checked.text,
        corrects=former.uid,
    )
    return _hand_in(arguments, settings, entry)


def _given(words: list[str]) -> tuple[dict[str, str], list[str]]:
    """What was typed by name, and what is wrong with the words themselves."""
    given: dict[str, str] = {}
    faults = []
    for word in words:
        name, mark, typed = word.partition("=")
        if not mark or not name:
            faults.append(f'"{word}": expected name=value (with quotes around it where there are spaces)')
        elif name in given:
            faults.append(f"{name}: told twice")
        else:
            given[name] = typed
    return given, faults


def _happened(arguments: argparse.Namespace, settings: SiteSettings, faults: list[str]) -> int:
    from loggerd.clock import SystemClock
    from loggerd.model.log_values import happened_fault

    now = SystemClock().wall_ms()
    try:
        told = epoch_ms(arguments.at, settings.site.timezone)
    except WordsError as error:
        faults.append(f"--at: {error}")
        return now
    if told is None:
        return now
    if expected := happened_fault(told, now):
        faults.append(f"--at: found {arguments.at}; expected {expected}")
    return told


def _who(arguments: argparse.Namespace) -> str:
    if arguments.who is not None and arguments.who.strip():
        return str(arguments.who).strip()
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user {os.getuid()}"


def _refuse(faults: list[str]) -> None:
    if faults:
        raise WordsError("\n".join(["this cannot be written down:", *(f"  {fault}" for fault in faults)]))


def _entry(settings: SiteSettings, uid: str) -> LogEntry:
    """The entry whose uid begins so. Raises WordsError, StoreError."""
    found = [taken.entry for taken in _log_of(settings) if taken.entry.uid.startswith(uid)]
    if len(found) != 1:
        what = "no entry" if not found else f"{len(found)} entries"
        raise WordsError(
            f"{what} with a uid that begins with {uid}; see `list` (one that still waits is not there yet)"
        )
    return found[0]


def _log_of(settings: SiteSettings, bank: str | None = None) -> list[TakenIn]:
    from pathlib import Path

    from loggerd.store.record import RecordReader

    reader = RecordReader.open(Path(settings.record.path))
    try:
        return reader.log_entries(bank)
    finally:
        reader.close()


def _hand_in(arguments: argparse.Namespace, settings: SiteSettings, entry: LogEntry) -> int:
    from loggerd.clock import SystemClock
    from loggerd.taking_in import LOG_ENTRY, Answer, hand_in, log_body

    answer = hand_in(settings, LOG_ENTRY, entry.uid, log_body(entry), SystemClock(), arguments.wait)
    _print_entry(settings, entry)
    if answer is Answer.TAKEN_IN:
        print("taken in")
    else:
        print(
            "waiting: the service takes it in at its next commit"
            f" (every {settings.record.commit_seconds:g} s, or when it is started again)"
        )
    return 0


def _print_entry(settings: SiteSettings, entry: LogEntry, instead: str | None = None) -> None:
    from loggerd.plans import bank_named, limits_of
    from loggerd.wording.log_book import entry_words, kind_words, round_words

    when = local_text(entry.happened_at_ms, settings.site.timezone)
    print(f"{when}  {entry.bank}: {kind_words(entry.kind)}  [{entry.uid}, {entry.who}]")
    lines = [entry_words(entry)]
    if entry.kind == "hydrometer_round" and entry.bank in {bank.name for bank in settings.banks}:
        from loggerd.model.hydrometer import judge_round

        limits = limits_of(bank_named(settings, entry.bank)[1]).at(entry.happened_at_ms)
        lines.append(round_words(judge_round(entry, limits), limits["specific_gravity_celsius"]))
    if entry.corrects is not None:
        lines.append(f"corrects {entry.corrects}")
    if instead is not None:
        lines.append(f"does not hold any more: {instead} holds instead")
    for line in lines:
        if line:
            print(textwrap.fill(line, _WIDTH, initial_indent="  ", subsequent_indent="  "))


def _list(arguments: argparse.Namespace) -> int:
    from loggerd.model.log_book import corrections
    from loggerd.outputs.log_book import log_document, write_log_csv
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    bank = None if arguments.bank is None else chosen_bank(settings, arguments.bank)
    zone = settings.site.timezone
    from_ms, until_ms = epoch_ms(arguments.from_time, zone), epoch_ms(arguments.until_time, zone)
    every = _log_of(settings, bank)
    corrected = corrections(taken.entry for taken in every)
    chosen = [taken for taken in every if _within(taken.entry.happened_at_ms, from_ms, until_ms)]
    chosen.sort(key=lambda taken: taken.entry.happened_at_ms)
    if arguments.json:
        print(json.dumps(log_document(chosen, corrected), ensure_ascii=False, indent=1))
    elif arguments.csv:
        write_log_csv(chosen, corrected, sys.stdout)
    else:
        for taken in chosen:
            _print_entry(settings, taken.entry, corrected.get(taken.entry.uid))
        if not chosen:
            print("nothing was written down" + ("" if from_ms is None and until_ms is None else " in that time"))
    return 0


def _within(at_ms: int, from_ms: int | None, until_ms: int | None) -> bool:
    return (from_ms is None or at_ms >= from_ms) and (until_ms is None or at_ms < until_ms)


_WHAT = {"add": _add, "list": _list, "correct": _correct, "kinds": _kinds}
