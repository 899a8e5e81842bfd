"""Typical figures: from the datasheet where it has them, otherwise cautious ones."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bench.acquisition import expected_level_dbm
from bench.typical import (
    FALLBACK_HD2_DBC,
    FALLBACK_OIP3_DBM,
    FALLBACK_TONE_DBM,
    Typical,
    typical,
    typical_intercepts_dbm,
)
from sequences.part_file import Part
from sequences.products import LINES, TONES
from sequences.read_files import Setup


@pytest.fixture
def part(quick: Setup) -> Part:
    """The demo part: OIP3 45 dBm nominal and 40 dBm in low power, HD2 −72 dBc nominal at 3 dBm."""
    return quick.part.model


def without(part: Part, *characteristics: str) -> Part:
    """``part`` with those limits left out."""
    return part.model_copy(
        update={"limit": tuple(limit for limit in part.limit if limit.characteristic not in characteristics)}
    )


def test_each_supply_mode_has_its_own_intercept(part: Part) -> None:
    """As the two limits with a typical OIP3 say."""
    assert typical(part, "nominal").oip3_dbm == 45.0
    assert typical(part, "low power").oip3_dbm == 40.0


def test_a_figure_that_only_another_mode_states_is_better_than_none(part: Part) -> None:
    """HD2 is stated for the nominal mode alone."""
    assert typical(part, "low power").hd2_dbc == -72.0
    assert typical(part, "low power").hd2_tone_dbm == 3.0


def test_a_limit_for_every_mode_stands_behind_one_for_this_mode(part: Part) -> None:
    """The more particular line of a datasheet is the one that is meant, wherever it stands."""
    nominal = next(limit for limit in part.limit if limit.characteristic == "oip3")
    general = nominal.model_copy(update={"typical": 50.0, "where": {}})
    both = part.model_copy(update={"limit": (general, *without(part, "hd2").limit)})
    only = part.model_copy(update={"limit": (*without(part, "oip3").limit, general)})

    assert typical(both, "nominal").oip3_dbm == 45.0
    assert typical(only, "nominal").oip3_dbm == 50.0


def test_a_limit_without_a_typical_figure_tells_nothing(part: Part) -> None:
    """A minimum of 38 dBm is what every unit exceeds, not what one shows."""
    silent = part.model_copy(
        update={
            "limit": tuple(limit for limit in part.limit if limit.characteristic != "oip3" or limit.typical is None)
        }
    )

    assert [limit.min for limit in silent.limit if limit.characteristic == "oip3"] == [38.0]
    assert typical(silent, "nominal").oip3_dbm == FALLBACK_OIP3_DBM


def test_a_part_without_limits_gets_cautious_figures(part: Part) -> None:
    """Too weak a guess costs a slow first sweep, never truth."""
    assert typical(without(part, "oip3", "hd2"), "nominal") == Typical(
        FALLBACK_OIP3_DBM, FALLBACK_HD2_DBC, FALLBACK_TONE_DBM
    )


def test_every_product_line_has_an_intercept_and_no_tone_has(part: Part) -> None:
    """In the order of ``LINES``."""
    assert list(typical_intercepts_dbm(part, "nominal")) == [line for line in LINES if line not in TONES]


@pytest.mark.parametrize("tone_dbm", [-3.0, 3.0])
def test_intercepts_foretell_what_the_datasheet_and_the_closed_forms_say(part: Part, tone_dbm: float) -> None:
    """A square makes HD2 6.02 dB below the sum product, a cubic HD3 9.54 dB below IM3 (closed forms, equal tones)."""
    intercepts = typical_intercepts_dbm(part, "nominal")
    level = {line: expected_level_dbm(line, tone_dbm, intercept) for line, intercept in intercepts.items()}

    assert level["im3_lower"] == level["im3_upper"] == pytest.approx(3 * tone_dbm - 2 * 45.0)
    assert level["im2_sum"] - level["hd2"] == pytest.approx(6.0206, abs=1e-4)
    assert level["im3_lower"] - level["hd3"] == pytest.approx(9.5424, abs=1e-4)


def test_the_second_harmonic_is_the_datasheets_at_the_datasheets_level(part: Part) -> None:
    """−72 dBc at 3 dBm: −69 dBm."""
    assert expected_level_dbm("hd2", 3.0, typical_intercepts_dbm(part, "nominal")["hd2"]) == pytest.approx(-69.0)


def test_modes_get_intercepts_of_their_own(part: Part, make_setup: Callable[..., Setup]) -> None:
    """5 dB less OIP3 in low power; a mode listed first changes nothing."""
    nominal, low = (typical_intercepts_dbm(part, mode) for mode in ("nominal", "low power"))

    assert nominal["im3_lower"] - low["im3_lower"] == 5.0
    edited = make_setup({"min = 40.0\ntypical = 45.0": "min = 40.0\ntypical = 47.0"}).part.model
    assert typical_intercepts_dbm(edited, "low power") == low
