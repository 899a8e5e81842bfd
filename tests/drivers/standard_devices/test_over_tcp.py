"""What pyvisa-sim cannot play: an instrument on a raw socket that works on while it is asked, and refuses as it should.

It holds what it is told, refuses what is out of range with -222 and the setting unchanged, answers an unknown question
with nothing but an entry in its queue, and ends replies with CR LF in pieces. IEEE 488.2, 6.3; SCPI-1999 Vol 2, 21.8.
"""

from __future__ import annotations

import contextlib
import math
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.dc_supply import ScpiDCSupply
from drivers.errors import Refused, TimedOut
from drivers.messages import Messages
from drivers.meter import ScpiMeter
from drivers.roles import SweepSetting
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer
from drivers.visa import open_resource, resource_manager

TIMEOUT_S = 0.15
LEVELS_DBM = (-90.123, -89.5, -91.0)

SETTINGS = {
    ":OUTP:STAT": (0.0, 1.0),
    ":SOUR:VOLT:LEV:IMM:AMPL": (0.0, 20.0),
    ":SOUR:CURR:LEV:IMM:AMPL": (0.0, 3.0),
    ":SENS:CURR:DC:NPLC": (0.01, 100.0),
    ":INP:ATT": (0.0, 70.0),
    ":SENS:BAND:RES": (1.0, 1e7),
    ":SENS:SWE:POIN": (2.0, 1e4),
    ":SENS:SWE:TIME": (1e-6, 1e4),
    ":SENS:FREQ:CENT": (9e3, 3e9),
}


def trace() -> bytes:
    content = struct.pack(f">{len(LEVELS_DBM)}f", *LEVELS_DBM)
    return b"#2%02d" % len(content) + content


class Peer:
    """Serves one connection after the other. ``late`` keeps back what is due until another connection stands."""

    def __init__(self) -> None:
        self.held = dict.fromkeys(SETTINGS, 1.0)
        self.queue: list[bytes] = []
        self.late = False
        self.connections = 0
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        """Until the listening socket is shut. What is late goes out on a line that the other side may have left."""
        owed: tuple[socket.socket, bytes] | None = None
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                break
            self.connections += 1
            if owed is not None:
                with contextlib.suppress(OSError), owed[0]:
                    owed[0].sendall(owed[1])
            with connection:
                owed = self._converse(connection)

    def _converse(self, connection: socket.socket) -> tuple[socket.socket, bytes] | None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with contextlib.suppress(OSError), connection.makefile("rb") as lines:
            for line in lines:
                replies = [
                    reply for unit in line.decode().strip().split(";") if (reply := self._obey(unit)) is not None
                ]
                if not replies:
                    continue
                response = b";".join(replies) + b"\r\n"
                if self.late:
                    self.late = False
                    return connection.dup(), response
                for at in range(0, len(response), 5):
                    connection.sendall(response[at : at + 5])
        return None

    def _obey(self, unit: str) -> bytes | None:
        header, _, value = unit.partition(" ")
        fixed = {
            "*IDN?": b"Invented Works,Peer,1,1",
            "*ESR?": b"0",
            "*OPC?": b"1",
            ":FETC?": b"+2.015E-01",
            ":TRAC:DATA?": trace(),
            ":STAT:QUES:COND?": b"+0",
        }
        if header == ":SYST:ERR?":
            return self.queue.pop(0) if self.queue else b'+0,"No error"'
        if header in fixed:
            return fixed[header]
        if header.endswith("?") and header[:-1] in self.held:
            return b"%+.5E" % self.held[header[:-1]]
        if header in SETTINGS:
            lowest, highest = SETTINGS[header]
            if lowest <= float(value) <= highest:
                self.held[header] = float(value)
            else:
                self.queue.append(b'-222,"Data out of range"')
        elif header not in (":INIT:IMM", ":CONF:SCAL:CURR:DC"):
            self.queue.append(b'-113,"Undefined header"')
        return None

    def close(self) -> None:
        self._listening.shutdown(socket.SHUT_RDWR)
        self._thread.join(timeout=20)
        self._listening.close()


@pytest.fixture
def peer() -> Iterator[Peer]:
    made = Peer()
    yield made
    made.close()


@pytest.fixture
def messages(peer: Peer, still_clock: Any) -> Iterator[Messages]:
    manager = resource_manager("@py")
    link = open_resource(manager, f"TCPIP0::127.0.0.1::{peer.port}::SOCKET", TIMEOUT_S)
    yield Messages(link, "peer", still_clock)
    link.close()
    manager.close()


def test_out_of_range_is_refused_by_its_number_and_the_setting_stays(peer: Peer, messages: Messages) -> None:
    """-222 with the setting unchanged, as the standard has it."""
    supply = ScpiDCSupply(messages)
    supply.set_output(5.0, 0.3)
    with pytest.raises(Refused) as caught:
        supply.set_output(28.0, 0.3)

    assert caught.value.number == -222
    assert peer.held[":SOUR:VOLT:LEV:IMM:AMPL"] == 5.0


def test_a_trace_in_pieces_with_cr_lf_comes_whole(messages: Messages) -> None:
    """Five bytes at a time; what ends the message is no part of the block."""
    analyzer = ScpiSpectrumAnalyzer(messages)
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 3))
    analyzer.begin_power(60e6)
    level_dbm = analyzer.finish_power().level_dbm

    assert level_dbm == pytest.approx(10 * math.log10(sum(10 ** (level / 10) for level in LEVELS_DBM) / 3), abs=1e-5)
    assert analyzer.drain_errors() == ()


def test_a_completion_that_comes_too_late_answers_no_later_question(peer: Peer, messages: Messages) -> None:
    """The 1 of ``*OPC?`` is sent when nobody waits for it any more; as a current it would be 1 A."""
    meter = ScpiMeter(messages)
    meter.identify()
    meter.prepare("current")
    peer.late = True
    meter.begin_reading()
    with pytest.raises(TimedOut):
        meter.finish_reading()
    meter.begin_reading()

    assert meter.finish_reading() == 0.2015
    assert peer.connections == 2


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (lambda m: ScpiDCSupply(m).read_voltage_v(), ":MEAS:SCAL:VOLT:DC?"),
        (lambda m: ScpiDCSupply(m).protection_tripped(), ":SOUR:VOLT:PROT:TRIP?"),
        (lambda m: ScpiMeter(m).prepare("temperature"), ":UNIT:TEMP?"),
    ],
)
def test_a_question_that_the_instrument_does_not_know_names_itself_and_the_cause(
    messages: Messages, act: Callable[[Messages], object], message: str
) -> None:
    """Nothing comes, the queue holds -113, and the line is in step again afterwards."""
    with pytest.raises(TimedOut, match=r"-113") as caught:
        act(messages)

    assert caught.value.message == message
    assert ScpiMeter(messages).identify().model == "Peer"
