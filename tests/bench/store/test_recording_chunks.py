"""Exchanges packed into bytes and back."""

from __future__ import annotations

import json
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.store.recording_chunks import pack, unpack
from drivers.messages import Exchange

seconds = st.floats(min_value=0, allow_nan=False, allow_infinity=False)
exchanges = st.builds(
    Exchange,
    number=st.integers(0, 2**53),
    instrument=st.text(),
    at_s=seconds,
    sent=st.binary(),
    received=st.none() | st.binary(),
    duration_s=seconds,
    error=st.none() | st.text(),
)


@settings(deadline=None)  # a busy machine is not a broken law
@given(st.lists(exchanges, max_size=8))
def test_packing_loses_nothing(listed: list[Exchange]) -> None:
    """Any bytes, line ends and Unicode separators included, any count of exchanges; None stays apart from empty."""
    assert unpack(pack(listed)) == tuple(listed)


def test_a_chunk_can_be_read_without_this_program() -> None:
    """zlib and JSON are all it takes: one array per line, in the order of the fields."""
    one = Exchange(3, "supply", 1.5, b":MEAS:CURR?", b"+2.000E-01", 0.25, None)
    lines = zlib.decompress(pack([one, one])).decode().split("\n")

    assert [json.loads(line) for line in lines] == [[3, "supply", 1.5, ":MEAS:CURR?", "+2.000E-01", 0.25, None]] * 2


def test_a_damaged_chunk_is_refused() -> None:
    """A flipped byte does not come back as a plausible recording."""
    packed = bytearray(pack([Exchange(1, "supply", 0.0, b"*IDN?", b"A,B,C,D", 0.1, None)]))
    packed[len(packed) // 2] ^= 0xFF

    with pytest.raises(ValueError, match="not a block of exchanges"):
        unpack(bytes(packed))
