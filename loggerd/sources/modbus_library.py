"""The one module that uses pymodbus, whose interface changes between minor versions.

It gives request frames and answers for serial lines, and the connection for Modbus TCP. Only the four reading
functions are used.
"""

from __future__ import annotations

import logging

from pymodbus import ModbusException
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from loggerd.decoding.registers import Table
from loggerd.errors import Absent, Garbled, Silent
from loggerd.sources.wire import Answer, ExceptionAnswer, Request

_REQUESTS: dict[Table, type[ModbusPDU]] = {
    "coil": ReadCoilsRequest,
    "discrete": ReadDiscreteInputsRequest,
    "holding": ReadHoldingRegistersRequest,
    "input": ReadInputRegistersRequest,
}
_HEADER_BYTES = 7
_SILENT_BEFORE_RECONNECT = 2
"""Unanswered requests in a row after which the connection itself is doubted (a peer that is gone leaves it
open).
"""

_decoder = DecodePDU(is_server=False)
_framer = FramerRTU(_decoder)


def rtu_request(request: Request) -> bytes:
    """The request as a frame for a serial line, with its checksum."""
    pdu = _REQUESTS[request.table](dev_id=request.device_id, address=request.address, count=request.count)
    return _framer.buildFrame(pdu)


def checksum(data: bytes) -> bytes:
    """CRC-16 of Modbus over Serial Line, as it is sent: low byte first."""
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


def answer_of(pdu: bytes, request: Request) -> Answer | None:
    """What an answer (function code and data, of any origin) says to a request; None where it is no answer to
    it.
    """
    if len(pdu) == 2 and pdu[0] == request.function | 0x80:
        return ExceptionAnswer(pdu[1])
    if len(pdu) != 2 + request.answer_bytes or pdu[:2] != bytes((request.function, request.answer_bytes)):
        return None
    decoded = _decoder.decode(pdu)
    return None if decoded is None else _values(decoded, request)


def _values(decoded: ModbusPDU, request: Request) -> tuple[int, ...] | None:
    """The values, if there are as many as were asked for. Bits come in whole bytes."""
    bits = request.table in {"coil", "discrete"}
    values = tuple(int(value) for value in (decoded.bits if bits else decoded.registers))
    if len(values) != (8 * request.answer_bytes if bits else request.count):
        return None
    return values[: request.count]


class TcpWire:
    """Modbus TCP: one connection to a host, whose device ids (behind a gateway) are asked in turn.

    Answers carry a transaction number, so a late one is told apart; what it cannot tell apart (a broken
    frame, an answer that does not fit) closes the connection, and the next request begins a new one.
    """

    def __init__(self, host: str, port: int, timeout_ms: int) -> None:
        self._host = host
        self._port = port
        self._timeout_ms = timeout_ms
        self._client: AsyncModbusTcpClient | None = None
        self._connections = 0
        self._silent_in_a_row = 0
        self._broken_frame = False
        # The library would print every timeout; loggerd counts and reports them itself.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

    @property
    def connections(self) -> int:
        return self._connections

    async def read(self, request: Request) -> Answer:
        client = await self._connected(request.device)
        answer: Answer | None = None
        self._broken_frame = False
        sure = False
        try:
            pdu = await self._ask(client, request)
            if pdu is not None:
                answer = self._checked(client, pdu, request)
            sure = answer is not None
        except ModbusException as error:
            sure = self._still_sure(client)
            raise self._failure(client, request) from error
        finally:
            # Also when cancelled from outside: an answer to nobody must not meet the next request.
            if not sure:
                await self.close()
        if answer is None:
            raise Garbled(request.device, f"the answer to {request} from {self._where} does not fit the request")
        self._silent_in_a_row = 0
        return answer

    async def settle(self) -> None:
        """Nothing to wait for: transaction numbers tell late answers apart."""

    async def close(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    @property
    def _where(self) -> str:
        return f"{self._host}:{self._port}"

    async def _connected(self, device: str) -> AsyncModbusTcpClient:
        # A client is never connected twice: each further connect() would leak a descriptor.
        if self._client is not None and self._client.connected:
            return self._client
        await self.close()
        seconds = self._timeout_ms / 1000
        client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            timeout=seconds,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._watch_frames,
        )
        try:
            there = await client.connect()
        except (UnicodeError, OverflowError) as error:
            raise Absent(device, f"{self._where} is no host and port that can be connected to: {error}") from error
        if not there:
            client.close()
            raise Absent(
                device,
                f"no connection to {self._where} within {seconds:g} s: "
                "check its power, its cable, and the host and port in the settings",
            )
        self._client = client
        self._connections += 1
        self._silent_in_a_row = 0
        return client

    async def _ask(self, client: AsyncModbusTcpClient, request: Request) -> ModbusPDU | None:
        address, count, device_id = request.address, request.count, request.device_id
        match request.table:
            case "holding":
                return await client.read_holding_registers(address, count=count, device_id=device_id)
            case "input":
                return await client.read_input_registers(address, count=count, device_id=device_id)
            case "coil":
                return await client.read_coils(address, count=count, device_id=device_id)
            case "discrete":
                return await client.read_discrete_inputs(address, count=count, device_id=device_id)

    @staticmethod
    def _checked(client: AsyncModbusTcpClient, pdu: ModbusPDU, request: Request) -> Answer | None:
        # The library lets an answer with transaction number 0 pass for any request.
        if pdu.transaction_id != client.ctx.request_transaction_id or pdu.dev_id != request.device_id:
            return None
        if pdu.function_code == request.function | 0x80:
            return ExceptionAnswer(pdu.exception_code)
        return _values(pdu, request) if pdu.function_code == request.function else None

    def _still_sure(self, client: AsyncModbusTcpClient) -> bool:
        """Whether the connection may be kept after an unanswered request."""
        self._silent_in_a_row += 1
        half_a_frame = bool(client.ctx.recv_buffer)
        return not (half_a_frame or self._broken_frame or self._silent_in_a_row >= _SILENT_BEFORE_RECONNECT)

    def _failure(self, client: AsyncModbusTcpClient, request: Request) -> Silent | Garbled | Absent:
        if self._broken_frame or client.ctx.recv_buffer:
            return Garbled(request.device, f"{self._where} sent something that is no Modbus TCP answer")
        if not client.connected:
            return Absent(request.device, f"{self._where} closed the connection")
        return Silent(
            request.device,
            f"device id {request.device_id} at {self._where} gave no answer within {self._timeout_ms} ms",
        )

    def _watch_frames(self, sending: bool, data: bytes) -> bytes:
        """Hold back what the library's decoder would stumble over."""
        if not sending and not _frames_are_whole(data):
            self._broken_frame = True
            return b""
        return data


def _frames_are_whole(data: bytes) -> bool:
    """Whether everything received so far can be Modbus TCP answers (the last one perhaps incomplete)."""
    while len(data) > _HEADER_BYTES:
        length = int.from_bytes(data[4:6], "big")
        if data[2:4] != b"\x00\x00" or not 3 <= length <= 254:
            return False
        pdu, data = data[_HEADER_BYTES : 6 + length], data[6 + length :]
        if len(pdu) == length - 1 and not _pdu_is_whole(pdu):
            return False
    return True


def _pdu_is_whole(pdu: bytes) -> bool:
    if pdu[0] & 0x80:
        return len(pdu) == 2
    return pdu[0] in {1, 2, 3, 4} and len(pdu) == 2 + pdu[1] and (pdu[0] <= 2 or pdu[1] % 2 == 0)
