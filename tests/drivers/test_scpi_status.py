"""Status: which event an error number belongs to."""

from __future__ import annotations

import pytest

from drivers.scpi_status import StandardEvent, event_of


@pytest.mark.parametrize(
    ("number", "bit"),
    [(-113, 5), (-222, 4), (-310, 3), (12, 3), (-420, 2), (-500, 7), (-600, 6), (-700, 1), (-800, 0)],
)
def test_each_error_class_sets_its_bit_of_the_event_register(number: int, bit: int) -> None:
    """SCPI-1999 Vol 2, 21.8 (from a quotation): −1xx→5, −2xx→4, −3xx and positive→3, −4xx→2, −5xx→7 … −8xx→0."""
    assert event_of(number) == 1 << bit


@pytest.mark.parametrize("number", [0, -1, -99, -900, -1000])
def test_numbers_that_the_standard_leaves_free_set_no_bit(number: int) -> None:
    """0 is "No error"; −1…−99 and below −899 are not assigned."""
    assert event_of(number) == StandardEvent(0)


def test_the_register_has_eight_named_bits() -> None:
    """IEEE 488.2, 11.5.1."""
    assert [event.value for event in StandardEvent] == [1, 2, 4, 8, 16, 32, 64, 128]
