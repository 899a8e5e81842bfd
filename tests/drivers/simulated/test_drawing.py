"""Draws that depend on nothing but a seed and a name."""

from __future__ import annotations

import statistics

from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.drawing import fraction, normal, seed_of, within


@given(st.integers(0, 2**63), st.text(max_size=20))
def test_a_draw_is_the_same_whatever_was_drawn_before(seed: int, name: str) -> None:
    """Order of use does not matter: there is no generator whose state could move."""
    first = within(1.0, seed, name)
    within(1.0, seed, name + "x")

    assert within(1.0, seed, name) == first


@given(st.floats(0, 1e3), st.integers(0, 2**63), st.text(max_size=20))
def test_a_rectangular_draw_lies_within_its_half_width(half_width: float, seed: int, name: str) -> None:
    """What a bench file declares bounds what the bench does."""
    assert -half_width <= within(half_width, seed, name) <= half_width


def test_rectangular_draws_have_the_standard_deviation_of_a_rectangle() -> None:
    """a/√3 for half-width a (JCGM 100:2008, 4.3.7); 4000 draws know it to 1 %, so 4 % is beyond chance."""
    drawn = [within(1.0, 1, f"error {index}") for index in range(4000)]

    assert abs(statistics.fmean(drawn)) < 0.04
    assert abs(statistics.pstdev(drawn) / (1 / 3**0.5) - 1) < 0.04


def test_normal_draws_have_the_asked_standard_deviation() -> None:
    """4000 draws know their standard deviation to 1.1 %."""
    drawn = [normal(0.3, 2, f"error {index}") for index in range(4000)]

    assert abs(statistics.pstdev(drawn) / 0.3 - 1) < 0.05


@given(st.integers(0, 2**63), st.floats(0.5, 3))
def test_a_cut_normal_draw_lies_within_the_cut(seed: int, at_most: float) -> None:
    """No unit is further out than its spread says."""
    assert abs(normal(1.0, seed, "gain", at_most=at_most)) <= at_most + 1e-9


@given(st.integers(0, 2**63))
def test_fractions_are_never_at_the_ends(seed: int) -> None:
    """0 or 1 would be an infinite normal draw."""
    assert 0 < fraction(seed, "x") < 1


def test_two_names_and_two_seeds_draw_apart() -> None:
    """Serial numbers become units that differ."""
    assert len({seed_of("VG2-0001"), seed_of("VG2-0002"), seed_of("VG2-0001", 1)}) == 3
