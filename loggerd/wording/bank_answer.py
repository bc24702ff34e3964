"""What a keeper asks of a bank from afar, answered in words: must I go, is it full, which block, what does it hold."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from loggerd.analysis.findings import newest, ranked, verdict_of
from loggerd.model.alarm import Alarm, Visit
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant
from loggerd.wording.ages import age_words, not_heard_words
from loggerd.wording.alarm_part import Site
from loggerd.wording.block_to_watch import BlockToWatch, block_to_watch
from loggerd.wording.digest_figures import CycleSummary
from loggerd.wording.filling import capital, ended, one_line
from loggerd.wording.finding_cards import FindingCard, card, number_of, trust_of
from loggerd.wording.reader import Reader
from loggerd.wording.standing import AlarmCard, cards, put_aside, soonest

CYCLE_DAYS = 30
_TITLES = {
    Visit.NOW: ("now", "Go there now"),
    Visit.WEEK: ("week", "Go there this week"),
    Visit.ROUND: ("round", "No visit for this alone: see to it on the next round"),
}
_WITNESSES = (
    ("capacity.observed", "A discharge down to the end voltage"),
    ("capacity.inferred", "A shorter discharge, stretched to the end"),
    ("capacity.acid_reserve", "What the acid stands for (this is no capacity)"),
    ("capacity.acid_when_full", "How full the acid is when the charge has ended"),
)
_BY = {
    Grade.TESTED: ", by a test",
    Grade.OBSERVED: ", by a discharge down to the end voltage",
    Grade.INFERRED: ", by a shorter discharge, stretched to the end",
}
"""Which witness of capacity the summary goes by."""
_EARLY = (
    "Readings come in, but less than a day of them is judged: what is found comes with the first charges, discharges"
    " and rests."
)
"""A bank without a verdict on its record is not called healthy, whatever few findings it has."""
_LOGGERS_OWN = ("meter.", "quality.")


@dataclass(frozen=True)
class BankKnown:
    """What the record says of a bank. `alarms`: those of this bank, times as they are to be shown. `last_ms`: its
    newest reading, None without any; `silent`: that one is too old to count. `cycles`: of the last CYCLE_DAYS."""

    name: str
    findings: tuple[Finding, ...]
    alarms: tuple[Alarm, ...]
    cycles: CycleSummary | None
    last_ms: int | None
    silent: bool
    now_ms: int
    site: Site
    shown_ms: Callable[[Instant], int]


@dataclass(frozen=True)
class Row:
    """One answer: what it is about, what is to be said first, and what stands behind it."""

    label: str
    says: str
    more: str = ""


@dataclass(frozen=True)
class Verdict:
    """`kind`: now, week, round, watch, none or unknown. `because`: why, a sentence each; `since`: "" if not known."""

    kind: str
    title: str
    because: tuple[str, ...]
    since: str = ""


@dataclass(frozen=True)
class BankAnswer:
    """The answers. `finding`: the weightiest, where no alarm stands. `witnesses` of capacity are never mixed.
    `doubts`: what the logger doubts in itself; `record`: that the record is good, else ""; `unknown`: what cannot
    be told, and what is missing for it."""

    name: str
    verdict: Verdict
    cards: tuple[AlarmCard, ...]
    put_aside: int
    finding: FindingCard | None
    full: Row
    capacity: Row
    witnesses: tuple[Row, ...]
    block: BlockToWatch
    block_row: Row
    cycles: Row
    doubt_row: Row
    doubts: tuple[Row, ...]
    record: str
    unknown: tuple[Row, ...]


def answer_of(known: BankKnown, reader: Reader) -> BankAnswer:
    """The bank's answers for one person."""
    found = newest(known.findings)
    up = cards(known.alarms, found, known.site, reader)
    wrong = ranked(found)
    by_name = {one.name: one for one in found if one.subject == "bank"}
    block = block_to_watch(found, reader)
    doubts, record = tuple(_doubts(found, reader)), _record(found, reader)
    unknown = tuple(_unknown(found, reader))
    return BankAnswer(
        known.name,
        verdict_on(known, up, wrong, reader),
        up,
        put_aside(known.alarms),
        card(wrong[0], reader, known.shown_ms) if wrong and not up else None,
        full_row(by_name, known, reader),
        _capacity(by_name.get("capacity.summary"), reader),
        tuple(_witness(label, by_name[name], known, reader) for name, label in _WITNESSES if name in by_name),
        block,
        _block_row(block),
        _cycles(known.cycles, reader),
        _doubt_row(doubts, unknown, record),
        doubts,
        record,
        unknown,
    )


def verdict_on(known: BankKnown, up: Sequence[AlarmCard], wrong: Sequence[Finding], reader: Reader) -> Verdict:
    """Whether somebody has to go there. Silence is not health: old readings never make "nothing to do"."""
    unheard: tuple[str, ...] = ()
    if known.last_ms is None:
        unheard = ("No reading of this bank is in the record yet.",)
    elif known.silent:
        unheard = (f"The bank was {not_heard_words(reader, known.last_ms)}: what has happened since is not known.",)
    visit = soonest(up)
    if visit is not None:
        kind, title = _TITLES[visit]
        first = next(one for one in up if one.class_of_visit is visit)
        return Verdict(kind, title, (first.says, *unheard), first.since)
    if unheard:
        return Verdict("unknown", "Cannot tell", unheard)
    if wrong:
        since = "" if wrong[0].since is None else reader.instant(known.shown_ms(wrong[0].since))
        return Verdict("watch", "No visit needed; something to watch", (reader.finding(wrong[0]),), since)
    record = next((one for one in known.findings if one.name == "quality.record"), None)
    if record is None:
        return Verdict("unknown", "Cannot tell yet", (_EARLY,))
    return Verdict("none", "Nothing to do", tuple(_calm(known, record, reader)))


def _calm(known: BankKnown, record: Finding, reader: Reader) -> list[str]:
    """Why it can be said that nothing has to be done."""
    assert known.last_ms is not None
    told = sum(one.grade is not Grade.CANNOT_TELL for one in known.findings)
    why = [
        f"No alarm stands, and none of {told} findings is amiss; the last reading came"
        f" {age_words(known.now_ms - known.last_ms)}.",
        reader.finding(record),
    ]
    missing = len(known.findings) - told
    if missing:
        why.append(f"Of {missing} {'thing' if missing == 1 else 'things'} nothing can be told yet.")
    return why


def full_row(by_name: dict[str, Finding], known: BankKnown, reader: Reader) -> Row:
    """Whether the last charge filled it, and when full was last proven."""
    last, days = by_name.get("full_charge.last"), by_name.get("full_charge.days_since")
    says, more = [], []
    if days is not None and days.since is not None:
        at_ms = known.shown_ms(days.since)
        says.append(f"Last proven full {age_words(known.now_ms - at_ms)}.")
        more.append(f"Full was last proven {reader.instant(at_ms)}.")
    elif days is not None:
        says.append(reader.finding(days))
        more.append(f"Told {reader.instant(known.shown_ms(days.at))}.")
    if last is None:
        return Row("Full", " ".join([*says, "No charge has been judged yet."]), " ".join(more))
    says.append(reader.trusted(last))
    more.append(_english(last.reason, reader))
    more.append(f"Told {reader.instant(known.shown_ms(last.at))}.")
    return Row("Full", " ".join(says), _joined(*more))


def _capacity(summary: Finding | None, reader: Reader) -> Row:
    if summary is None:
        return Row("Capacity", "Not known yet.", "A week goes by before anything is said of it.")
    reason = _english(summary.reason, reader)
    says = reader.finding(summary)
    if summary.value is None:
        return Row("Capacity", says, reason)
    band = ""
    if summary.low is not None and summary.high is not None:
        band = f" ({reader.number(summary.low, 0)} to {reader.amount(summary.high, '%', 0)})"
    by = _BY.get(summary.grade, "")
    return Row("Capacity", f"{says.removesuffix('.')}{band}{by}.", _joined(reason, trust_of(summary, reader)))


def _witness(label: str, finding: Finding, known: BankKnown, reader: Reader) -> Row:
    told = number_of(finding, reader) or reader.finding(finding)
    at = f"Told {reader.date(known.shown_ms(finding.at))}."
    return Row(label, told, _joined(_english(finding.reason, reader), trust_of(finding, reader), at))


def _english(text: str, reader: Reader) -> str:
    """A sentence of the analysis, to whoever reads English; "" to others."""
    told = one_line(text)
    return capital(ended(told)) if told and reader.texts.english else ""


def _joined(*parts: str) -> str:
    return " ".join(capital(ended(part)) for part in parts if part)


def _block_row(block: BlockToWatch) -> Row:
    if block.number is None or not block.cause:
        return Row("Block", block.says[0], _joined(*block.says[1:], *block.reasons))
    return Row("Block", f"Watch block {block.number}: {block.cause}.", _joined(*block.says, *block.reasons))


def _cycles(cycles: CycleSummary | None, reader: Reader) -> Row:
    label = "Cycles"
    if cycles is None or not cycles.count:
        return Row(label, f"None was completed in {CYCLE_DAYS} days.")
    mean, deepest = (_percent(one, reader) for one in (cycles.mean_depth, cycles.deepest))
    says = f"{cycles.count} in {CYCLE_DAYS} days, {mean} deep on average, {deepest} at most."
    out = reader.banded(cycles.out, "Ah", 0)
    factor = reader.banded(cycles.charge_factor, "", 2)
    return Row(label, says, f"Depth is told of the rated Ah. Taken out: {out}. Put back for each Ah: {factor}.")


def _percent(figure: Figure, reader: Reader) -> str:
    if figure.value is None:
        return reader.word("unknown")
    return reader.amount(100.0 * figure.value, "%", 0)


def _doubts(found: Sequence[Finding], reader: Reader) -> list[Row]:
    """What the logger doubts in its own readings, the weightiest first."""
    return [
        Row(one.name, reader.trusted(one), verdict_of(one).do)
        for one in ranked(found)
        if one.name.startswith(_LOGGERS_OWN)
    ]


def _record(found: Sequence[Finding], reader: Reader) -> str:
    """How good the record of the last week is; "" before a day of it is there, and where that is doubted."""
    record = next((one for one in found if one.name == "quality.record"), None)
    return "" if record is None or verdict_of(record).weight else reader.finding(record)


def _doubt_row(doubts: Sequence[Row], unknown: Sequence[Row], record: str) -> Row:
    """What the logger doubts and cannot tell, in short."""
    missing = [part for one in unknown for part in (one.says, one.more)]
    if doubts:
        return Row("Doubts", doubts[0].says, _joined(*(one.says for one in doubts[1:]), record, *missing))
    count = len(unknown)
    things = f"{count} {'thing' if count == 1 else 'things'} cannot be told yet"
    if not record:
        says = "How good the readings are cannot be told yet."
    elif count:
        says = f"None of the readings; {things}."
    else:
        says = "None."
    return Row("Doubts", says, _joined(record, *missing))


def _unknown(found: Sequence[Finding], reader: Reader) -> list[Row]:
    """What cannot be told, with why; not what is to be looked at all the same."""
    return [
        Row(one.name, reader.finding(one), _english(one.reason, reader))
        for one in found
        if one.grade is Grade.CANNOT_TELL and not verdict_of(one).weight
    ]
