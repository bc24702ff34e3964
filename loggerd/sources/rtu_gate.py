"""The gate of an RS-485 line: no answer is taken for the answer to another request.

Theory of operation. An RTU answer carries nothing that ties it to its request. If a request was not answered
in time, its answer may still come, and would look exactly like the answer to the next request of the same
length to the same device. So the gate keeps one rule: **a request is sent only when no earlier answer can
still be under way.**

- The line is in doubt from before a request is sent until its answer is in. Whatever happens in between
  (timeout, damaged or foreign answer, cancelled reading, a fault of the port), the line stays in doubt.
- In doubt, the next request waits until nothing has been heard for `quiet_ms`, the longest that an answer may
  be late. A byte heard begins the silence anew. A line that never falls silent is noise, not answers: the
  wait ends when several times that time have passed.
- A port just opened is in doubt: whoever had it before may have asked something. Only when the kernel says
  that nothing was sent on it for longer than any answer takes is there nothing to wait for.
- What is heard while waiting, or while nobody waits, is thrown away. If it is a whole answer of a device that
  left a request unanswered for longer than the silence kept, answers come later than thought: from then on
  the silence is kept longer, within bounds.
- An answer is used only after the gap that ends a frame, so that what follows it is heard too.
- An exception that says "busy" or "the gateway heard nothing" leaves the line in doubt: the answer may
  follow.
"""

from __future__ import annotations

import asyncio
from collections import deque
from time import monotonic

from loggerd.errors import Absent, Garbled, InstrumentError, Silent
from loggerd.sources.modbus_library import rtu_request
from loggerd.sources.rtu_frames import STRAY_BYTES, Heard, hear, split_frames
from loggerd.sources.rtu_port import RtuConnection, RtuPort
from loggerd.sources.wire import Answer, ExceptionAnswer, Request

_LONGEST_DOUBT = 4
"""Times the quiet time after which even a line that is never silent is used again."""
_LEAST_PATIENCE_SECONDS = 1.0
"""With a line on which something is sent all the time; the longest frame takes 0.3 s at 9600 bit/s."""
_AFTER_DISTURBANCE_SECONDS = 0.05
"""Silence wanted after bytes that nobody asked for: adapters hand on what they hear in lumps, up to 16 ms
apart.
"""
_LATEST_SECONDS = 10.0
"""Answers later than this are not thought possible."""
_LATER_THAN_SEEN = 1.25
_LONGEST_LEARNT = 3
"""Times the quiet time of the settings that is kept at most, however late an answer was."""


class RtuWire:
    """Modbus RTU on one serial port, for all devices of the line."""

    def __init__(self, connection: RtuConnection) -> None:
        self._connection = connection
        self._port: RtuPort | None = None
        self._connections = 0
        self._lock = asyncio.Lock()
        self._in_doubt = True
        self._doubt_since = 0.0
        self._timeout_seconds = connection.timeout_ms / 1000
        self._quiet_seconds = connection.quiet_ms / 1000
        self._unanswered: deque[tuple[int, float]] = deque(maxlen=16)
        """Device id and time of requests whose answer may still come, oldest first."""

    @property
    def connections(self) -> int:
        return self._connections

    async def read(self, request: Request) -> Answer:
        async with self._lock:
            port = self._open(request.device)
            if not await self._wait_for_silence(port):
                raise self._unusable(port, request.device)
            characters = 8 + 5 + request.answer_bytes
            deadline = monotonic() + self._timeout_seconds + characters * self._connection.character_seconds
            self._doubt(deadline)
            self._unanswered.append((request.device_id, monotonic()))
            port.send(rtu_request(request), request.device)
            data = await self._listen(port, request, deadline)
            heard = hear(data, request)
            answer = heard.answer if heard.is_believable else None
            if answer is None:
                raise self._failure(port, request, heard, data)
            if not (isinstance(answer, ExceptionAnswer) and answer.answer_may_follow):
                self._in_doubt = False
                self._answered(request.device_id)
            return answer

    async def settle(self) -> None:
        async with self._lock:
            if self._port is not None and self._port.lost_because is None:
                await self._wait_for_silence(self._port)

    async def close(self) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None

    def _open(self, device: str) -> RtuPort:
        if self._port is None or self._port.lost_because is not None:
            self._port = RtuPort(self._connection, device)
            self._connections += 1
            self._doubt(monotonic())
            longest = max(_LATEST_SECONDS, self._timeout_seconds + self._quiet_seconds)
            self._in_doubt = self._port.unused_seconds() < longest
        return self._port

    def _doubt(self, since: float) -> None:
        self._in_doubt = True
        self._doubt_since = since

    async def _wait_for_silence(self, port: RtuPort) -> bool:
        """Wait until a request may be sent, throwing away what is heard. False when the line is never silent."""
        noise_at = monotonic() + max(_LONGEST_DOUBT * self._quiet_seconds, _LEAST_PATIENCE_SECONDS)
        disturbed = self._notice(port)
        while port.lost_because is None:
            heard_at = port.last_byte_at
            until = heard_at + self._connection.gap_seconds
            if monotonic() < noise_at:
                until = max(until, self._silent_until(heard_at, disturbed))
            elif monotonic() > noise_at + _LEAST_PATIENCE_SECONDS:
                return False
            await asyncio.sleep(max(0.0, until - monotonic()))
            # It was a silence only if there is nothing at its end; asking the port also shows what a stalled
            # event loop has not yet seen.
            disturbed |= self._notice(port)
            if port.last_byte_at == heard_at and monotonic() >= self._silent_until(heard_at, disturbed):
                return port.lost_because is None
            if port.last_byte_at == heard_at and monotonic() >= noise_at:
                return port.lost_because is None
        return False

    def _silent_until(self, heard_at: float, disturbed: bool) -> float:
        if self._in_doubt:
            return max(heard_at, self._doubt_since) + self._quiet_seconds
        return heard_at + max(self._connection.gap_seconds, _AFTER_DISTURBANCE_SECONDS if disturbed else 0.0)

    def _notice(self, port: RtuPort) -> bool:
        """Throw away what was heard while nobody waited for it; tell whether it was more than stray bytes."""
        data = port.take()
        if len(data) <= STRAY_BYTES:
            return False
        frames, _ = split_frames(data)
        self._learn_lateness(port, tuple(frame[0] for frame in frames))
        if not self._in_doubt and any(monotonic() - sent < _LATEST_SECONDS for _, sent in self._unanswered):
            self._doubt(monotonic())
        return True

    async def _listen(self, port: RtuPort, request: Request, deadline: float) -> bytes:
        """Collect until the answer is there and its frame has ended, or the time is up."""
        data = b""
        while True:
            await port.wait_for_bytes(deadline)
            late = monotonic() >= deadline
            data += port.take()
            if hear(data, request).answer is not None:
                await asyncio.sleep(self._connection.gap_seconds)
                return data + port.take()
            if late or port.lost_because is not None:
                return data

    def _unusable(self, port: RtuPort, device: str) -> Absent | Garbled:
        if port.lost_because is not None:
            return port.absent(device)
        return Garbled(
            device,
            f"{self._connection.port} is never silent: something sends all the time. "
            "Check the wiring, the line's termination and bias, and whether a second master is on it",
        )

    def _failure(self, port: RtuPort, request: Request, heard: Heard, data: bytes) -> InstrumentError:
        if port.lost_because is not None:
            return port.absent(request.device)
        where = f"device id {request.device_id} on {self._connection.port}"
        if not data or data == rtu_request(request):
            return Silent(request.device, f"{where} gave no answer within {self._connection.timeout_ms} ms")
        if heard.foreign:
            ids = ", ".join(str(device_id) for device_id in sorted(set(heard.foreign)))
            return Garbled(
                request.device, f"{where}: what came is no answer to {request}, but something from device id {ids}"
            )
        return Garbled(request.device, f"{where}: the {len(data)} bytes that came are no whole answer to {request}")

    def _learn_lateness(self, port: RtuPort, device_ids: tuple[int, ...]) -> None:
        """Keep a longer silence when an answer came later than was thought possible, even for the latest
        request.
        """
        for device_id in device_ids:
            lateness = [port.last_byte_at - sent for asked, sent in self._unanswered if asked == device_id][-1:]
            if lateness and self._timeout_seconds + self._quiet_seconds < lateness[0] < _LATEST_SECONDS:
                longest = _LONGEST_LEARNT * self._connection.quiet_ms / 1000
                self._quiet_seconds = min(_LATER_THAN_SEEN * lateness[0], longest)

    def _answered(self, device_id: int) -> None:
        left = [entry for entry in self._unanswered if entry[0] != device_id]
        self._unanswered = deque(left, maxlen=self._unanswered.maxlen)
