"""What came in on an RTU line, told apart: our answer, answers that are not ours, the echo of our request,
noise.

RTU frames carry a device id, a function, a length and a checksum, but neither a transaction number nor the
address asked for. So these tests alone do not prove that an answer belongs to a request: that takes the
silence which the gate keeps before it sends.
"""

from __future__ import annotations

from dataclasses import dataclass

from loggerd.sources.modbus_library import answer_of, checksum, rtu_request
from loggerd.sources.wire import Answer, Request

STRAY_BYTES = 3
"""Line drivers that switch on and off make a stray byte or two around a frame. Four bytes could be a frame.
"""
_EXCEPTION_FRAME_BYTES = 5


@dataclass(frozen=True)
class Heard:
    """What an exchange has brought so far.

    `answer` is the answer to the request, if it is there; `foreign` are the device ids of whole answers that
    are not it; `stray` counts bytes that belong to no whole answer.
    """

    answer: Answer | None
    foreign: tuple[int, ...]
    stray: int

    @property
    def is_believable(self) -> bool:
        """Whether the answer may be used: nothing that came with it casts doubt on it."""
        return self.answer is not None and self.stray <= STRAY_BYTES


def hear(data: bytes, request: Request) -> Heard:
    """Judge everything that was received since the request was sent.

    An answer counts only if it is the only one of its device (repetitions of the same bytes apart): of two
    different ones, nobody can say which is the late one. Bytes equal to the request are its echo (two-wire
    adapters repeat what they send). Now and then an answer about coils is made of the very bytes of its
    request; it is then lost, which costs a reading but makes none wrong.
    """
    sent = rtu_request(request)
    frames, stray = split_frames(data.removeprefix(sent))
    frames = [frame for frame in frames if frame != sent]
    ours = {frame for frame in frames if frame[0] == request.device_id}
    foreign = tuple(frame[0] for frame in frames if frame[0] != request.device_id)
    if len(ours) != 1:
        return Heard(None, foreign + (request.device_id,) * len(ours), stray)
    answer = answer_of(ours.pop()[1:-2], request)
    return Heard(answer, foreign if answer is not None else (*foreign, request.device_id), stray)


def split_frames(data: bytes) -> tuple[list[bytes], int]:
    """(whole answer frames, number of bytes between, before and after them)."""
    frames, stray, start = list[bytes](), 0, 0
    while start < len(data):
        frame = _frame_at(data, start)
        if frame is None:
            stray += 1
            start += 1
        else:
            frames.append(frame)
            start += len(frame)
    return frames, stray


def _frame_at(data: bytes, start: int) -> bytes | None:
    """The whole answer frame that begins there: device id, function, length, values, matching checksum."""
    if len(data) - start < _EXCEPTION_FRAME_BYTES:
        return None
    function = data[start + 1]
    if function in {0x81, 0x82, 0x83, 0x84}:
        length = _EXCEPTION_FRAME_BYTES
    elif function in {1, 2, 3, 4}:
        length = _EXCEPTION_FRAME_BYTES + data[start + 2]
    else:
        return None
    frame = data[start : start + length]
    if len(frame) < length or checksum(frame[:-2]) != frame[-2:]:
        return None
    return frame
