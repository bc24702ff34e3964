"""The watcher as a service: looks at the sites, listens, mails, tells the supervisor; ends in order."""

from __future__ import annotations

import logging
import threading
import time

from loggerd.errors import SettingsError, SettingsFault
from loggerd.outputs.heartbeat_listener import HeartbeatListener
from loggerd.outputs.mail_sending import FINAL_SECONDS
from loggerd.settings.watch import WatchSettings
from loggerd.supervisor import tell_supervisor, watchdog_seconds
from loggerd.watching import Watcher

_log = logging.getLogger("loggerd")
LOOK_SECONDS = 1.0
_STOP_SECONDS = 5.0


class WatchService:
    """One watcher's service. `run` returns when `stop` has been called."""

    def __init__(self, settings: WatchSettings, watcher: Watcher) -> None:
        self._settings = settings
        self._watcher = watcher
        self._stop = threading.Event()
        self._turned = time.monotonic()
        self._patience = (settings.mail.timeout_seconds if settings.mail is not None else 0.0) + FINAL_SECONDS + 120.0
        self._mailing = threading.Thread(target=self._mail, name="mailing", daemon=True)

    def stop(self) -> None:
        self._stop.set()

    def run(self) -> None:
        """Run until stopped. Raises SettingsError where it cannot listen, StoreError where its state cannot be held."""
        self._watcher.open()
        listener = self._listener()
        try:
            self._watcher.look()
            if listener is not None:
                listener.start()
            self._mailing.start()
            tell_supervisor("READY=1", f"STATUS={self._status()}")
            self._look_on(listener)
        finally:
            tell_supervisor("STOPPING=1")
            self._stop.set()
            if listener is not None:
                listener.stop()
            if self._mailing.ident is not None:
                self._mailing.join(_STOP_SECONDS)
                self._watcher.give_up()
                self._mailing.join(1.0)
            self._watcher.close()

    def _listener(self) -> HeartbeatListener | None:
        table = self._settings.listen
        if table is None:
            return None
        try:
            return HeartbeatListener(table.host, table.port, self._watcher.take_call)
        except OSError as error:
            self._watcher.close()
            where = f"{table.host}, port {table.port}: nobody can listen there ({error.strerror or error})"
            raise SettingsError(
                [SettingsFault("[listen]", where, "an address and a free port of this machine")]
            ) from error

    def _look_on(self, listener: HeartbeatListener | None) -> None:
        every = watchdog_seconds()
        told = time.monotonic()
        while not self._stop.wait(min(LOOK_SECONDS, every / 3) if every else LOOK_SECONDS):
            self._watcher.look()
            ended = not self._mailing.is_alive() or (listener is not None and not listener.alive())
            # In this order: a thread that was asked to end is no fault.
            if ended and not self._stop.is_set():
                raise RuntimeError("a thread of the watcher came to an end by itself")
            lives = time.monotonic() - self._turned < self._patience
            if every and lives and time.monotonic() - told >= every / 3:
                told = time.monotonic()
                tell_supervisor("WATCHDOG=1", f"STATUS={self._status()}")

    def _status(self) -> str:
        sites = self._watcher.sites()
        silent = sum(one.overdue_ms > 0 for one in sites)
        return f"waiting for {len(sites)} sites, {silent} overdue"

    def _mail(self) -> None:
        while not self._stop.is_set():
            self._turned = time.monotonic()
            # A notice may be made at any time: never sleep for long.
            self._stop.wait(min(self._watcher.turn(), LOOK_SECONDS))
