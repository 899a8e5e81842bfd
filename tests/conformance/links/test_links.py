"""What every Link does, over pyvisa-sim and over real lines of this machine: socket, HiSLIP, VXI-11, serial port."""

from __future__ import annotations

import gc
import warnings
from typing import Any

import pytest
from pyvisa.resources import MessageBasedResource

from drivers.errors import InstrumentError, LinkLost, NotThere, TimedOut
from drivers.messages import Messages
from drivers.visa import CHUNK_BYTES, open_resource, resource_manager

Line = Any  # the class of the fixture; tests cannot import each other
Server = Any


class StillClock:
    """Time stands still."""

    def elapsed_s(self) -> float:
        return 0.0


def block(content: bytes) -> bytes:
    count = str(len(content)).encode()
    return b"#" + str(len(count)).encode() + count + content


def ask(line: Line, query: bytes, timeout_s: float | None = 20.0) -> bytes:
    """Ask what has an answer; the long time-out is for busy machines. None is the line's own short one."""
    line.link.send(query)
    reply: bytes = line.link.receive(timeout_s)
    return reply


def test_a_reply_comes_without_its_terminator(line: Line) -> None:
    """The newline belongs to the link."""
    assert ask(line, b"*IDN?") == b"MAKER,MODEL,7,1.0"
    assert line.device.received == [b"*IDN?"]


def test_an_empty_reply_is_empty_and_no_time_out(line: Line) -> None:
    """A lone newline is a reply."""
    line.device.answers[b"E?"] = b"\n"

    assert ask(line, b"E?") == b""


def test_a_text_longer_than_one_read_comes_whole(line: Line) -> None:
    """A read takes at most CHUNK_BYTES."""
    text = b"1.25," * (CHUNK_BYTES // 5 + 100)
    line.device.answers[b"LONG?"] = text + b"\n"

    assert ask(line, b"LONG?") == text
    assert ask(line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"HELLO",
        b"\n",
        b"\n" * 80,
        b"ends with newline\n",
        b"#15HELLO\n#0",
        bytes(range(256)) * 4,
        b"\r\n" * 40,
        b"\x00" * (CHUNK_BYTES + 7),
        (b"\n" + b"\x00" * 4095) * 6,
    ],
    ids=["empty", "text", "newline", "newlines", "newline last", "nested", "all bytes", "CR LF", "long", "long lines"],
)
def test_a_block_comes_whole_whatever_it_holds_and_leaves_the_line_in_step(line: Line, content: bytes) -> None:
    """The count tells the end, not a newline among the bytes (IEEE 488.2, 8.7.9)."""
    line.device.answers[b"B?"] = block(content) + b"\n"

    assert ask(line, b"B?") == block(content)
    assert ask(line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_block_that_ends_in_cr_lf_comes_whole_and_leaves_the_line_in_step(line: Line) -> None:
    """CR is white space before the terminator (IEEE 488.2, 7.4.1)."""
    line.device.answers[b"B?"] = block(b"AB\nCD") + b"\r\n"

    assert ask(line, b"B?") == block(b"AB\nCD")
    assert ask(line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_sharp_sign_that_begins_no_block_is_text(line: Line) -> None:
    """Non-decimal numbers begin so too: #HFF."""
    line.device.answers[b"H?"] = b"#HFF\n"

    assert ask(line, b"H?") == b"#HFF"


@pytest.mark.parametrize("answer", [None, b"12.", b"#3100short"], ids=["silence", "half a reply", "half a block"])
def test_no_complete_reply_is_a_time_out_and_after_a_clear_the_line_is_in_step(
    line: Line, answer: bytes | None
) -> None:
    """What came of the half reply must not be glued to the next one."""
    line.device.answers[b"Q?"] = answer
    line.device.broken_off.add(b"Q?")
    with pytest.raises(TimedOut) as caught:
        ask(line, b"Q?", None)

    assert caught.value.resource == line.link.resource
    line.link.clear()
    assert ask(line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_late_reply_does_not_answer_the_next_question(forgetful_line: Line) -> None:
    """On a socket nothing discards it but opening the line again."""
    line = forgetful_line
    line.device.answers[b"SLOW?"] = b"late\n"
    line.device.held_back.add(b"SLOW?")
    with pytest.raises(TimedOut):
        ask(line, b"SLOW?", None)
    line.link.clear()
    line.release()

    assert ask(line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_the_message_layer_stays_in_step_through_a_late_reply(line: Line) -> None:
    """Time-out, clear, event register, error queue, next question: each gets its own answer."""
    line.device.answers.update({b"SLOW?": b"late\n", b"*ESR?": b"0\n", b":SYST:ERR?": b'0,"No error"\n'})
    line.device.held_back.add(b"SLOW?")
    messages = Messages(line.link, "device", StillClock())  # type: ignore[arg-type]  # no other part of Clock is used
    messages.meet()  # by its name a late reply is told from a new one, where the line does not forget
    with pytest.raises(TimedOut):
        messages.ask("SLOW?")
    line.release()

    assert messages.ask("*IDN?") == "MAKER,MODEL,7,1.0"


def test_a_clear_without_need_does_no_harm(line: Line) -> None:
    """Clearing twice, with nothing pending."""
    line.link.clear()
    line.link.clear()

    assert ask(line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_longer_time_out_holds_for_one_reply_only(line: Line) -> None:
    """The link's own comes back with the next reply; the short one runs out at once on silence."""
    line.link.send(b"*IDN?")

    assert line.link.receive(20.0) == b"MAKER,MODEL,7,1.0"
    with pytest.raises(TimedOut):  # would take 20 s otherwise
        ask(line, b"SILENT?", None)


def test_closing_twice_is_harmless_and_a_closed_line_raises_ours(line: Line) -> None:
    """PyVISA's InvalidSession is not a VisaIOError."""
    line.link.close()
    line.link.close()
    with pytest.raises(InstrumentError):
        line.link.send(b"*IDN?")
    with pytest.raises(InstrumentError):
        line.link.receive()


def test_a_closed_line_opens_again_by_a_clear(line: Line) -> None:
    """Making safe after a break begins so."""
    line.link.close()
    line.link.clear()

    assert ask(line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


# --- What only one kind of line can show


@pytest.mark.parametrize(
    "sim_line",
    [
        "TCPIP0::device.example::inst0::INSTR",
        "TCPIP0::device.example::hislip0::INSTR",
        "USB0::0xFFFE::0x00C1::SN1::0::INSTR",
        "GPIB0::5::INSTR",
    ],
    indirect=True,
)
def test_lines_that_carry_an_end_signal_take_blocks_and_clears_too(sim_line: Line) -> None:
    """There END closes a message; pyvisa-sim knows no device clear, so the line is opened again."""
    sim_line.device.answers[b"B?"] = block(b"A\n\nB") + b"\n"
    sim_line.device.answers[b"BARE?"] = block(b"A\n\nB")

    assert ask(sim_line, b"B?") == block(b"A\n\nB")
    assert ask(sim_line, b"BARE?") == block(b"A\n\nB")
    sim_line.link.clear()
    assert ask(sim_line, b"*IDN?") == b"MAKER,MODEL,7,1.0"
    sim_line.link.close()
    sim_line.link.clear()
    assert ask(sim_line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


@pytest.mark.parametrize(
    "sim_line",
    ["GPIB0::5::INSTR", "USB0::0xFFFE::0x00C1::SN1::0::INSTR", "TCPIP0::device.example::5025::SOCKET"],
    indirect=True,
)
def test_a_device_clear_that_the_library_has_is_used(sim_line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    """GPIB, USB, VXI-11 and HiSLIP carry one; it is not called on a raw socket."""
    cleared: list[str] = []
    monkeypatch.setattr(MessageBasedResource, "clear", lambda resource: cleared.append(resource.resource_class))
    sim_line.link.clear()

    assert cleared == (["INSTR"] if sim_line.link.resource.endswith("INSTR") else [])


def test_a_connection_that_the_peer_resets_is_lost(socket_line: Line, server: Server) -> None:
    """pyvisa-py raises ConnectionResetError here, which is no VisaIOError."""
    server.reset_on = b"BREAK?"
    with pytest.raises(LinkLost) as caught:
        ask(socket_line, b"BREAK?")

    assert isinstance(caught.value.__cause__, ConnectionResetError)
    socket_line.link.clear()
    assert ask(socket_line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_peer_that_closes_while_a_reply_is_due_looks_like_silence_and_a_clear_opens_the_line_again(
    socket_line: Line, server: Server
) -> None:
    """pyvisa-py cannot tell them apart; its own clear would never return here."""
    server.close_on = b"BYE?"
    with pytest.raises(TimedOut):
        ask(socket_line, b"BYE?", None)
    socket_line.link.clear()

    assert ask(socket_line, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_server_that_is_gone_after_a_time_out_is_a_lost_link(socket_line: Line, server: Server) -> None:
    """Opening a refused socket succeeds in pyvisa-py; the first message tells."""
    server.close_on = b"BYE?"
    messages = Messages(socket_line.link, "device", StillClock())  # type: ignore[arg-type]  # as above
    messages.ask("*IDN?")
    server.close()
    with pytest.raises((LinkLost, NotThere)):
        messages.ask("BYE?")


def test_a_refused_port_is_not_there_at_the_first_message(py_manager: Any, server: Server) -> None:
    """ConnectionRefusedError on the first write."""
    server.close()
    link = open_resource(py_manager, f"TCPIP0::127.0.0.1::{server.port}::SOCKET", 1.0)
    with pytest.raises(NotThere, match="refused"):
        link.send(b"*IDN?")
    link.close()


@pytest.mark.parametrize("resource", ["nonsense", "TCPIP0::127.0.0.1::SOCKET", "GPIB0::5::INSTR"])
def test_what_cannot_be_opened_is_not_there(py_manager: Any, resource: str) -> None:
    """VisaIOError or ValueError, depending on what is wrong."""
    with pytest.raises(NotThere) as caught:
        open_resource(py_manager, resource, 0.1)

    assert caught.value.resource == resource


def test_a_host_that_no_name_can_have_is_not_there(py_manager: Any) -> None:
    """A bare Exception in pyvisa-py, which also leaves its socket open: that warning is not ours."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        try:
            open_resource(py_manager, "TCPIP0::no..such..host::5025::SOCKET", 0.1)
        except NotThere as error:
            said = str(error)
        gc.collect()

    assert "could not connect" in said


def test_an_unknown_resource_of_a_simulated_library_is_not_there(sim_manager: Any) -> None:
    """VI_ERROR_RSRC_NFOUND."""
    with pytest.raises(NotThere, match="no such resource"):
        open_resource(sim_manager, "TCPIP0::nobody.example::5025::SOCKET", 0.1)


@pytest.mark.parametrize("library", ["@no-such-backend", "/no/such/library.so", "/no/such/file.yaml@sim"])
def test_a_visa_library_that_cannot_be_loaded_is_not_there(library: str) -> None:
    """OSError, ValueError, or whatever the back end raises."""
    with pytest.raises(NotThere, match="VISA library"):
        resource_manager(library)


def test_a_time_out_below_a_millisecond_is_refused(sim_manager: Any) -> None:
    """VISA counts in milliseconds, and 0 means at once."""
    with pytest.raises(ValueError, match="millisecond"):
        open_resource(sim_manager, "TCPIP0::device.example::5025::SOCKET", 0.0)
