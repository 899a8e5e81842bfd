"""The simulated chamber as a Modbus unit: frames byte for byte.

Frames and checksums are quoted examples of the Modbus Application Protocol Specification V1.1b3 and Modbus over Serial
Line V1.02, from memory, not seen; the library that drivers use agrees with them.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from drivers.simulated.front_end import FrontEnd
from drivers.simulated.modbus_face import ModbusFace, crc16


@pytest.fixture
def face(ends: dict[str, FrontEnd]) -> ModbusFace:
    return ModbusFace(ends["chamber"])


@pytest.mark.parametrize(("frame", "checksum"), [("01 03 00 00 00 01", "84 0a"), ("01 06 01 2c fe 70", "08 7b")])
def test_checksums_are_low_byte_first(frame: str, checksum: str) -> None:
    """Two frames whose checksums are quoted widely."""
    assert crc16(bytes.fromhex(frame)) == bytes.fromhex(checksum)


@given(st.binary(min_size=1, max_size=60))
def test_checksums_are_those_of_the_library(frame: bytes) -> None:
    """Written twice, apart."""
    assert crc16(frame) == FramerRTU.compute_CRC(frame).to_bytes(2, "big")


def test_a_set_point_of_minus_40_is_written_and_echoed(face: ModbusFace, ask: object) -> None:
    """Function 6: address 300, −400 tenths; the reply repeats the request."""
    request = bytes.fromhex("01 06 01 2c fe 70 08 7b")

    assert face.rtu(request) == request
    assert face.rtu(bytes.fromhex("01 03 01 2c 00 01") + crc16(bytes.fromhex("01 03 01 2c 00 01")))[
        :5
    ] == bytes.fromhex("01 03 02 fe 70")


def test_a_tcp_frame_has_a_header_and_no_checksum(face: ModbusFace) -> None:
    """Function 3 over TCP: transaction 7, six bytes follow, unit 1; the reply bears the same transaction."""
    received = bytearray.fromhex("00 07 00 00 00 06 01 03 01 2c 00 01")

    assert face.tcp(received) == bytes.fromhex("00 07 00 00 00 05 01 03 02 00 e6")
    assert received == b""


def test_half_a_frame_waits_for_the_rest_and_two_are_answered_in_order(face: ModbusFace) -> None:
    """TCP has no messages of its own."""
    first = bytes.fromhex("00 07 00 00 00 06 01 03 01 2c 00 01")
    received = bytearray(first[:5])
    assert face.tcp(received) == b""
    received += first[5:] + bytes.fromhex("00 08 00 00 00 06 01 04 00 64 00 01")

    assert (
        face.tcp(received).hex()
        == "00070000000501030200e6"
        + "00080000000501040200"
        + face.tcp(bytearray.fromhex("00 00 00 00 00 06 01 04 00 64 00 01"))[-1:].hex()
    )


@pytest.mark.parametrize(
    ("request_pdu", "reply"),
    [
        ("2b 0e 01 00", "ab 01"),  # a function that it has not
        ("03 00 00 00 01", "83 02"),  # a register that it has not
        ("03 01 2c 00 00", "83 03"),  # none asked for
        ("03 01 2c", "83 03"),  # cut off
        ("06 01 2c 07 d0", "86 03"),  # 200.0 °C, beyond the chamber
        ("05 00 05 12 34", "85 03"),  # neither on nor off
        ("05 00 06 ff 00", "85 02"),  # a coil that it has not
        ("10 01 40 00 02 02 c2 34", "90 03"),  # two registers, two bytes
    ],
)
def test_what_it_will_not_do_is_answered_by_an_exception(face: ModbusFace, request_pdu: str, reply: str) -> None:
    """Function code with its highest bit set, then 1, 2 or 3 (V1.1b3, 7); nothing is written."""
    assert face.answer(bytes.fromhex(request_pdu)) == bytes.fromhex(reply)
    assert face.writes == []


@pytest.mark.parametrize("frame", ["02 03 01 2c 00 01", "01 03 01 2c 00 01"])
def test_another_unit_or_a_wrong_checksum_gets_no_reply(face: ModbusFace, frame: str) -> None:
    """On a line that several share, silence is the answer."""
    data = bytes.fromhex(frame)
    checksum = crc16(data) if data[0] == 2 else b"\0\0"

    assert face.rtu(data + checksum) == b""


def test_limits_are_floats_in_the_order_that_is_asked_for(ends: dict[str, FrontEnd]) -> None:
    """−45.0 is C2340000 (IEEE 754 single)."""
    request = bytes.fromhex("10 01 40 00 02 04 00 00 c2 34")
    face = ModbusFace(ends["chamber"], low_first=True)

    assert face.answer(request) == bytes.fromhex("10 01 40 00 02")
    assert face.answer(bytes.fromhex("03 01 40 00 02")) == bytes.fromhex("03 04 00 00 c2 34")
