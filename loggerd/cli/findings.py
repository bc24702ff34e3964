"""loggerd findings: what the readings say of a bank, in plain words first."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from typing import TYPE_CHECKING

from loggerd.cli.arguments import add_bank, add_settings, add_span, chosen_bank, epoch_ms, verb_parser

if TYPE_CHECKING:
    from loggerd.ledger_view import LedgerView
    from loggerd.model.finding import Finding

_WIDTH = 92


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "findings",
        "say what the readings mean",
        "Says what the readings of a bank mean: what is wrong and what to do, what is right, and what cannot be told.\n"
        "Words first, then the number, then its 95 % band. With --from or --until: all that was found in that time.",
        "loggerd findings site.toml --bank house --why",
    )
    add_settings(parser)
    add_bank(parser)
    add_span(parser)
    parser.add_argument("--why", action="store_true", help="also the reason, the evidence and further figures")
    parser.add_argument("--json", action="store_true", help="everything as JSON")
    parser.add_argument("--revision", type=int, metavar="N", help="as an earlier revision told it")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the findings. Returns the exit code."""
    from loggerd.analysis.findings import newest
    from loggerd.ledger_view import view_ledger
    from loggerd.outputs.findings_json import findings_document
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    bank = chosen_bank(settings, arguments.bank)
    zone = settings.site.timezone
    span = epoch_ms(arguments.from_time, zone), epoch_ms(arguments.until_time, zone)
    view = view_ledger(settings, bank, *span, arguments.revision)
    for note in view.notes:
        print(f"note: {note}", file=sys.stderr)
    now = span == (None, None)
    found = newest(view.findings) if now else list(view.findings)
    if arguments.json:
        print(json.dumps(findings_document(bank, found, view.text), ensure_ascii=False, indent=1))
    elif now:
        _print_now(view, found, zone, why=arguments.why)
    else:
        _print_history(view, found, zone, why=arguments.why)
    return 0


def _print_now(view: LedgerView, found: list[Finding], zone: str, *, why: bool) -> None:
    from loggerd.analysis.findings import ranked, verdict_of
    from loggerd.model.finding import Grade

    print(f"bank {view.bank}")
    if not found:
        print("nothing found yet: findings come with the first charges, discharges and rests")
        return
    wrong = ranked(found)
    rest = [one for one in found if verdict_of(one).weight == 0]
    unknown = [one for one in rest if one.grade is Grade.CANNOT_TELL]
    right = [one for one in rest if one.grade is not Grade.CANNOT_TELL]
    for heading, group in (("To look at", wrong), ("Nothing to act on", right), ("Cannot tell", unknown)):
        if group:
            print(f"\n{heading}")
            for alike in _alike(group, apart=why or group is not right):
                _print_one(view, alike[0], zone, why=why or group is unknown)
                _print_likewise(alike[1:])
    if wrong:
        print("\nThe maker's manual, local codes and whoever is licensed for the work go before this advice.")


def _alike(found: list[Finding], *, apart: bool) -> list[list[Finding]]:
    """Findings that say the same of several subjects together, unless each is wanted by itself."""
    groups: dict[object, list[Finding]] = {}
    for number, finding in enumerate(found):
        groups.setdefault(number if apart else (finding.name, finding.verdict), []).append(finding)
    return list(groups.values())


def _print_likewise(found: list[Finding]) -> None:
    from loggerd.wording.findings import figure_text

    if found:
        told = (f"{one.subject} {figure_text(one)}".strip() for one in found)
        _print_wrapped("  likewise ", "; ".join(told))


def _print_one(view: LedgerView, finding: Finding, zone: str, *, why: bool) -> None:
    from loggerd.analysis.findings import verdict_of
    from loggerd.cli.arguments import local_text
    from loggerd.wording.findings import sentence, told_number, trust_words

    verdict = verdict_of(finding)
    parts = [sentence(finding), told_number(finding), f"[{trust_words(finding)}]"]
    _print_wrapped("- ", " ".join(part for part in parts if part))
    if verdict.weight > 0 and finding.since is not None:
        _print_wrapped("  since ", local_text(view.shown_ms(finding.since), zone))
    for label, words in (("do: ", verdict.do), ("caution: ", verdict.caution)):
        if words and verdict.weight > 0:
            _print_wrapped(f"  {label}", words)
    if why:
        _print_reason(view, finding, zone)


def _print_reason(view: LedgerView, finding: Finding, zone: str) -> None:
    from loggerd.cli.arguments import local_text

    if finding.reason:
        _print_wrapped("  why: ", finding.reason)
    if finding.quality_reason and finding.value is not None:
        _print_wrapped("  readings: ", finding.quality_reason)
    for one in finding.details:
        shown = "-" if one.value is None else f"{one.value:.4g}"
        band = "" if one.low is None or one.high is None else f" ({one.low:.4g} to {one.high:.4g})"
        _print_wrapped("  ", f"{one.name.replace('_', ' ')}: {shown}{band}{' - ' + one.reason if one.reason else ''}")
    for start, end in finding.evidence[-5:]:
        begins, ends = (local_text(view.shown_ms(one), zone) for one in (start, end))
        print(f"  seen {begins} to {ends}")
    print(f"  told {local_text(view.shown_ms(finding.at), zone)}")


def _print_history(view: LedgerView, found: list[Finding], zone: str, *, why: bool) -> None:
    from loggerd.cli.arguments import local_text

    if not found:
        print("nothing was found in that time")
    for finding in found:
        print(local_text(view.shown_ms(finding.at), zone))
        _print_one(view, finding, zone, why=why)


def _print_wrapped(first: str, text: str) -> None:
    print("\n".join(textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=" " * max(2, len(first)))))
