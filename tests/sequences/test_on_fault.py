"""What a sequence file may say about instruments that fail."""

from __future__ import annotations

import pytest

from edited_demo import edited_demo
from sequences.errors import FileFaults
from sequences.read_files import Setup

HEAD = "reference_temperature_c = 25"


def edited(text: str) -> Setup:
    return edited_demo({HEAD: f"{HEAD}\n{text}"})


def test_a_run_trips_unless_the_file_says_otherwise() -> None:
    """Files that were written before there were retries mean what they meant."""
    facts = edited_demo({}).sequence.model.sequence

    assert facts.on_fault == "trip"
    assert (facts.retries, facts.retry_after_s) == (2, 10.0)


def test_a_retry_has_a_count_and_a_wait_in_any_unit_of_time() -> None:
    """Two minutes, for an instrument that starts slowly."""
    facts = edited('on_fault = "retry"\nretries = 5\nretry_after_min = 2').sequence.model.sequence

    assert (facts.on_fault, facts.retries, facts.retry_after_s) == ("retry", 5, 120.0)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ('on_fault = "retyr"', r'on_fault: found "retyr", allowed "trip", "retry"\..*Did you mean "retry"'),
        ("retries = 0", "retries: found 0, allowed 1 or more"),
        ("retry_after_s = -1", "retry_after_s: found -1, allowed 0 or more"),
    ],
)
def test_what_cannot_be_is_refused_with_what_can(text: str, named: str) -> None:
    """No retry at all is said by on_fault."""
    with pytest.raises(FileFaults, match=named):
        edited(text)
