"""The log of exchanges between two commits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.recording import ExchangeLog, Level, kept
from drivers.messages import Exchange


def exchange(number: int) -> Exchange:
    return Exchange(number, "supply", float(number), b"*IDN?", b"x", 0.001, None)


@given(st.lists(st.booleans(), max_size=60))
def test_every_exchange_is_handed_over_once_and_in_order(takes: list[bool]) -> None:
    """However notes and takes alternate, all that was taken and all that is left make what was noted."""
    log = ExchangeLog()
    taken: list[Exchange] = []
    noted = 0
    for take in takes:
        if take:
            taken.extend(log.take())
        else:
            noted += 1
            log.note(exchange(noted))
    taken.extend(log.take())

    assert [one.number for one in taken] == list(range(1, noted + 1))
    assert log.take() == []


def test_what_was_handed_over_does_not_change_any_more() -> None:
    """A commit may still be reading it while the next exchange is noted."""
    log = ExchangeLog()
    log.note(exchange(1))
    taken = log.take()
    log.note(exchange(2))

    assert [one.number for one in taken] == [1]


FAILED = Exchange(1, "supply", 0.0, b"*IDN?", None, 5.0, "TimedOut: no complete reply in time")


@pytest.mark.parametrize(
    ("level", "of_condition", "of_failed_condition", "of_the_rest"),
    [("whole", True, True, True), ("failures", False, True, True), ("none", False, False, False)],
)
def test_a_level_keeps_what_it_says(
    level: Level, of_condition: bool, of_failed_condition: bool, of_the_rest: bool
) -> None:
    """Exchanges that are committed together are kept together: one of them explains the next."""
    good, bad = [exchange(1), exchange(2)], [exchange(1), FAILED, exchange(2)]

    assert list(kept(good, level, of_condition=True)) == (good if of_condition else [])
    assert list(kept(bad, level, of_condition=True)) == (bad if of_failed_condition else [])
    assert list(kept(good, level)) == (good if of_the_rest else [])
