"""Errors: what they say, and that they travel between processes."""

from __future__ import annotations

import pickle

import pytest

from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, Refused, TimedOut
from drivers.roles import QueueEntry


def test_an_error_says_which_instrument_where_and_what_was_in_flight() -> None:
    """The person reads it at a distance from the bench."""
    error = TimedOut("no reply", instrument="supply", resource="GPIB0::5::INSTR", message=":OUTP:STAT?")

    assert str(error) == "supply (GPIB0::5::INSTR), message ':OUTP:STAT?': no reply"


def test_a_refusal_names_every_entry_of_the_queue_oldest_first() -> None:
    """The oldest is the cause, the later ones often its consequences."""
    error = Refused(-222, "Data out of range", later=(QueueEntry(-221, "Settings conflict"),), instrument="tone_1")

    assert str(error) == 'tone_1: error -222, "Data out of range"; then -221, "Settings conflict"'


def test_a_refusal_without_an_entry_says_only_what_differs() -> None:
    """Number 0 means: the queue is silent, the setting is not what was told."""
    assert str(Refused(0, "it holds 4 instead of 5")) == "it holds 4 instead of 5"


@pytest.mark.parametrize("kind", [InstrumentError, NotThere, TimedOut, LinkLost, NotUnderstood])
def test_each_error_survives_pickling(kind: type[InstrumentError]) -> None:
    """A guard in a process of its own reports what it met."""
    error = kind("it broke", instrument="meter", resource="here", message="*IDN?")
    copy = pickle.loads(pickle.dumps(error))

    assert type(copy) is kind
    assert str(copy) == str(error)


def test_a_refusal_survives_pickling_with_its_entries() -> None:
    """It takes other arguments than its siblings."""
    error = Refused(-222, "Data out of range", later=(QueueEntry(-100, "Command error"),), instrument="x", message="y")
    copy = pickle.loads(pickle.dumps(error))

    assert isinstance(copy, Refused)
    assert (copy.number, copy.text, copy.later, str(copy)) == (-222, "Data out of range", error.later, str(error))
