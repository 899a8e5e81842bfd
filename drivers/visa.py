"""The Link over PyVISA; the only module that imports it.

Three rules that must not be broken here:

1. Whatever PyVISA or the library under it raises becomes one of ``drivers.errors``. Besides ``VisaIOError`` these are
   plain ``OSError`` (a reset socket, no VISA library, an unplugged serial port), ``ValueError`` (no driver package),
   ``NotImplementedError``, ``InvalidSession`` and bare ``Exception`` (no such host); seen with pyvisa 1.16 and
   pyvisa-py 0.8. A caller that catches less dies without switching off.
2. On a raw socket or a serial line nothing discards a late reply, so clearing means closing and opening again. The
   library's own clear is never called there: with pyvisa-py 0.8 it does not return when the peer has closed.
3. The end of a reply is taken from what the line can know. On a socket or a serial line that is a byte, and inside a
   block the count. VXI-11, HiSLIP, USBTMC and GPIB signal END, and there no byte is looked for unless the bench file
   names one.

Reads and writes go to the library's read and write with the session's handle: the resource object above them would
decode, log and set up its warnings once more for each message.
"""

from __future__ import annotations

import contextlib
import socket
from typing import Final

import pyvisa
from pyvisa import errors
from pyvisa.constants import ControlFlow, Parity, SerialTermination, StatusCode, StopBits
from pyvisa.resources import MessageBasedResource, SerialInstrument, TCPIPInstrument, TCPIPSocket

from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, TimedOut
from drivers.link import AS_USUAL, LinkSettings, SerialLine
from drivers.scpi_text import block_length

CHUNK_BYTES: Final = 20 * 1024
"""Most bytes of one read: PyVISA's own default."""

MOST_BYTES: Final = 1 << 20
"""Longest reply: each read has a time-out of its own, so an instrument that babbles would be read for ever."""

_MORE_TO_COME: Final = StatusCode.success_max_count_read
_ENDED_BY_MESSAGE: Final = StatusCode.success
_READ_AND_OPEN: Final = (StatusCode.success_termination_character_read, StatusCode.success_max_count_read)
#: pyvisa-py says of a serial line that the message has ended where only the byte has come that ends it.
_READ_AND_OPEN_SERIAL: Final = (*_READ_AND_OPEN, StatusCode.success)

_NOT_THERE: Final = {
    StatusCode.error_resource_not_found: "no such resource",
    StatusCode.error_invalid_resource_name: "this is not a VISA resource string",
    StatusCode.error_no_listeners: "no instrument listens at this address",
    StatusCode.error_resource_busy: "another program uses it",
    StatusCode.error_resource_locked: "another program has locked it",
    StatusCode.error_library_not_found: "the VISA library lacks a part that this resource needs",
    StatusCode.error_interface_number_not_configured: "the VISA library has no interface of this number",
}
_REFUSED: Final = "the connection was refused"
#: Beginning of a resource string → what pyvisa-py needs for it and how it comes onto the machine.
_DRIVER_PACKAGES: Final = {
    "ASRL": "pip install 'nightbench[serial]' brings pyserial",
    "USB": "pip install pyusb libusb-package; a libusb of the system serves too",
    "GPIB": "pip install gpib-ctypes, beside the adapter's own driver",
}
_DAMAGED: Final = {
    StatusCode.error_serial_framing: "the reply has a framing error",
    StatusCode.error_serial_overrun: "the reply has lost bytes to an overrun",
    StatusCode.error_serial_parity: "the reply has a parity error",
}
_PARITY: Final = {"none": Parity.none, "odd": Parity.odd, "even": Parity.even}
_STOP_BITS: Final = {1: StopBits.one, 2: StopBits.two}
_FLOW_CONTROL: Final = {
    "none": ControlFlow.none,
    "XON/XOFF": ControlFlow.xon_xoff,
    "RTS/CTS": ControlFlow.rts_cts,
    "DTR/DSR": ControlFlow.dtr_dsr,
}


def resource_manager(library: str) -> pyvisa.ResourceManager:
    """Load a VISA library.

    Args:
        library: As PyVISA takes it: ``@py``, ``@sim``, a path, or empty for the system's own.

    Raises:
        NotThere: There is no such library.
    """
    try:
        return pyvisa.ResourceManager(library)
    except Exception as error:
        raise NotThere(f"VISA library {library or 'of this system'!r}: {_said(error)}") from error


def open_resource(
    manager: pyvisa.ResourceManager, resource: str, timeout_s: float, settings: LinkSettings = AS_USUAL
) -> VisaLink:
    """Open a line to an instrument. Opening is no proof of life: ask for its identity at once.

    Args:
        manager: A loaded VISA library.
        resource: VISA resource string of a message-based instrument.
        timeout_s: Time to wait for a reply when the caller names no other; at least 1 ms.
        settings: How messages end, how long opening may take, and how a serial line is set.

    Raises:
        NotThere: It cannot be opened.
    """
    return VisaLink(manager, resource, timeout_s, settings)


class VisaLink:
    """A line to one instrument through VISA."""

    def __init__(
        self, manager: pyvisa.ResourceManager, resource: str, timeout_s: float, settings: LinkSettings = AS_USUAL
    ) -> None:
        if timeout_s < 0.001:
            raise ValueError(f"a time-out of {timeout_s} s is shorter than the millisecond that VISA counts in")
        self._manager = manager
        self._name = resource
        self._timeout_s = timeout_s
        self._settings = settings
        self._terminator = settings.terminator
        self._open()

    @property
    def resource(self) -> str:
        """Resource string, as it was given."""
        return self._name

    def send(self, data: bytes) -> None:
        """Send one program message; its terminator is added here."""
        message = data + self._terminator
        try:
            count, status = self._write(self._session, message)
        except Exception as error:
            raise self._translated(error) from error
        if status < 0:
            raise self._translated(errors.VisaIOError(status))
        if count != len(message):
            raise LinkLost(f"{count} of {len(message)} bytes were sent", resource=self._name)

    def receive(self, timeout_s: float | None = None) -> bytes:
        """Receive one response message without its terminator; a definite-length block comes whole."""
        wanted_s = self._timeout_s if timeout_s is None else timeout_s
        try:
            if wanted_s != self._set_timeout_s:
                self._set_timeout(wanted_s)
            data, status = self._read(self._session, self._chunk_bytes)
            if data[:1] == b"#":
                data, status = self._whole_block(data, status)
            while status == _MORE_TO_COME and len(data) <= MOST_BYTES:
                more, status = self._read(self._session, self._chunk_bytes)
                data += more
        except Exception as error:
            raise self._translated(error) from error
        if status < 0:
            raise self._translated(errors.VisaIOError(status))
        if len(data) > MOST_BYTES:
            raise NotUnderstood(f"more than {MOST_BYTES} bytes without an end", resource=self._name)
        return bytes(data).removesuffix(self._ends_reply)

    def _whole_block(self, data: bytes, status: StatusCode) -> tuple[bytes, StatusCode]:
        """Go on reading while terminators are content: a read stops at each of them, and the count tells the last.

        A read never takes more than the rest of this message, since the byte that ends it also ends the read. Where
        the line signals its end no byte stops a read, and only what follows the content is looked at.
        """
        length = block_length(data)
        if length is None:
            return data, status
        last = self._ends_reply[-1:]
        while (
            self._stops_at_byte
            and len(data) <= MOST_BYTES
            and status in self._read_and_open
            and (len(data) <= length or data[-1:] != last)
        ):
            more, status = self._read(self._session, self._chunk_bytes)
            if not more:  # HiSLIP in pyvisa-py calls its END a byte, and has nothing more to give
                break
            data += more
        while status == _MORE_TO_COME and len(data) <= MOST_BYTES and not self._stops_at_byte:
            more, status = self._read(self._session, self._chunk_bytes)
            data += more
        if not data[length:].strip():  # CR before the newline is white space (IEEE 488.2, 7.4.1)
            data = data[:length] + self._ends_reply
        return data, _ENDED_BY_MESSAGE if status == _MORE_TO_COME else status

    def clear(self) -> None:
        """Throw away what is pending on both sides: device clear where there is one, else close and open again."""
        if self._has_device_clear and self._device_clear():
            return
        self.close()
        self._open()

    def _device_clear(self) -> bool:
        """Whether the library cleared the device: pyvisa-sim cannot, and nobody can over a broken session."""
        try:
            self._visa_resource.clear()
        except Exception:  # noqa: BLE001 - whatever went wrong, opening again is next, and it raises if that fails too
            return False
        return True

    def close(self) -> None:
        """Close; closing twice is harmless."""
        # A line that cannot be closed is as good as closed, and closing is the way out after every other failure.
        with contextlib.suppress(Exception):
            self._visa_resource.close()

    def _open(self) -> None:
        open_timeout_s = self._settings.open_timeout_s or self._timeout_s
        opened = None
        try:
            opened = self._manager.open_resource(self._name, open_timeout=_milliseconds(open_timeout_s))
            if isinstance(opened, MessageBasedResource) and opened.session:
                self._take(opened)
                return
            opened.close()
        except Exception as error:
            if opened is not None:
                with contextlib.suppress(Exception):  # a serial port that is left open cannot be opened again
                    opened.close()
            raise NotThere(self._what_to_install(error) or _said(error), resource=self._name) from error
        if isinstance(opened, MessageBasedResource):
            # VI_NULL: pyvisa-sim 0.7 returns it with a status that PyVISA does not look at.
            raise NotThere(_NOT_THERE[StatusCode.error_resource_not_found], resource=self._name)
        raise NotThere("this resource takes no messages", resource=self._name)

    def _take(self, opened: MessageBasedResource) -> None:
        self._visa_resource = opened
        signals_end = not isinstance(opened, TCPIPSocket | SerialInstrument)
        named = self._settings.reply_terminator
        self._has_device_clear = signals_end
        self._ends_reply = named or self._terminator
        self._stops_at_byte = named is not None or not signals_end
        self._read_and_open = _READ_AND_OPEN_SERIAL if isinstance(opened, SerialInstrument) else _READ_AND_OPEN
        # VXI-11 in pyvisa-py forgets END when a read is full to its last byte, so there no reply may fill one.
        self._chunk_bytes = MOST_BYTES + 1 if isinstance(opened, TCPIPInstrument) else CHUNK_BYTES
        if isinstance(opened, SerialInstrument):
            _set_line(opened, self._settings.serial_line)
        if isinstance(opened, TCPIPSocket):
            _send_at_once(opened)
        # Left alone, PyVISA ends a message with CR LF and lets each read of a socket run into its time-out.
        opened.write_termination = self._terminator.decode("ascii")
        opened.read_termination = self._ends_reply.decode("ascii") if self._stops_at_byte else None
        self._set_timeout(self._timeout_s)
        # A read that stops at a full chunk warns; here it is the ordinary way to go on.
        opened.ignore_warning(_MORE_TO_COME).__enter__()
        self._session = opened.session
        self._read = opened.visalib.read
        self._write = opened.visalib.write

    def _set_timeout(self, timeout_s: float) -> None:
        self._visa_resource.timeout = _milliseconds(timeout_s)
        self._set_timeout_s = timeout_s

    def _what_to_install(self, error: Exception) -> str:
        """What is missing when pyvisa-py says with a ValueError that it cannot speak over this kind of line."""
        if isinstance(error, ValueError):
            for begins, package in _DRIVER_PACKAGES.items():
                if self._name.startswith(begins) and "install" in str(error):
                    return f"the VISA library lacks the driver package for this kind of line: {package}"
        return ""

    def _translated(self, error: Exception) -> InstrumentError:
        """Turn a failure of an open line into one of ours."""
        if isinstance(error, errors.VisaIOError):
            code = error.error_code
            if code == StatusCode.error_timeout:
                return TimedOut("no complete reply in time", resource=self._name)
            if code in _NOT_THERE:
                return NotThere(_NOT_THERE[StatusCode(code)], resource=self._name)
            if code in _DAMAGED:
                return NotUnderstood(_DAMAGED[StatusCode(code)], resource=self._name)
        if isinstance(error, ConnectionRefusedError):  # pyvisa-py opens a refused socket; the first write tells
            return NotThere(_REFUSED, resource=self._name)
        return LinkLost(_said(error), resource=self._name)


def _set_line(opened: SerialInstrument, line: SerialLine) -> None:
    """Set a serial line; nothing but the terminator itself ends a message there."""
    opened.baud_rate = line.baud
    opened.data_bits = line.data_bits
    opened.parity = _PARITY[line.parity]
    opened.stop_bits = _STOP_BITS[line.stop_bits]
    opened.flow_control = _FLOW_CONTROL[line.flow_control]
    opened.end_output = SerialTermination.none


def _send_at_once(opened: TCPIPSocket) -> None:
    """Let small messages go at once, as VISA's own default is (VPP-4.3, VI_ATTR_TCPIP_NODELAY; from memory, not seen).

    pyvisa-py 0.8 leaves its sockets as they come and cannot set the attribute: a question behind a command would wait
    until the instrument has acknowledged the command, which many do only after 40 to 200 ms.
    """
    session = getattr(opened.visalib, "sessions", {}).get(opened.session)
    line = getattr(session, "interface", None)
    if isinstance(line, socket.socket):
        with contextlib.suppress(OSError):  # a refused port "opens" too; the first message tells
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _milliseconds(duration_s: float) -> int:
    return max(1, round(duration_s * 1000))


def _said(error: Exception) -> str:
    """Sentence of an error of PyVISA or below, with its class where that says something."""
    if isinstance(error, errors.VisaIOError) and error.error_code in _NOT_THERE:
        return _NOT_THERE[StatusCode(error.error_code)]
    if isinstance(error, ConnectionRefusedError):
        return _REFUSED
    # PyVISA raises the bare Exception for some failures to connect; its name would tell nothing.
    return str(error) if type(error) is Exception else f"{type(error).__name__}: {error}"
