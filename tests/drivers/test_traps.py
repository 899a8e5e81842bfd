"""Traps of SCPI over real lines: each ends in a named error, and after it every question gets its own answer.

The instrument is a small one at a socket of this machine, behind pyvisa-py. ``README.md`` in this folder lists every
trap with the tests that hold it.
"""

from __future__ import annotations

import ast
import math
import re
import struct
from collections import deque
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.errors import LinkLost, NotThere, NotUnderstood, OutOfTurn, Refused, TimedOut
from drivers.messages import MOST_QUEUE_ENTRIES, Messages
from drivers.roles import QueueEntry
from drivers.visa import open_resource, resource_manager
from loopback_peers.hislip import HislipServer
from loopback_peers.sockets import LoopbackServer
from loopback_peers.talking import TalkingDevice

SHORT_S = 0.2
"""For the tests of silence."""

LONG_S = 20.0

PATIENT_S = 1.0
"""Where an answer comes at once and another is waited for in vain."""


class StillClock:
    """Time stands still."""

    def now(self) -> datetime:
        return datetime(2026, 11, 2, tzinfo=UTC)

    def elapsed_s(self) -> float:
        return 0.0

    def sleep(self, duration_s: float) -> None:
        """The line is opened again at once."""


class StatusDevice(TalkingDevice):
    """One with an error queue of limited depth and an event register, which reading clears (IEEE 488.2, 10.12).

    Power-on is set from the beginning, as it is until somebody reads it.
    """

    depth = 10

    def __init__(self) -> None:
        super().__init__()
        self.answers |= {b"V?": b"5\n", b"W?": b"6\n"}
        self.queue: deque[bytes] = deque()
        self.events = 0x80

    def report(self, entry: bytes) -> None:
        """Put an entry into the queue; in a full one the newest slot says so (SCPI-1999 Vol 2, 21.8)."""
        if len(self.queue) == self.depth:
            self.queue[-1] = b'-350,"Queue overflow"'
        else:
            self.queue.append(entry)

    def restart(self) -> None:
        self.queue.clear()
        self.events = 0x80

    def reply_to(self, message: bytes) -> bytes | None:
        if message == b":SYST:ERR?":
            self.received.append(message)
            return (self.queue.popleft() if self.queue else b'0,"No error"') + b"\n"
        if message == b"*ESR?":
            self.received.append(message)
            events, self.events = self.events, 0
            return b"%d\n" % events
        reply = super().reply_to(message)
        if reply is None and message.endswith(b"?") and message not in self.answers:
            self.report(b'-113,"Undefined header"')
        return reply


@pytest.fixture
def device() -> StatusDevice:
    return StatusDevice()


@pytest.fixture
def server(device: StatusDevice) -> Iterator[LoopbackServer]:
    started = LoopbackServer(device)
    yield started
    started.close()


@pytest.fixture
def messages(server: LoopbackServer) -> Iterator[Messages]:
    """The line to the instrument, which has been met, as every driver does first."""
    manager = resource_manager("@py")
    with closing(open_resource(manager, server.resource, LONG_S)) as link:
        made = Messages(link, "meter", StillClock())
        made.meet()
        made.event_status()
        yield made
    manager.close()


def in_step(messages: Messages) -> bool:
    """Whether two different questions get their own answers."""
    return (messages.ask_number("V?"), messages.ask_number("W?")) == (5.0, 6.0)


# --- Late replies


def test_a_late_reading_is_never_taken_for_the_next_one(
    messages: Messages, device: StatusDevice, server: LoopbackServer
) -> None:
    """On a bare socket it would shift every reading after it by one."""
    device.answers[b"SLOW?"] = b"99\n"
    device.held_back.add(b"SLOW?")
    with pytest.raises(TimedOut):
        messages.ask_number("SLOW?", SHORT_S)
    server.release()

    assert in_step(messages)


def test_a_late_completion_is_never_taken_for_a_reading(
    messages: Messages, device: StatusDevice, server: LoopbackServer
) -> None:
    """*OPC? answers 1 when the sweep is done, and 1 is a number too."""
    device.answers[b":INIT:IMM;*OPC?"] = b"1\n"
    device.held_back.add(b":INIT:IMM;*OPC?")
    messages.begin(":INIT:IMM")
    with pytest.raises(TimedOut):
        messages.finish(SHORT_S)
    server.release()

    assert in_step(messages)


def test_the_unread_1_of_an_operation_that_was_given_up_is_never_taken_for_a_reading(
    messages: Messages, device: StatusDevice
) -> None:
    """Switching off does not wait for the sweep, whose 1 comes all the same."""
    device.answers[b":INIT:IMM;*OPC?"] = b"1\n"
    messages.begin(":INIT:IMM")
    messages.tell_urgently(":OUTP:STAT 0")

    assert in_step(messages)
    assert b":OUTP:STAT 0" in device.received


def test_nothing_is_asked_while_an_operation_is_begun(messages: Messages, device: StatusDevice) -> None:
    """A socket would hand out the 1 for the answer; other lines would throw it away (−410; IEEE 488.2, 6.3.2.3)."""
    device.answers[b":INIT:IMM;*OPC?"] = b"1\n"
    messages.begin(":INIT:IMM")
    with pytest.raises(OutOfTurn):
        messages.ask_number("V?")

    messages.finish()
    assert device.received[-1] == b":INIT:IMM;*OPC?"
    assert in_step(messages)


# --- Peers that vanish


def test_a_peer_that_closes_in_mid_question_is_a_time_out_and_the_line_is_opened_again(
    messages: Messages, server: LoopbackServer
) -> None:
    """pyvisa-py cannot tell it from silence, and its own clear would not return."""
    server.close_on = b"BYE?"
    with pytest.raises(TimedOut):
        messages.ask("BYE?", SHORT_S)

    assert in_step(messages)
    assert len(server.connections) == 2


def test_a_peer_that_resets_is_a_lost_link_and_the_line_is_opened_again(
    messages: Messages, server: LoopbackServer
) -> None:
    """ConnectionResetError below, which is no VisaIOError."""
    server.reset_on = b"BREAK?"
    with pytest.raises(LinkLost):
        messages.ask("BREAK?")

    assert in_step(messages)


@pytest.mark.parametrize("half", [b"12.", b"#3100short", b"#"], ids=["number", "block", "sharp sign"])
def test_half_a_reply_of_a_peer_that_goes_is_no_reply(
    messages: Messages, device: StatusDevice, server: LoopbackServer, half: bytes
) -> None:
    """12. is a number, and not the one that was measured."""
    device.answers[b"HALF?"] = half
    server.half_on = b"HALF?"
    with pytest.raises(TimedOut):
        messages.ask("HALF?", SHORT_S)

    assert in_step(messages)


def test_a_peer_that_is_gone_for_good_is_named_as_lost(messages: Messages, server: LoopbackServer) -> None:
    """The time-out alone would say that it is slow."""
    server.close_on = b"BYE?"
    server.refuse()
    with pytest.raises(LinkLost, match="cannot be opened again"):
        messages.ask("BYE?", SHORT_S)


def test_an_instrument_that_was_power_cycled_in_mid_run_is_a_lost_link(
    messages: Messages, device: StatusDevice, server: LoopbackServer
) -> None:
    """The same name answers on a new connection, but power-on is set: every setting is gone (IEEE 488.2, 11.5.1)."""
    server.close_on = b"SETTING?"
    device.answers[b"SETTING?"] = b"1\n"
    messages.ask_number("V?")
    device.restart()
    with pytest.raises(LinkLost, match="restarted"):
        messages.ask("SETTING?", SHORT_S, repeatable=True)

    assert device.received.count(b"SETTING?") == 1


def test_another_instrument_behind_the_same_address_is_not_there(device: StatusDevice, server: LoopbackServer) -> None:
    """After a reconnect whoever answers must be the one that was met."""
    manager = resource_manager("@py")
    with closing(open_resource(manager, server.resource, PATIENT_S)) as link:
        messages = Messages(link, "meter", StillClock())
        messages.meet()
        server.close_on = b"BYE?"
        device.answers[b"*IDN?"] = b"OTHER,MODEL,8,1.0\n"
        with pytest.raises(NotThere, match="OTHER"):
            messages.ask("BYE?", SHORT_S)
    manager.close()


# --- Blocks and numbers


@pytest.mark.parametrize("pieces", [False, True], ids=["at once", "in pieces"])
def test_a_block_with_newlines_inside_comes_whole_however_it_is_cut(
    messages: Messages, device: StatusDevice, pieces: bool
) -> None:
    """0x0A0A0A0A is a fine floating-point number; only the count tells the end (IEEE 488.2, 8.7.9)."""
    values = struct.unpack(">4f", b"\n" * 16)
    device.answers[b"TRAC?"] = b"#216" + b"\n" * 16 + b"\n"
    if pieces:
        device.in_pieces.add(b"TRAC?")

    assert messages.ask_block("TRAC?") == values
    assert in_step(messages)


def test_an_indefinite_block_is_refused_and_leaves_the_line_in_step(messages: Messages, device: StatusDevice) -> None:
    """Without END nobody can tell its last byte: pyvisa's own reading gives an empty list and no error."""
    device.answers[b"TRAC?"] = b"#0\x40\x00\n\x00\x40\x80\x00\x00\n"
    with pytest.raises(NotUnderstood):
        messages.ask_block("TRAC?")

    assert in_step(messages)


def test_an_indefinite_block_is_refused_where_end_closes_it_too(device: StatusDevice) -> None:
    """One rule for all lines: the same bench file may move from HiSLIP to a socket."""
    device.answers[b"TRAC?"] = b"#0\x40\x00\n\x00\x40\x80\x00\x00\n"
    manager = resource_manager("@py")
    with closing(HislipServer(device)) as peer, closing(open_resource(manager, peer.resource, LONG_S)) as link:
        messages = Messages(link, "meter", StillClock())
        with pytest.raises(NotUnderstood):
            messages.ask_block("TRAC?")

        assert in_step(messages)
    manager.close()


@pytest.mark.parametrize("word", ["9.9E37", "-9.9E37", "9.91E37", "+9.90000000E+37", "NAN", "INF", "-INF"])
def test_not_a_number_in_text_is_no_reading(messages: Messages, device: StatusDevice, word: str) -> None:
    """Overload and missing markers come so (SCPI-1999 Vol 1, 7.2.1.4 and 7.2.1.5); a mean over them is nonsense."""
    device.answers[b"BAD?"] = f"{word}\n".encode()
    device.answers[b"LIST?"] = f"1.0,{word},2.0\n".encode()
    with pytest.raises(NotUnderstood):
        messages.ask_number("BAD?")
    with pytest.raises(NotUnderstood):
        messages.ask_numbers("LIST?")

    assert in_step(messages)


@pytest.mark.parametrize("value", [9.9e37, -9.9e37, 9.91e37, math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("bits", [32, 64])
def test_not_a_number_in_a_block_is_no_reading(
    messages: Messages, device: StatusDevice, value: float, bits: int
) -> None:
    """As 32 bits 9.9E37 reads 9.900000302E37, so comparing for equality would let it pass."""
    content = struct.pack(">2f" if bits == 32 else ">2d", 1.0, value)
    device.answers[b"TRAC?"] = b"#%d%d" % (len(str(len(content))), len(content)) + content + b"\n"
    with pytest.raises(NotUnderstood):
        messages.ask_block("TRAC?", 32 if bits == 32 else 64)

    assert in_step(messages)


# --- Error queue


def test_a_query_that_the_instrument_does_not_know_is_a_time_out_with_the_cause(
    messages: Messages, device: StatusDevice
) -> None:
    """UNTERMINATED: it sends nothing, ever, and only the queue says why (IEEE 488.2, 6.3.2.2)."""
    with pytest.raises(TimedOut, match="Undefined header") as caught:
        messages.ask("VLOT?", SHORT_S)

    cause = caught.value.__cause__
    assert isinstance(cause, Refused)
    assert cause.number == -113
    assert in_step(messages)


def test_a_queue_that_has_overflowed_is_drained_to_its_end(messages: Messages, device: StatusDevice) -> None:
    """The oldest entries stay and the newest slot says that more were lost."""
    for number in range(1, 50):
        device.report(b'%d,"Fault"' % number)

    entries = messages.drain_errors()
    assert entries[0] == QueueEntry(1, "Fault")
    assert entries[-1] == QueueEntry(-350, "Queue overflow")
    assert len(entries) == StatusDevice.depth
    assert messages.drain_errors() == ()


def test_a_queue_without_end_is_given_up(messages: Messages, device: StatusDevice) -> None:
    """An instrument whose fault comes back as fast as it is read would be read for ever."""
    device.depth = 10_000
    for _ in range(MOST_QUEUE_ENTRIES + 50):
        device.report(b'-310,"System error"')
    with pytest.raises(NotUnderstood, match="does not end"):
        messages.drain_errors()

    assert device.received.count(b":SYST:ERR?") == MOST_QUEUE_ENTRIES


# --- The list of traps


HERE = Path(__file__).parent


def _named_tests() -> list[tuple[str, str]]:
    """File and test of each row of the table in README.md."""
    table = (HERE / "README.md").read_text("utf-8")
    return re.findall(r"`([\w/]+\.py)::(test_\w+)`", table)


def test_every_test_that_the_list_of_traps_names_exists() -> None:
    """A trap whose test was renamed or dropped would seem to be held."""
    named = _named_tests()
    assert len(named) >= 30
    for file in {file for file, _ in named}:
        tree = ast.parse((HERE.parent / file).read_text("utf-8"))
        known = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        # A state machine's test is an attribute that is given a name of its own.
        assigned = [target for node in tree.body if isinstance(node, ast.Assign) for target in node.targets]
        known |= {target.id for target in assigned if isinstance(target, ast.Name)}

        assert {name for other, name in named if other == file} <= known, file


def test_every_test_of_a_trap_is_in_the_list() -> None:
    """The list is where one looks for what is held."""
    tree = ast.parse(Path(__file__).read_text("utf-8"))
    here = {node.name for node in tree.body if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}
    listed = {name for file, name in _named_tests() if file == "drivers/test_traps.py"}

    assert {name for name in here if "the_list" not in name} == listed
