"""The bytes of a simulated instrument: messages in, responses out, by IEEE 488.2 and SCPI-1999.

A front end knows grammar, status reporting and the message exchange rules; what a command means is in the command
table of its instrument (``front_ends/``). It never withholds a reply: a response that has to wait for a sweep is
completed when the controller reads, by letting the clock run until the sweep is done. On a link that pushes its
responses nothing may let the clock run: ``served_front_end``.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

from drivers.simulated.headers import Command, HeaderTree
from drivers.simulated.parameters import Number, Parameter, split_data, split_outside
from drivers.simulated.status import OPERATION_COMPLETE, ScpiError, Status
from drivers.timing import Clock

#: Longest message that is taken, in bytes; ours, far above any that a driver sends.
LONGEST_MESSAGE = 65_536

#: Two instants closer than this are one: above the float noise of a clock that adds up a week of waits.
_SAME_INSTANT_S = 1e-9

#: Spellings of headers that are remembered.
_SPELLINGS = 4096

#: White space inside a message: codes 0 to 9 and 11 to 32 (488.2, 7.4.1.2).
_BLANKS = {code: " " for code in range(33) if code != 10}


class Device(Protocol):
    """An instrument behind a front end."""

    @property
    def model(self) -> str:
        """Model name for ``*IDN?``."""
        ...

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        ...

    def reset(self) -> None:
        """``*RST``: settings to their known state; an operation under way is dropped."""
        ...

    def restart(self) -> None:
        """Power off and on again: as ``reset``, and what ``*RST`` leaves alone is lost too."""
        ...

    def busy_until_s(self) -> float:
        """Clock time at which the operation under way is done; in the past when there is none."""
        ...

    def questionable(self) -> int:
        """Condition bits of STATus:QUEStionable."""
        ...

    def operation(self) -> int:
        """Condition bits of STATus:OPERation."""
        ...


class FoundHeader(NamedTuple):
    """What a header of a message stands for."""

    command: Command
    is_query: bool
    suffix: int


class FrontEnd:
    """One instrument's message interface.

    Args:
        device: What the commands mean.
        clock: Clock of the rig; each message takes ``latency_s`` of it.
        serial: Third field of ``*IDN?``.
        latency_s: Time that a message takes.
        status: Queue and registers of the instrument; None for new ones, as after switching on.
    """

    def __init__(
        self,
        device: Device,
        clock: Clock,
        serial: str = "0",
        latency_s: float = 0.001,
        status: Status | None = None,
    ) -> None:
        self._device = device
        self._clock = clock
        self._serial = serial
        self._latency_s = latency_s
        self._status = Status() if status is None else status
        self._input = bytearray()
        self._parts: list[bytes] = []
        self._held: list[str] = []
        self._held_path = ""
        self._unterminated = False
        self._tree = HeaderTree((*self._own_commands(), *device.commands()))
        self._common = self._common_commands()
        self._headers: dict[str, FoundHeader] = {}

    def receive(self, data: bytes) -> None:
        """Take bytes from the controller; each NL ends a message, which is run at once."""
        if not self._input and data.find(b"\n") == len(data) - 1:
            self._run_message(data[:-1])
            return
        self._input += data
        while (end := self._input.find(b"\n")) >= 0:
            message = bytes(self._input[:end])
            del self._input[: end + 1]
            self._run_message(message)
        if len(self._input) > LONGEST_MESSAGE:
            self._input.clear()
            self._status.enter(-363)

    def reply(self) -> bytes | None:
        """The response that is due, whole and with its NL; None, and −420 in the queue, when none is."""
        while self._held:  # more than once when the held rest of the message starts another operation
            self._wait()
            self._go_on()
        if not self._parts:
            if not self._unterminated:
                self._unterminated = True
                self._status.enter(-420)
            return None
        return self._take_response()

    def interrupt(self) -> None:
        """The rest of a response will not be read: the message exchange was broken off (488.2, 6.3.2.3)."""
        self._parts = []
        self._held = []
        self._status.enter(-410)

    # --- Messages ------------------------------------------------------------------------------------------------

    def _go_on(self) -> None:
        """Run what is left of a message that had to wait."""
        held, self._held = self._held, []
        self._run_units(held, self._held_path)

    def _take_response(self) -> bytes:
        response = b";".join(self._parts) + b"\n"
        self._parts = []
        return response

    def _run_message(self, message: bytes) -> None:
        self._clock.sleep(self._latency_s)
        self._unterminated = False
        if self._parts or self._held:
            self.interrupt()
        text = message.decode("latin-1")
        if not text.isprintable():
            text = text.translate(_BLANKS)
        try:
            units = text.split(";") if '"' not in text and "'" not in text else split_outside(text, ";")
        except ScpiError as fault:
            self._status.enter(fault.number)
            return
        self._run_units(units, "")

    def _run_units(self, units: list[str], path: str) -> None:
        """Run message units in order; a query that has to wait holds itself and the rest."""
        for index, unit in enumerate(units):
            words = unit.split(None, 1)
            if not words:
                continue
            data = words[1].rstrip() if len(words) > 1 else ""
            try:
                full = _full_header(words[0], path)
                header = self._headers.get(full) or self._look_up(full)
                if header.command.waits and self._holds(header):
                    self._held, self._held_path = units[index:], path
                    return
                if header.command.same_as and header.is_query:
                    _read_data(data, header.command.asks, header.command.optional)
                    self._run_units([*header.command.same_as.split(";"), *units[index + 1 :]], "")
                    return
                path = path if full[0] == "*" else full[: full.rfind(":") + 1]
                self._run_unit(header, data)
            except ScpiError as fault:
                self._status.enter(fault.number)
                if fault.is_command_error:
                    return

    def _run_unit(self, header: FoundHeader, data: str) -> None:
        command, is_query, suffix = header
        arguments: list[object] = [suffix] if command.suffixes else []
        if is_query:
            if command.ask is None:
                raise ScpiError(-113)
            if data and not command.asks and self._answer_limit(command, data):
                return
            arguments += _read_data(data, command.asks, command.optional)
            answer = command.ask(*arguments)
            self._parts.append(answer if isinstance(answer, bytes) else answer.encode("ascii"))
        else:
            if command.tell is None:
                raise ScpiError(-113)
            arguments += _read_data(data, command.takes, command.optional)
            command.tell(*arguments)

    def _answer_limit(self, command: Command, data: str) -> bool:
        """Answer ``<header>? MIN|MAX|DEF`` (Vol 1, 7.2.1); False when ``data`` is none of these."""
        number = command.takes[0] if len(command.takes) == 1 else None
        limit = number.keyword(data) if isinstance(number, Number) else None
        if limit is None:
            return False
        self._parts.append(nr3(limit).encode("ascii"))
        return True

    def _look_up(self, full: str) -> FoundHeader:
        is_query = full.endswith("?")
        name = full[:-1] if is_query else full
        if name.startswith("*"):
            command = self._common.get(name)
            if command is None:
                raise ScpiError(-113)
            found = FoundHeader(command, is_query, 1)
        else:
            command, suffix = self._tree.find(name)
            found = FoundHeader(command, is_query, suffix)
        if len(self._headers) >= _SPELLINGS:
            self._headers.clear()
        self._headers[full] = found
        return found

    def _holds(self, header: FoundHeader) -> bool:
        """Whether what may have to wait has to, now."""
        return header.is_query and self._is_busy()

    def _is_busy(self) -> bool:
        return self._device.busy_until_s() > self._clock.elapsed_s() + _SAME_INSTANT_S

    # --- Commands that every instrument has ----------------------------------------------------------------------

    def _own_commands(self) -> tuple[Command, ...]:
        """Required subsystem commands (SCPI-1999 Vol 1, 4.2.1), conditions only."""
        status, device = self._status, self._device
        return (
            Command(":SYSTem:ERRor[:NEXT]", ask=status.next),
            Command(":SYSTem:ERRor:COUNt", ask=lambda: str(status.count)),
            Command(":SYSTem:VERSion", ask=lambda: "1999.0"),
            Command(":STATus:QUEStionable:CONDition", ask=lambda: str(device.questionable())),
            Command(":STATus:OPERation:CONDition", ask=lambda: str(device.operation())),
        )

    def _common_commands(self) -> dict[str, Command]:
        """Mandatory common commands (IEEE 488.2, chapter 10)."""
        status = self._status
        mask = Number(lambda: (0.0, 255.0), {}, whole=True)
        identity = f"NIGHTBENCH,SIMULATED-{self._device.model},{self._serial},0.1"
        table = (
            Command("*CLS", tell=self._clear_status),
            Command("*ESE", tell=self._set_event_enable, ask=lambda: str(status.event_enable), takes=(mask,)),
            Command("*ESR", ask=self._take_events),
            Command("*IDN", ask=lambda: identity),
            Command("*OPC", tell=self._arm_completion, ask=lambda: "1", waits=True),
            Command("*RST", tell=self._reset),
            Command("*SRE", tell=self._set_service_enable, ask=lambda: str(status.service_enable), takes=(mask,)),
            Command("*STB", ask=self._status_byte),
            Command("*TST", ask=lambda: "0"),
            Command("*WAI", tell=self._wait, waits=True),
        )
        return {command.header: command for command in table}

    def _clear_status(self) -> None:
        self._status.clear()
        self._status.completion_armed = False

    def _set_event_enable(self, mask: float) -> None:
        self._status.event_enable = int(mask)

    def _set_service_enable(self, mask: float) -> None:
        self._status.service_enable = int(mask) & ~64  # bit 6 is ignored (488.2, 10.34; from memory of it, not seen)

    def _take_events(self) -> str:
        self._complete()
        return str(self._status.take_events())

    def _status_byte(self) -> str:
        self._complete()
        questionable, operation = self._device.questionable() != 0, self._device.operation() != 0
        byte = self._status.byte(reply_waits=bool(self._parts), questionable=questionable, operation=operation)
        return str(byte)

    def _arm_completion(self) -> None:
        self._status.completion_armed = True
        self._complete()

    def _complete(self) -> None:
        if self._status.completion_armed and not self._is_busy():
            self._status.completion_armed = False
            self._status.events |= OPERATION_COMPLETE

    def _reset(self) -> None:
        self._status.completion_armed = False
        self._device.reset()

    def _wait(self) -> None:
        self._clock.sleep(self._device.busy_until_s() - self._clock.elapsed_s())


def nr3(value: float) -> str:
    """A number as NR3 response data (488.2, 8.7.4)."""
    return f"{value:.9E}"


def boolean(*, on: bool) -> str:
    """A state as response data: always 0 or 1 (Vol 1, 7.3)."""
    return "1" if on else "0"


def _full_header(word: str, path: str) -> str:
    """Header from the root, upper case: a leading colon returns to the root, else ``path`` goes before (6.2.4)."""
    first = word[0]
    if first == ":":
        return word[1:].upper() or ":"
    return word.upper() if first == "*" else path + word.upper()


def _read_data(data: str, parameters: tuple[Parameter, ...], optional: int) -> list[object]:
    elements = split_data(data) if data else []
    if len(elements) > len(parameters):
        raise ScpiError(-108)
    if len(elements) < len(parameters) - optional:
        raise ScpiError(-109)
    return [parameter.read(element) for parameter, element in zip(parameters, elements, strict=False)]
