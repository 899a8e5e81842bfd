"""Exchanges packed into bytes and back."""

from __future__ import annotations

import json
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.store.recording_chunks import pack, unpack
from drivers.messages import Exchange

#: Whole microseconds of a year, as the recording has them.
seconds = st.integers(0, 10**6 * 86400 * 366).map(lambda microseconds: microseconds / 1e6)
awkward = st.sampled_from([b"", b"\n", b"\\", b"\\n", b"\\\n", b"=", b"\n\n", b"\\\\n", b"a\x00b", b"\xff\xfe\n"])
exchanges = st.builds(
    Exchange,
    number=st.integers(0, 2**53),
    instrument=st.text() | st.sampled_from(["supply", "analyzer", "clock"]),
    at_s=seconds,
    sent=st.binary() | awkward,
    received=st.none() | st.binary() | awkward,
    duration_s=seconds,
    error=st.none() | st.text(),
)


@settings(deadline=None)  # a busy machine is not a broken law
@given(st.lists(exchanges, max_size=8))
def test_packing_loses_nothing(listed: list[Exchange]) -> None:
    """Any bytes, line ends and Unicode separators included, any count and order; None stays apart from empty."""
    assert unpack(pack(listed)) == tuple(listed)


def test_a_chunk_can_be_read_without_this_program() -> None:
    """One byte for the form, then zlib: count, times byte by byte, lines. This is all that it takes."""
    rows = [
        Exchange(3, "supply", 1.5, b":MEAS:CURR?", b"+2.000E-01", 0.25, None),
        Exchange(4, "supply", 1.750001, b":OUTP OFF", None, 0.0, "LinkLost: gone"),
    ]
    packed = pack(rows)
    content = zlib.decompress(packed[1:])
    planes = [content[4 + 4 * byte : 8 + 4 * byte] for byte in range(8)]
    times_us = [int.from_bytes(bytes(plane[at] for plane in planes), "little", signed=True) for at in range(4)]

    assert packed[:1] == b"\x02"
    assert int.from_bytes(content[:4], "little") == 2
    assert times_us == [1_500_000, 1, 250_000, 0]
    assert content[36:].decode().split("\n") == [
        *("supply", "supply"),
        *("3", ""),
        *(":MEAS:CURR?", ":OUTP OFF"),
        *("=+2.000E-01", ""),
        *("", "=LinkLost: gone"),
    ]


def test_a_chunk_of_an_older_store_is_read() -> None:
    """JSON lines under zlib, one array for each exchange, with times that are no whole microseconds."""
    old = [
        [3, "supply", 1.50000049, ":MEAS:CURR?", "+2.000E-01", 0.1 + 0.2, None],
        [1, "chamber", 2.0, "\xff", None, 0.0, "x"],
    ]
    packed = zlib.compress("\n".join(json.dumps(one, ensure_ascii=False) for one in old).encode(), 1)

    assert unpack(packed) == (
        Exchange(3, "supply", 1.50000049, b":MEAS:CURR?", b"+2.000E-01", 0.1 + 0.2, None),
        Exchange(1, "chamber", 2.0, b"\xff", None, 0.0, "x"),
    )


def test_a_damaged_chunk_is_refused() -> None:
    """A flipped byte does not come back as a plausible recording."""
    packed = bytearray(pack([Exchange(1, "supply", 0.0, b"*IDN?", b"A,B,C,D", 0.1, None)]))
    packed[len(packed) // 2] ^= 0xFF

    with pytest.raises(ValueError, match="not a block of exchanges"):
        unpack(bytes(packed))
