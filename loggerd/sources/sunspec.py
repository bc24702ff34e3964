"""SunSpec batteries on a Modbus line: the battery base model is looked for once a connection, then read in
one go.
"""

from __future__ import annotations

from dataclasses import dataclass

from loggerd.decoding.sunspec import (
    BASES,
    BATTERY_MODEL,
    BATTERY_WORDS,
    MARKER,
    ModelBlock,
    SunSpecPlace,
    battery_counts,
)
from loggerd.errors import Garbled, Refused, Silent
from loggerd.sources.polling import Reading
from loggerd.sources.wire import ExceptionAnswer, Request, Wire

_MOST_MODELS = 200
"""A longer chain, or one that leaves the address range, is nonsense."""
_LAST_HEADER = 65534


@dataclass(frozen=True)
class SunSpecDevice:
    """A SunSpec battery. `places` are in the order of the device's series."""

    name: str
    device_id: int
    poll_ms: int
    places: tuple[SunSpecPlace, ...]


class SunSpecReader:
    """Reads one SunSpec battery.

    Identifier and length of the model are read with every scan: where they are no longer what was found, the
    scan is refused and the model is looked for again.
    """

    def __init__(self, device: SunSpecDevice, wire: Wire) -> None:
        self._device = device
        self._wire = wire
        self._bases: tuple[int, ...] = BASES
        self._battery: ModelBlock | None = None
        self._found_on_connection = 0

    async def read(self) -> Reading:
        """One scan. Raises InstrumentError."""
        if self._battery is None or self._found_on_connection != self._wire.connections:
            self._battery = await self._find_battery()
            self._found_on_connection = self._wire.connections
        battery = self._battery
        words = await self._words(battery.address, min(2 + battery.length, BATTERY_WORDS))
        if words[:2] != (battery.model, battery.length):
            self._battery = None
            raise Garbled(
                self._device.name,
                f"the SunSpec battery model is no longer at register {battery.address}; looking for it again",
            )
        return Reading(battery_counts(self._device.places, words))

    async def _find_battery(self) -> ModelBlock:
        address = await self._find_chain()
        models: list[int] = []
        while len(models) < _MOST_MODELS and address <= _LAST_HEADER:
            model, length = await self._words(address, 2)
            block = ModelBlock(address, model, length)
            if block.model == BATTERY_MODEL:
                return block
            if block.is_end:
                found = ", ".join(str(number) for number in models) or "none"
                raise Refused(
                    self._device.name,
                    f"it is a SunSpec device without the battery base model ({BATTERY_MODEL}); its models: {found}",
                )
            models.append(block.model)
            address = block.next_address
        raise Garbled(self._device.name, "its chain of SunSpec models has no end")

    async def _find_chain(self) -> int:
        """Address of the first model."""
        for base in self._bases:
            try:
                answer = await self._wire.read(self._request(base, 2))
            except Silent:
                # Some devices do not answer at all for registers they lack: begin with the next base another
                # time, rather than hold the line for one timeout more.
                after = self._bases.index(base) + 1
                self._bases = self._bases[after:] + self._bases[:after]
                raise
            if answer == MARKER:
                return base + 2
            if isinstance(answer, ExceptionAnswer) and not answer.concerns_registers:
                raise answer.refusal(self._request(base, 2))
        places = ", ".join(str(base) for base in BASES)
        raise Refused(self._device.name, f'no SunSpec marker ("SunS") at register {places}: not a SunSpec device?')

    async def _words(self, address: int, count: int) -> tuple[int, ...]:
        request = self._request(address, count)
        answer = await self._wire.read(request)
        if isinstance(answer, ExceptionAnswer):
            raise answer.refusal(request)
        return answer

    def _request(self, address: int, count: int) -> Request:
        return Request(self._device.name, self._device.device_id, "holding", address, count)
