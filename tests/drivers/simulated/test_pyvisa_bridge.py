"""The rig through PyVISA, as a driver reaches it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource

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
