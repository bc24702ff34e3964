"""A line printer on a pseudo-terminal."""

from __future__ import annotations

import asyncio
import random
from contextlib import suppress
from pathlib import Path
from typing import Any

from simulators.instruments.instrument import Instrument
from simulators.instruments.line_printer import LinePrinter
from simulators.instruments.pseudo_terminal import PseudoTerminal
from simulators.instruments.wire import Readable


class SerialTextWire:
    """Prints the instrument's lines in the site's own time.

    `noise` is the chance that a line has random bytes before it, `half_lines` that it breaks off.
    """

    def __init__(self, instrument: LinePrinter, *, baud: int = 9600, link: Path | None = None, seed: int = 0) -> None:
        self._instrument = instrument
        self._terminal = PseudoTerminal(link)
        self._baud = baud
        self._random = random.Random(seed)
        self._printing: asyncio.Task[None] | None = None
        self.noise = 0.0
        self.half_lines = 0.0

    @property
    def instruments(self) -> tuple[Instrument, ...]:
        return (self._instrument,)

    async def start(self, site: Readable) -> None:
        """See Wire; also plugs in again after `stop`."""
        # The client never writes; what it might send anyway is read away.
        self._terminal.open(lambda _: None)
        self._printing = asyncio.create_task(self._print(site))

    async def stop(self) -> None:
        """See Wire; also what unplugging looks like."""
        if self._printing is not None:
            self._printing.cancel()
            with suppress(asyncio.CancelledError):
                await self._printing
            self._printing = None
        self._terminal.close()

    @property
    def path(self) -> str:
        """The serial port to open."""
        return self._terminal.path

    @property
    def address(self) -> str:
        return f"text lines on {self.path}"

    def connection(self, _instrument: Instrument) -> dict[str, Any]:
        """See Wire."""
        return {"kind": "serial_lines", "port": self.path, "baud": self._baud}

    async def _print(self, site: Readable) -> None:
        while True:
            truth = site.truth(self._instrument.bank)
            if not self._instrument.dead(truth.seconds)[0]:
                self._terminal.send(self._spoilt(self._instrument.line(self._instrument.counts(truth)[0])))
            await site.wait_seconds(self._instrument.poll_seconds)

    def _spoilt(self, line: bytes) -> bytes:
        if self._random.random() < self.half_lines:
            line = line[: self._random.randrange(1, len(line))]
        if self._random.random() < self.noise:
            line = self._random.randbytes(self._random.randrange(1, 8)) + line
        return line
