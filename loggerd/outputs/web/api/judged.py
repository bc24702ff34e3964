"""What is found of a bank: the answer in short, the findings that hold, and what was found before."""

from __future__ import annotations

from typing import Any

from loggerd.analysis.findings import newest, ranked
from loggerd.outputs.alarms_json import alarm_values
from loggerd.outputs.findings_json import finding_values, findings_document
from loggerd.outputs.ledger_json import utc_text
from loggerd.outputs.web.api.endpoint import BASE, Call, Endpoint
from loggerd.outputs.web.api.looking import PAGED, instants, page_of, wish_of
from loggerd.outputs.web.api.schemas import (
    ALARM,
    AT,
    COUNT,
    FINDING,
    TEXT,
    YES_NO,
    maybe,
    paged,
    rows,
    table,
    told,
    words_of,
)
from loggerd.outputs.web.bank_view import look_at_bank, look_at_site
from loggerd.store.record import StoredFinding
from loggerd.wording.bank_answer import Row
from loggerd.wording.standing import stands

_DAYS = "full_charge.days_since"
_SAID = table(
    {
        "says": told(TEXT, "the answer in plain words"),
        "more": TEXT,
        "finding": told(maybe(FINDING), "what it rests on; null where nothing was judged yet"),
    }
)
_VERDICT = table(
    {
        "kind": told(
            words_of(("now", "week", "round", "watch", "none", "unknown")),
            "when somebody has to go there: now, this week, on the next round; watch: no visit, but something to watch",
        ),
        "says": TEXT,
        "because": rows(TEXT),
    }
)


def _answer(call: Call) -> dict[str, Any]:
    """What the page of the bank says first, in data."""
    look = look_at_site(call.ask)
    bank = look_at_bank(call.ask, look, call.bank, cycles=False)
    text, answer, known = instants(call), bank.answer, bank.known
    by_name = {one.name: finding_values(one, text) for one in known.findings if one.subject == "bank"}
    alarms = {one.key: one for one in call.ask.record.alarms()}
    keys = [key for key in dict.fromkeys([one.key for one in answer.cards] + list(alarms)) if key in alarms]
    up = [alarms[key] for key in keys if key.bank in ("", call.bank) and stands(alarms[key])]
    return {
        "bank": call.bank,
        "now": utc_text(known.now_ms),
        "last_reading": None if known.last_ms is None else utc_text(known.last_ms),
        "late": known.silent,
        "verdict": {
            "kind": answer.verdict.kind,
            "says": answer.verdict.title,
            "because": list(answer.verdict.because),
        },
        "alarms": [alarm_values(one, call.ask.words, text) for one in up],
        "alarms_put_aside": answer.put_aside,
        "wrong": [finding_values(one, text) for one in ranked(known.findings)],
        "full": _said(answer.full, by_name.get("full_charge.last")),
        "full_days": by_name.get(_DAYS),
        "capacity": _said(answer.capacity, by_name.get("capacity.summary")),
    }


def _said(row: Row, finding: dict[str, Any] | None) -> dict[str, Any]:
    return {"says": row.says, "more": row.more, "finding": finding}


def _findings(call: Call) -> dict[str, Any]:
    found = newest(one.finding for one in call.ask.record.newest_findings(call.bank))
    return findings_document(call.bank, found, instants(call))


def _history(call: Call) -> dict[str, Any]:
    text = instants(call)

    def values(one: StoredFinding) -> dict[str, Any] | None:
        """None of what another version has told and this one has no words for."""
        return finding_values(one.finding, text) if newest([one.finding]) else None

    found = call.ask.record.pages.findings(call.bank, wish_of(call))
    return {"bank": call.bank, **page_of(call, "findings", found, lambda one: one.id, values)}


ENDPOINTS = (
    Endpoint(
        "answer",
        f"{BASE}/banks/{{bank}}/answer",
        "Is it all right? Alarms that stand, what is wrong, whether it gets full, what it still holds.",
        _answer,
        {
            200: table(
                {
                    "bank": TEXT,
                    "now": AT,
                    "last_reading": maybe(AT),
                    "late": told(YES_NO, "nothing was read lately: what is has not been seen"),
                    "verdict": _VERDICT,
                    "alarms": told(rows(ALARM), "of the bank and of the logger"),
                    "alarms_put_aside": told(COUNT, "that hold, but are shelved, suppressed or out of service"),
                    "wrong": told(rows(FINDING), "what is to be seen to, the weightiest first"),
                    "full": told(_SAID, "whether the last charge filled the bank"),
                    "full_days": told(maybe(FINDING), "days since it was proven full"),
                    "capacity": told(_SAID, "what it holds, as a share of what it is rated at"),
                }
            )
        },
    ),
    Endpoint(
        "findings",
        f"{BASE}/banks/{{bank}}/findings",
        "What the readings say of the bank now.",
        _findings,
        {200: table({"bank": TEXT, "findings": rows(FINDING)})},
    ),
    Endpoint(
        "findings_history",
        f"{BASE}/banks/{{bank}}/findings/history",
        "All that was found, by when it was found, newest first.",
        _history,
        {200: paged("findings", FINDING, {"bank": TEXT})},
        parameters=PAGED,
    ),
)
