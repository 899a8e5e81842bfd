"""Error queue and status registers of a simulated instrument: IEEE 488.2 chapter 11, SCPI-1999 Vol 2, 21.8.

Numbers and texts of 21.8 as quoted in the comments of open-source parsers of the standard; the standard itself was not
seen.
"""

from __future__ import annotations

from collections import deque

#: Entries that the queue holds; 21.8 leaves the depth to the maker, 10, 20 and 30 are common.
DEPTH = 20

TEXTS: dict[int, str] = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}

OPERATION_COMPLETE = 1
POWER_ON = 128
#: Error class (hundreds) → bit of the standard event register (21.8).
_EVENT_BITS = {1: 32, 2: 16, 3: 8, 4: 4}

_QUEUE_NOT_EMPTY = 4
_QUESTIONABLE_SUMMARY = 8
_MESSAGE_AVAILABLE = 16
_EVENT_SUMMARY = 32
_MASTER_SUMMARY = 64
_OPERATION_SUMMARY = 128


class ScpiError(Exception):
    """The message cannot be obeyed; ``number`` goes into the error queue and settings stay as they are."""

    def __init__(self, number: int) -> None:
        super().__init__(number, TEXTS[number])
        self.number = number

    @property
    def is_command_error(self) -> bool:
        """Whether the message itself was wrong (−100 to −199), so that the rest of it is not read either."""
        return -200 < self.number <= -100


class Status:
    """Queue, standard event register and the two enable masks."""

    def __init__(self) -> None:
        self._queue: deque[int] = deque()
        self.restart()

    def restart(self) -> None:
        """As after switching on."""
        self._queue.clear()
        self.completion_armed = False
        self.events = POWER_ON
        self.event_enable = 0
        self.service_enable = 0

    @property
    def count(self) -> int:
        """Entries in the queue."""
        return len(self._queue)

    def enter(self, number: int) -> None:
        """Put an error into the queue and its class into the event register.

        When the queue is full the newest slot becomes −350 and later errors are lost until there is room (21.8).
        """
        self.events |= _EVENT_BITS[-number // 100]
        if len(self._queue) < DEPTH:
            self._queue.append(number)
        else:
            self._queue[-1] = -350

    def next(self) -> str:
        """Oldest entry as ``number,"text"``, taken out (21.8.8)."""
        number = self._queue.popleft() if self._queue else 0
        return f'{number},"{TEXTS[number]}"'

    def take_events(self) -> int:
        """Standard event register, cleared by reading (488.2, 10.12)."""
        events, self.events = self.events, 0
        return events

    def clear(self) -> None:
        """``*CLS``: queue and event register; enable masks stay (488.2, 10.3)."""
        self._queue.clear()
        self.events = 0

    def byte(self, *, reply_waits: bool, questionable: bool, operation: bool) -> int:
        """Status byte with the master summary in bit 6 (488.2, 11.2 and 10.36)."""
        byte = (
            (_QUEUE_NOT_EMPTY if self._queue else 0)
            | (_QUESTIONABLE_SUMMARY if questionable else 0)
            | (_MESSAGE_AVAILABLE if reply_waits else 0)
            | (_EVENT_SUMMARY if self.events & self.event_enable else 0)
            | (_OPERATION_SUMMARY if operation else 0)
        )
        return byte | (_MASTER_SUMMARY if byte & self.service_enable & ~_MASTER_SUMMARY else 0)
