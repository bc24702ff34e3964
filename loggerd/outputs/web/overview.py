"""The site on one screen: a verdict for each bank, and what stands of the logger itself."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import Response

from loggerd.model.access import Need
from loggerd.outputs.web.asking import Ask, Route
from loggerd.outputs.web.bank_page import show_bank
from loggerd.outputs.web.bank_view import loggers_cards, look_at_bank, look_at_site
from loggerd.outputs.web.live_texts import LiveTexts, live_texts
from loggerd.wording.bank_answer import BankAnswer
from loggerd.wording.standing import AlarmCard


@dataclass(frozen=True)
class BankLine:
    """A bank in short: its answer, and its newest readings."""

    name: str
    answer: BankAnswer
    live: LiveTexts


@dataclass(frozen=True)
class SiteView:
    """All banks in the order of the settings, and alarms of the logger and its instruments."""

    banks: tuple[BankLine, ...]
    logger: tuple[AlarmCard, ...]


def site_view(ask: Ask) -> SiteView:
    """Gathers it. Raises StoreError."""
    look = look_at_site(ask)
    banks = []
    for table in ask.site.banks:
        bank = look_at_bank(ask, look, table.name, cycles=False)
        banks.append(BankLine(table.name, bank.answer, live_texts(bank.live, ask.words, look.now_ms)))
    return SiteView(tuple(banks), loggers_cards(ask, look))


def _overview(ask: Ask) -> Response:
    """Of one bank alone its own page."""
    if len(ask.site.banks) == 1:
        return show_bank(ask, ask.site.banks[0].name, "now")
    return ask.page("overview.html", view=site_view(ask), here="now")


ROUTES = (Route("/", _overview, Need.READER),)
