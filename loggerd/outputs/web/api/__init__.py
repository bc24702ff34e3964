"""The interface for programs: one table of endpoints, from which routes, checks, document and page are made."""

from __future__ import annotations

from datetime import timedelta

from starlette.responses import Response

from loggerd.model.access import Need
from loggerd.outputs.web.api import alarms, curve, exports, judged, ledgers, log, site
from loggerd.outputs.web.api.document import document
from loggerd.outputs.web.api.endpoint import BASE, Call, Endpoint
from loggerd.outputs.web.asking import Ask, Route

_USUAL = timedelta(days=30)
"""So much of the past the page offers to take away, unless told otherwise."""


def _document(call: Call) -> dict[str, object]:
    settings = call.ask.site
    return document(ENDPOINTS, settings.site.name, [one.name for one in settings.banks])


ENDPOINTS: tuple[Endpoint, ...] = (
    *site.ENDPOINTS,
    *judged.ENDPOINTS,
    *ledgers.ENDPOINTS,
    *curve.ENDPOINTS,
    *alarms.ENDPOINTS,
    *log.ENDPOINTS,
    *exports.ENDPOINTS,
    Endpoint(
        "document",
        f"{BASE}/openapi.json",
        "This document (OpenAPI 3.1).",
        _document,
        {200: {"type": "object", "required": ["openapi", "info", "paths"]}},
        without_record=True,
    ),
)


def _page(ask: Ask) -> Response:
    today = ask.words.local(ask.clock.wall_ms()).date()
    return ask.page(
        "api.html",
        endpoints=ENDPOINTS,
        base=BASE,
        from_day=(today - _USUAL).isoformat(),
        until_day=(today + timedelta(days=1)).isoformat(),
    )


ROUTES: tuple[Route, ...] = (
    *(one.route() for one in ENDPOINTS),
    Route("/api", _page, Need.READER, without_record=True),
)
