"""A line to an instrument that does as it is told, or that lies where a test wants it to."""

from __future__ import annotations

import struct
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from drivers.messages import Messages


class StillClock:
    """Time stands still."""

    def now(self) -> datetime:
        return datetime(2026, 11, 2, tzinfo=UTC)

    def elapsed_s(self) -> float:
        return 0.0

    def sleep(self, duration_s: float) -> None:
        raise AssertionError("drivers never sleep")


class ObedientLink:
    """Holds whatever it is told; a fixed reply, where there is one, wins over what was told."""

    resource = "scripted"

    def __init__(self, fixed: dict[str, bytes] | None = None) -> None:
        self.fixed = {":SYST:ERR?": b'0,"No error"', "*ESR?": b"0", "*IDN?": b"MAKER,MODEL,7,1"} | (fixed or {})
        self.held: dict[str, str] = {}
        self.sent: list[str] = []
        self.timeouts_s: list[float | None] = []
        self.asked = ""
        self.messages = Messages(self, "here", StillClock())

    def send(self, data: bytes) -> None:
        message = data.decode()
        self.sent.append(message)
        self.asked = message
        header, _, value = message.partition(" ")
        self.held[header] = {"OFF": "0"}.get(value, value)

    def receive(self, timeout_s: float | None = None) -> bytes:
        self.timeouts_s.append(timeout_s)
        if self.asked.endswith(";*OPC?"):
            return b"1"
        if self.asked in self.fixed:
            return self.fixed[self.asked]
        return self.held[self.asked[:-1]].encode()

    def clear(self) -> None:
        self.asked = ""

    def close(self) -> None:
        self.asked = ""

    @property
    def headers(self) -> set[str]:
        return {message.partition(" ")[0] for message in self.sent}


def real_block(values: list[float]) -> bytes:
    """Make the reply REAL,32 with most significant byte first."""
    content = struct.pack(f">{len(values)}f", *values)
    count = str(len(content))
    return f"#{len(count)}{count}".encode() + content


MEASURED = {
    ":TRAC:DATA? TRACE1": real_block([-20.0, -21.0]),
    ":STAT:QUES:COND?": b"0",
    ":STAT:QUES:INST:ISUM2:COND?": b"0",
    ":MEAS:SCAL:VOLT:DC?": b"5",
    ":MEAS:SCAL:CURR:DC?": b"0.2",
    ":MEAS:SCAL:TEMP?": b"23",
    ":MEAS:SCAL:TEMP? (@2)": b"24",
    ":SOUR:TEMP:PROT:TRIP?": b"0",
    ":SOUR:VOLT:PROT:TRIP?": b"0",
    ":SOUR:CURR:PROT:TRIP?": b"0",
    ":FETC?": b"0.2",
    ":ROUT:CLOS? (@101)": b"1",
    ":SENS:LIST:FREQ:POIN?": b"3",
    **{f":TRAC:DATA? S{ports}": b"#232" + struct.pack(">4d", 2.0, -1.0, 2.0, -1.0) for ports in (11, 21, 12, 22)},
}


@pytest.fixture
def obedient() -> Callable[..., ObedientLink]:
    """Make a link with replies that differ from ordinary ones."""
    return lambda replies=None: ObedientLink(MEASURED | (replies or {}))
