"""The logger: whether it lives, hears its instruments, has room, and can send mail."""

from __future__ import annotations

from pathlib import Path

from starlette.responses import Response

from loggerd.model.access import Need
from loggerd.outputs.web.asking import Ask, Route
from loggerd.outputs.web.logger_views import (
    DAY_MS,
    LAST_MAILS,
    NOT_TOLD,
    clock_rows,
    device_views,
    event_views,
    mail_rows,
    mail_views,
    record_rows,
    service_rows,
    version_rows,
)
from loggerd.status import read_status

_EVENT_DAYS = 7
_MOST_EVENTS = 200


def _logger(ask: Ask) -> Response:
    reader, now_ms = ask.words, ask.clock.wall_ms()
    status = read_status(Path(ask.site.record.path))
    health, series = ask.record.health(), ask.record.series()
    mails = ask.record.last_mails(LAST_MAILS)
    events = ask.record.events(now_ms - _EVENT_DAYS * DAY_MS)
    return ask.page(
        "logger.html",
        service=service_rows(ask, health, status),
        not_told="" if status else NOT_TOLD,
        clock=clock_rows(ask, events, _EVENT_DAYS),
        devices=list(device_views(ask.site, series, status, reader, now_ms)),
        record=record_rows(health, series, status, reader, now_ms),
        mail=mail_rows(ask, mails),
        mails=mail_views(mails, reader),
        versions=version_rows(health, status),
        events=event_views(events, reader, _MOST_EVENTS),
        event_days=_EVENT_DAYS,
        more_events=max(0, len(events) - _MOST_EVENTS),
    )


ROUTES: tuple[Route, ...] = (Route("/logger", _logger, Need.READER),)
