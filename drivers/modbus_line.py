"""A line to one Modbus unit over pymodbus; the only module that imports it.

Three rules that must not be broken here:

1. Nothing is sent twice but by us: pymodbus is told to try once. A read is asked once more after a time-out.
2. After any failure the connection is closed, so that a late reply cannot answer the next question.
3. What pymodbus raises or returns becomes one of ``drivers.errors``, and every exchange goes to the hook as the bytes
   that went over the wire, also the ones that failed.

Function codes: 1 coils, 2 discrete inputs, 3 holding and 4 input registers read; 5 one coil, 6 one register, 16 several
registers written (Modbus Application Protocol Specification V1.1b3, 6, from memory, not seen).
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException

from drivers.errors import LinkLost, NotThere, NotUnderstood, Refused, TimedOut
from drivers.messages import Exchange
from drivers.modbus_registers import BitKind, RegisterKind
from drivers.timing import Clock

# Its errors are told as ours; on a terminal they would stand twice.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

#: Codes of an exception reply (V1.1b3, 7, from memory, not seen).
EXCEPTIONS: Final = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledged, not done yet",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target does not respond",
}


@dataclass(frozen=True, slots=True)
class TcpPort:
    """A unit behind a TCP port."""

    host: str
    port: int
    unit: int


@dataclass(frozen=True, slots=True)
class SerialPort:
    """A unit on a serial line; ``parity`` is N, E or O."""

    port: str
    baud: int
    parity: str
    stop_bits: int
    unit: int


class ModbusLine:
    """Reads and writes registers and bits of one unit.

    Args:
        address: Where it is.
        instrument, resource: How errors call it.
        timeout_s: For connecting, and for each reply.
        clock: Dates the exchanges.
        on_exchange: Called after every exchange; None for nobody.
    """

    def __init__(
        self,
        address: TcpPort | SerialPort,
        instrument: str,
        resource: str,
        timeout_s: float,
        clock: Clock,
        on_exchange: Callable[[Exchange], None] | None = None,
    ) -> None:
        self.instrument = instrument
        self._resource = resource
        self._unit = address.unit
        self._clock = clock
        self._on_exchange = on_exchange
        self._count = 0
        self._sent, self._received = b"", b""
        self._was_there = False
        self._reply_outstanding = False
        # Any: pymodbus types what its calls return as the common base of all replies.
        self._client: Any = self._client_for(address, timeout_s)

    def read_words(self, kind: RegisterKind, address: int, count: int) -> tuple[int, ...]:
        """Registers from ``address`` on."""
        read = "read_holding_registers" if kind == "holding" else "read_input_registers"
        words = tuple(self._read(read, address, count).registers)
        if len(words) != count:
            raise self.wrong(f"{len(words)} registers came, asked for were {count} from {address}")
        return words

    def read_bit(self, kind: BitKind, address: int) -> bool:
        """One coil or discrete input."""
        bits = self._read("read_coils" if kind == "coil" else "read_discrete_inputs", address, 1).bits
        if not bits:
            raise self.wrong(f"no bit came, asked for was {address}")
        return bool(bits[0])

    def write_words(self, address: int, words: tuple[int, ...], *, urgent: bool = False) -> None:
        """One holding register or several; urgently: over a new connection, and no reply is awaited."""
        if len(words) == 1:
            self._write("write_register", address, words[0], urgent)
        else:
            self._write("write_registers", address, list(words), urgent)

    def write_bit(self, address: int, *, on: bool, urgent: bool = False) -> None:
        """One coil; ``urgent`` as for registers."""
        self._write("write_coil", address, on, urgent)

    def close(self) -> None:
        """Close; closing twice is harmless."""
        # A connection that cannot be closed is as good as closed.
        with contextlib.suppress(Exception):
            self._client.close()

    def wrong(self, problem: str) -> NotUnderstood:
        """Make the error for a reply that cannot be true."""
        return NotUnderstood(problem, instrument=self.instrument, resource=self._resource)

    def refused(self, text: str, number: int = 0) -> Refused:
        """Make the error for what the unit would not do, or does not hold."""
        return Refused(number, text, instrument=self.instrument, resource=self._resource)

    # --- Below: one exchange

    def _read(self, call: str, address: int, count: int) -> Any:
        try:
            return self._exchange(call, address, count=count)
        except TimedOut:
            return self._exchange(call, address, count=count)

    def _write(self, call: str, address: int, value: object, urgent: bool) -> None:
        if not urgent:
            self._exchange(call, address, value)
            return
        # A gateway that has dropped an idle connection takes a message without a word and loses it.
        self.close()
        self._exchange(call, address, value, no_response_expected=True)

    def _exchange(self, call: str, *values: object, **named: object) -> Any:
        at_s = self._clock.elapsed_s()
        if self._reply_outstanding:
            self.close()  # it must not answer this question
        self._reply_outstanding = bool(named.get("no_response_expected"))
        self._sent, self._received = b"", b""
        try:
            reply = self._call(call, *values, **named)
        except BaseException as error:
            self.close()
            self._note(at_s, f"{type(error).__name__}: {getattr(error, 'problem', error)}")
            raise
        self._note(at_s, None)
        if not self._reply_outstanding and reply.isError():
            code = int(reply.exception_code)
            text = f"Modbus exception {code}, {EXCEPTIONS.get(code, 'not in the specification')}"
            raise self.refused(f"{text}, at {call.replace('_', ' ')} {values[0]}", code)
        return reply

    def _call(self, call: str, *values: object, **named: object) -> Any:
        """One request and its reply, or one of our errors."""
        where = {"instrument": self.instrument, "resource": self._resource}
        try:
            if not self._client.connect():
                kind = LinkLost if self._was_there else NotThere
                raise kind("the connection was refused, or nobody is at this address", **where)
            reply = getattr(self._client, call)(*values, device_id=self._unit, **named)
        except ConnectionException as error:
            raise LinkLost(str(error), **where) from error
        except ModbusException as error:
            raise TimedOut(f"no complete reply in time: {error}", **where) from error
        except OSError as error:
            raise LinkLost(f"{type(error).__name__}: {error}", **where) from error
        except (ValueError, TypeError, IndexError) as error:  # of its decoders, for bytes that are no reply
            raise NotUnderstood(f"{type(error).__name__}: {error}", **where) from error
        self._was_there = True
        return reply

    def _note(self, at_s: float, error: str | None) -> None:
        if self._on_exchange is not None:
            self._count += 1
            duration_s = self._clock.elapsed_s() - at_s
            received = self._received or None
            self._on_exchange(Exchange(self._count, self.instrument, at_s, self._sent, received, duration_s, error))

    def _trace(self, sending: bool, data: bytes) -> bytes:
        """Keep what goes over the wire; pymodbus hands in all that has come of a reply so far."""
        if sending:
            self._sent = data
        else:
            self._received = data
        return data

    def _client_for(self, address: TcpPort | SerialPort, timeout_s: float) -> object:
        if isinstance(address, TcpPort):
            return ModbusTcpClient(
                address.host, port=address.port, timeout=timeout_s, retries=0, trace_packet=self._trace
            )
        return ModbusSerialClient(
            address.port,
            baudrate=address.baud,
            parity=address.parity,
            stopbits=address.stop_bits,
            timeout=timeout_s,
            retries=0,
            trace_packet=self._trace,
        )
