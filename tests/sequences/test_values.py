"""Number lists, ranges and matchers of the files."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequences.values import LONGEST_RANGE, Matcher, expand_range, number, number_list


@given(start=st.integers(-1000, 1000), count=st.integers(0, 200), hundredths=st.integers(1, 500), down=st.booleans())
def test_a_range_holds_both_ends_and_even_steps(start: int, count: int, hundredths: int, down: bool) -> None:
    """Every value is the float of its decimal text, so noise does not add up along the range."""
    sign = -1 if down else 1
    stop = (start * 100 + sign * count * hundredths) / 100

    values = expand_range(start, stop, hundredths / 100)

    assert values == tuple((start * 100 + sign * index * hundredths) / 100 for index in range(count + 1))


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        ({"from": 0, "to": 30, "step": 7}, "whole number of steps"),
        ({"from": 0, "to": 1, "step": 0}, "step other than 0"),
        ({"from": 0}, "a range is"),
        ({"from": 0, "to": 1, "by": 1}, "a range is"),
        ({"from": 0, "to": LONGEST_RANGE + 1}, f"{LONGEST_RANGE} values at most"),
        ([], "empty"),
        ([1, "a"], "a number is wanted"),
        (True, "a number is wanted"),
        (math.nan, "finite"),
        (10**400, "finite"),
    ],
)
def test_a_bad_number_list_says_what_is_wanted(bad: object, why: str) -> None:
    """Texts, truth values, huge integers and uneven ranges are refused."""
    with pytest.raises(ValueError, match=why):
        number_list(bad)


def test_one_number_is_a_list_of_one() -> None:
    """A scalar axis needs no brackets, and an integer becomes a float."""
    assert number_list(3) == (3.0,)
    assert isinstance(number(3), float)


@pytest.mark.parametrize(
    ("written", "hits", "misses"),
    [
        (3, [3, 3.0000000001], [3.001, "3"]),
        ([1, 2], [1, 2.0], [3]),
        ("A", ["A"], ["B", 1]),
        ({"min": 0, "max": 20}, [0, 20, 7.5], [-1, 20.1, "A"]),
        ({"max": 5}, [-1e300, 5], [6]),
        ({"from": 0, "to": 10, "step": 5}, [0, 5, 10], [1]),
        ({"min": 150e6}, [150e6 - 0.01], [149e6]),
    ],
)
def test_a_matcher_matches_what_is_written(written: object, hits: list[float | str], misses: list[float | str]) -> None:
    """One value, a list, a range or an interval with its ends; numbers are the same within 1e-9 of their size."""
    matcher = Matcher.parse(written)

    assert all(matcher.matches(value) for value in hits)
    assert not any(matcher.matches(value) for value in misses)


@pytest.mark.parametrize("bad", [[], {}, {"min": 2, "max": 1}, {"low": 1}, {"min": "a"}, True, None, [[1]]])
def test_a_bad_matcher_is_refused(bad: object) -> None:
    """Anything but a value, a list, a range or an interval raises."""
    with pytest.raises(ValueError, match=r"wanted|empty|interval|above"):
        Matcher.parse(bad)


def test_matchers_of_the_same_meaning_are_equal_and_hash_alike() -> None:
    """Models that hold matchers can be compared and put into sets."""
    one, same, other = Matcher.parse([1, 2]), Matcher.parse([1.0, 2.0]), Matcher.parse([1, 3])

    assert one == same
    assert hash(one) == hash(same)
    assert one != other


def test_a_matcher_reads_short() -> None:
    """Long lists are cut in the middle."""
    assert str(Matcher.parse([0, 6, 12, 18, 24])) == "0, 6 … 24"
    assert str(Matcher.parse({"min": 0, "max": 20})) == "0 … 20"
