"""ROUTES and STREAMS: every address of the pages and of the interface for programs. Each topic brings its own."""

from __future__ import annotations

from loggerd.outputs.web import (
    alarm_pages,
    api,
    bank_page,
    curves,
    cycles,
    limits_pages,
    live,
    log_pages,
    logger_page,
    months,
    overview,
)
from loggerd.outputs.web.asking import Route
from loggerd.outputs.web.streaming import Stream

ROUTES: tuple[Route, ...] = (
    *overview.ROUTES,
    *bank_page.ROUTES,
    *cycles.ROUTES,
    *curves.ROUTES,
    *months.ROUTES,
    *alarm_pages.ROUTES,
    *limits_pages.ROUTES,
    *log_pages.ROUTES,
    *logger_page.ROUTES,
    *api.ROUTES,
)

STREAMS: tuple[Stream, ...] = (*live.STREAMS,)
