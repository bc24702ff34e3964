"""A pseudo-terminal that stands for a serial port. It has no speed, no parity and no plug of its own."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Callable
from pathlib import Path


class PseudoTerminal:
    """The instrument's side of a serial port; `path` is what the client opens.

    `link`, if given, is a path that leads to the port, so that it keeps its name when it is unplugged and plugged in.
    """

    def __init__(self, link: Path | None = None) -> None:
        self._link = link
        self._ours: int | None = None
        self._theirs: int | None = None
        self._path = ""

    def open(self, received: Callable[[bytes], None] | None = None) -> None:
        """Create the port; `received` is called with the bytes that the client sends."""
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self._path = os.ttyname(self._theirs)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
            self._link.symlink_to(self._path)
        if received is not None:
            asyncio.get_running_loop().add_reader(self._ours, self._read, received)

    def close(self) -> None:
        """Unplug: a client that holds the port open is told by its next read."""
        if self._ours is None or self._theirs is None:
            return
        asyncio.get_running_loop().remove_reader(self._ours)
        os.close(self._ours)
        os.close(self._theirs)
        self._ours = self._theirs = None
        if self._link is not None:
            self._link.unlink(missing_ok=True)

    @property
    def path(self) -> str:
        """Raises RuntimeError while the port is not open."""
        if self._ours is None:
            raise RuntimeError("the serial port is not open")
        return str(self._link) if self._link is not None else self._path

    def send(self, data: bytes) -> None:
        """Send to the client. What does not fit because nobody reads is lost, as on a wire."""
        if self._ours is None:
            return
        try:
            os.write(self._ours, data)
        except BlockingIOError:
            return

    def _read(self, received: Callable[[bytes], None]) -> None:
        assert self._ours is not None
        received(os.read(self._ours, 4096))
