"""The page of a bank: answers first, the bank as it stands, newest readings, then the evidence."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import Response

from loggerd.model.access import Need
from loggerd.outputs.web.alarm_views import anchor_of
from loggerd.outputs.web.asking import Ask, Route
from loggerd.outputs.web.bank_view import (
    LOG_DAYS,
    MARK_DAYS,
    BankLook,
    SiteLook,
    compared_blocks,
    log_of_last_days,
    loggers_cards,
    look_at_bank,
    look_at_site,
    marks_of_last_days,
)
from loggerd.outputs.web.live_texts import LiveTexts, live_texts
from loggerd.plans import bank_named
from loggerd.wording.bank_answer import BankAnswer
from loggerd.wording.block_drawing import Drawing, drawing_of
from loggerd.wording.filling import capital, one_line
from loggerd.wording.finding_cards import FindingGroups, grouped
from loggerd.wording.log_book import entry_words, kind_words
from loggerd.wording.standing import AlarmCard


@dataclass(frozen=True)
class LogLine:
    """An entry of the log book: when it happened, what kind, what it says, who told it."""

    when: str
    kind: str
    says: str
    who: str


@dataclass(frozen=True)
class MarkLine:
    """How many readings of a channel were doubted, and why."""

    channel: str
    why: str
    readings: int


@dataclass(frozen=True)
class BankView:
    """All that the page of a bank shows."""

    name: str
    answer: BankAnswer
    logger: tuple[AlarmCard, ...]
    live: LiveTexts
    drawing: Drawing
    findings: FindingGroups
    marks: tuple[MarkLine, ...]
    log: tuple[LogLine, ...]
    over_60_volts: bool


def bank_view(ask: Ask, name: str) -> BankView:
    """Gathers it. Raises StoreError."""
    look = look_at_site(ask)
    bank = look_at_bank(ask, look, name, cycles=True)
    texts = live_texts(bank.live, ask.words, look.now_ms)
    return BankView(
        name,
        bank.answer,
        loggers_cards(ask, look),
        texts,
        _drawing(ask, bank, texts, name),
        grouped(bank.known.findings, ask.words, look.shown_ms),
        tuple(
            MarkLine(capital(ask.words.subject(one.channel)), one.words, one.readings)
            for one in marks_of_last_days(ask, name, look.now_ms)
        ),
        _log(ask, look, name),
        look.site.banks[name].over_60_volts,
    )


def _drawing(ask: Ask, bank: BankLook, texts: LiveTexts, name: str) -> Drawing:
    compared = compared_blocks(ask, name)
    shape, _ = bank_named(ask.site, name)
    watch = bank.answer.block
    return drawing_of(shape, texts.now, compared, watch, ask.words, texts.blocks is not None)


def _log(ask: Ask, look: SiteLook, name: str) -> tuple[LogLine, ...]:
    return tuple(
        LogLine(
            ask.words.instant(one.entry.happened_at_ms),
            kind_words(one.entry.kind),
            one_line(entry_words(one.entry)),
            one_line(one.entry.who),
        )
        for one in log_of_last_days(ask, name, look.now_ms)
    )


def show_bank(ask: Ask, name: str, here: str) -> Response:
    """The page of that bank. `here`: its place in the navigation."""
    view = bank_view(ask, name)
    anchor = anchor_of(view.answer.cards[0].key) if view.answer.cards else ""
    return ask.page(
        "bank_page.html", view=view, bank=name, here=here, mark_days=MARK_DAYS, log_days=LOG_DAYS, anchor=anchor
    )


def _bank(ask: Ask) -> Response:
    return show_bank(ask, ask.bank(), "bank")


ROUTES = (Route("/bank/{bank}", _bank, Need.READER),)
