"""A Modbus line whose unit is a recording: pymodbus frames what goes out and reads what came, and no port is opened."""

from __future__ import annotations

from collections.abc import Callable

from pymodbus.client import ModbusSerialClient, ModbusTcpClient

from drivers.conversation import Exchange
from drivers.modbus_line import ModbusLine, SerialPort, TcpPort
from drivers.recorded import failure_of
from drivers.score import Score
from drivers.timing import Clock

#: Bytes of a TCP frame that only count messages (Modbus Messaging on TCP/IP V1.0b, 3.1.3, from memory, not seen).
_IDENTIFIER = 2


class RecordedModbusLine(ModbusLine):
    """A line to the unit of a recording; ``over_tcp`` says how its messages were framed."""

    def __init__(
        self,
        score: Score,
        unit: int,
        instrument: str,
        resource: str,
        clock: Clock,
        on_exchange: Callable[[Exchange], None] | None = None,
        *,
        over_tcp: bool = True,
    ) -> None:
        self._score = score
        nowhere = TcpPort("127.0.0.1", 0, unit) if over_tcp else SerialPort("", 9600, "N", 1, unit)
        super().__init__(nowhere, instrument, resource, 1.0, clock, on_exchange)

    def _client_for(self, address: TcpPort | SerialPort, timeout_s: float) -> object:
        if isinstance(address, TcpPort):
            return _TcpClient(self._score, self.instrument, self._trace, timeout_s)
        return _SerialClient(self._score, self.instrument, self._trace, timeout_s)


class _Played:
    """What both clients have instead of a port. Mixed into pymodbus' own, which call it as they would call theirs."""

    _identifier = 0

    def _begin(self, score: Score, instrument: str) -> None:
        self._score = score
        self._instrument = instrument
        self._answer = b""

    @property
    def connected(self) -> bool:
        return True

    def connect(self) -> bool:
        due = self._score.due(self._instrument)
        if due is not None and due.error is not None and not due.sent:
            self._score.take(self._instrument, b"")
            raise failure_of(due.error)
        return True

    def close(self) -> None:
        self._answer = b""

    def is_socket_open(self) -> bool:
        return True

    def send(self, request: bytes, addr: tuple[str, int] | None = None) -> int:
        taken = self._score.take(self._instrument, request)
        if taken.error is not None:
            raise failure_of(taken.error)
        received = taken.received or b""
        self._answer = request[: self._identifier] + received[self._identifier :] if received else b""
        return len(request)

    def recv(self, size: int | None) -> bytes:
        answer, self._answer = self._answer, b""
        return answer


class _TcpClient(_Played, ModbusTcpClient):
    _identifier = _IDENTIFIER

    def __init__(self, score: Score, instrument: str, trace: Callable[[bool, bytes], bytes], timeout_s: float) -> None:
        self._begin(score, instrument)
        super().__init__("127.0.0.1", timeout=timeout_s, retries=0, trace_packet=trace)


class _SerialClient(_Played, ModbusSerialClient):
    def __init__(self, score: Score, instrument: str, trace: Callable[[bool, bytes], bytes], timeout_s: float) -> None:
        self._begin(score, instrument)
        # Any name: nothing is opened.
        super().__init__("recording", timeout=timeout_s, retries=0, trace_packet=trace)
