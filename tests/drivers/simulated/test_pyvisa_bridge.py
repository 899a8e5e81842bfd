"""The rig through PyVISA, as a driver reaches it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing

import pytest
import pyvisa
from hypothesis import given
from hypothesis import strategies as st
from pyvisa.constants import ResourceAttribute
from pyvisa.resources import MessageBasedResource
from pyvisa_sim.highlevel import SimVisaLibrary

from drivers.simulated.front_end import FrontEnd
from drivers.simulated.pyvisa_bridge import simulated_manager

_TONE = "TCPIP0::tone-1.nimbus.example::5025::SOCKET"
_ANALYZER = "TCPIP::analyzer.nimbus.example::5025::SOCKET"


def _open(manager: pyvisa.ResourceManager, resource: str) -> MessageBasedResource:
    opened = manager.open_resource(resource, read_termination="\n", write_termination="\n", timeout=200)
    assert isinstance(opened, MessageBasedResource)
    return opened


@pytest.fixture
def manager(ends: dict[str, FrontEnd]) -> Iterator[pyvisa.ResourceManager]:
    """Two instruments of the bench."""
    manager = simulated_manager({_TONE: ends["tone_1"], _ANALYZER: ends["analyzer"]})
    yield manager
    manager.close()


def test_an_instrument_answers_at_its_resource_string_in_any_spelling(manager: pyvisa.ResourceManager) -> None:
    """``TCPIP`` and ``TCPIP0`` are one board."""
    assert _open(manager, _TONE).query("*IDN?") == "NIGHTBENCH,SIMULATED-TONE-SOURCE,NS-101,0.1"
    assert _open(manager, _ANALYZER.replace("TCPIP", "TCPIP0")).query("*IDN?").startswith("NIGHTBENCH,SIMULATED-SPEC")


def test_a_binary_trace_comes_whole(manager: pyvisa.ResourceManager) -> None:
    """401 points of 32 bits, whatever bytes they hold."""
    analyzer = _open(manager, _ANALYZER)
    analyzer.write("FREQ:SPAN 0;CENT 60E6;:BAND 3E4;:SWE:POIN 401;:FORM REAL,32")
    assert analyzer.query("INIT;*OPC?") == "1"

    values = analyzer.query_binary_values("TRAC? TRACE1", is_big_endian=True)
    assert len(values) == 401
    assert all(-150 < value < -50 for value in values)


def test_an_unread_rest_of_a_reply_is_an_interrupted_query(manager: pyvisa.ResourceManager) -> None:
    """A controller that reads half and goes on has lost the other half; the next answer is not shifted."""
    tone = _open(manager, _TONE)
    tone.write("*IDN?")
    assert tone.read_bytes(4) == b"NIGH"

    assert tone.query("OUTP?") == "0"
    assert tone.query("SYST:ERR?") == '-410,"Query INTERRUPTED"'


def test_a_question_that_is_none_times_out(manager: pyvisa.ResourceManager) -> None:
    """Nothing comes, and the queue tells why."""
    tone = _open(manager, _TONE)
    tone.timeout = 20

    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
        tone.query("FREQU?")
    assert tone.query("SYST:ERR?") == '-113,"Undefined header"'


def test_an_address_that_is_not_on_the_bench_is_not_found(manager: pyvisa.ResourceManager) -> None:
    """As a real library says it."""
    with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_RSRC_NFOUND"):
        _open(manager, "TCPIP0::nobody.nimbus.example::5025::SOCKET")


def test_two_managers_share_nothing(ends: dict[str, FrontEnd]) -> None:
    """Each has its own library, although PyVISA keeps one per library string for the whole process."""
    one, two = simulated_manager({_TONE: ends["tone_1"]}), simulated_manager({_TONE: ends["tone_2"]})
    try:
        assert one is not two
        assert _open(one, _TONE).query("*IDN?") != _open(two, _TONE).query("*IDN?")
    finally:
        one.close()
        two.close()


class _Said:
    """An instrument that answers anything with the same bytes, once."""

    def __init__(self, response: bytes) -> None:
        self._response: bytes | None = response

    def receive(self, data: bytes) -> None:
        """Take anything."""

    def reply(self) -> bytes | None:
        response, self._response = self._response, None
        return response

    def interrupt(self) -> None:
        """Nothing is lost that matters here."""


def _reads(response: bytes, counts: list[int], stop: int | None, *, by_bytes: bool) -> list[tuple[bytes, int]]:
    """Bytes and status of each read, as long as there is something to read."""
    with closing(simulated_manager({_TONE: _Said(response)})) as manager:
        opened = manager.open_resource(_TONE)
        library, session, left = manager.visalib, opened.session, len(response)
        library.set_attribute(session, ResourceAttribute.termchar_enabled, stop is not None)
        if stop is not None:
            library.set_attribute(session, ResourceAttribute.termchar, stop)
        library.set_attribute(session, ResourceAttribute.suppress_end_enabled, False)
        got: list[tuple[bytes, int]] = []
        for count in counts:
            if not left:
                break
            read = SimVisaLibrary.read if by_bytes else type(library).read
            data, status = read(library, session, count)
            got.append((bytes(data), int(status)))
            left -= len(data)
        return got


@given(
    st.lists(st.sampled_from(b"\n\rab"), min_size=1, max_size=30).map(bytes),
    st.lists(st.integers(1, 12), min_size=1, max_size=8),
    st.sampled_from([None, ord("\n"), ord("\r")]),
)
def test_pieces_are_what_byte_by_byte_gives(response: bytes, counts: list[int], stop: int | None) -> None:
    """The same bytes and status at each read, by pyvisa-sim's own reading of VPP-4.3, rules 6.1.1 to 6.1.3."""
    assert _reads(response, counts, stop, by_bytes=False) == _reads(response, counts, stop, by_bytes=True)
