"""The ledgers of a bank, a page at a time."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from typing import Any

from loggerd.analysis.figures import CYCLE_FIGURES, DEPTH_FIGURES, FULL_TO_FULL_FIGURES, PHASE_FIGURES, FigureSpec
from loggerd.model.ledger import LedgerName, PhaseKind
from loggerd.outputs.ledger_json import depth_band_values, entry_values
from loggerd.outputs.web.api.endpoint import BASE, Call, Endpoint
from loggerd.outputs.web.api.looking import PAGED, instants, wish_of
from loggerd.outputs.web.api.schemas import (
    NUMBER,
    TEXT,
    YES_NO,
    ledger_entry,
    maybe,
    paged,
    rows,
    table,
    told,
    words_of,
)
from loggerd.store.record import EntryWish

Schema = dict[str, Any]
_DEPTHS = table({"from_depth": NUMBER, "to_depth": maybe(NUMBER), "cycles": NUMBER, "open_cycles": NUMBER})


def _page(ledger: LedgerName, call: Call) -> dict[str, Any]:
    text = instants(call)
    wish = EntryWish(call.bank, ledger, *wish_of(call).span)
    page = call.ask.record.newest_entries(wish, call.values["limit"], call.values["before"])
    found: dict[str, Any] = {
        "bank": call.bank,
        ledger.value: [{"id": one.id, **entry_values(one.entry, text)} for one in page.entries],
        "before": page.older,
    }
    if ledger is LedgerName.DEPTH_BANDS:
        found["bands"] = depth_band_values(one.entry for one in page.entries)
    return found


def _endpoint(ledger: LedgerName, words: str, catalogue: Iterable[FigureSpec[Any]], more: Schema) -> Endpoint:
    entry = ledger_entry(catalogue, more)
    beside: Schema = {"bank": TEXT}
    if ledger is LedgerName.DEPTH_BANDS:
        beside["bands"] = told(rows(_DEPTHS), "the counted depths of this page in bands of a tenth")
    return Endpoint(
        ledger.value,
        f"{BASE}/banks/{{bank}}/{ledger.value}",
        f"{words} Newest first; what is still under way is not among them.",
        partial(_page, ledger),
        {200: paged(ledger.value, entry, beside)},
        parameters=PAGED,
    )


ENDPOINTS = (
    _endpoint(LedgerName.CYCLES, "Cycles: a discharge and the charge that answers it.", CYCLE_FIGURES, {}),
    _endpoint(
        LedgerName.PHASES,
        "Phases: discharge, rest, charge.",
        PHASE_FIGURES,
        {"kind": words_of(one.value for one in PhaseKind)},
    ),
    _endpoint(
        LedgerName.FULL_TO_FULL,
        "Accounts from one full charge to the next.",
        FULL_TO_FULL_FIGURES,
        {"provisional": YES_NO},
    ),
    _endpoint(LedgerName.DEPTH_BANDS, "Depths of discharge, counted by ASTM E1049.", DEPTH_FIGURES, {}),
)
