"""ROUTES and STREAMS: every address of the pages and of the interface for programs. Each topic brings its own."""

from __future__ import annotations

from loggerd.outputs.web.asking import Route
from loggerd.outputs.web.streaming import Stream

ROUTES: tuple[Route, ...] = ()

STREAMS: tuple[Stream, ...] = ()
