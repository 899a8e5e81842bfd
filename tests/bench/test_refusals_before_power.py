"""What a plan refuses or warns of by arithmetic alone: lines that meet, and levels that add up."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bench.hazards import hazards
from sequences.conditions import expand
from sequences.cross_checks import APART, cross_check
from sequences.errors import FileFault
from sequences.read_files import Setup

Make = Callable[..., Setup]
Edits = dict[str, str]

#: One code at one temperature.
SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = 30",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
}

#: Sources that give more than the unit stands.
STRONG = {
    f'serial = "{serial}"\ncalibration_due = 2027-05-31\nhighest_level_dbm = 19': f'serial = "{serial}"\n'
    "calibration_due = 2027-05-31\nhighest_level_dbm = 30"
    for serial in ("NS-101", "NS-102")
}


def faults(setup: Setup) -> tuple[FileFault, ...]:
    return cross_check(setup.sequence.model, setup.part.model, setup.bench.model, setup.path_losses)


def at_input(level_dbm: float, more: str = "") -> Edits:
    """Tones of a level at the unit's input."""
    return {
        **SMALL,
        **STRONG,
        "tone_level_dbm = 3\nfrequency": f"tone_level_dbm = {level_dbm}\nfrequency",
        "spacing_mhz = 1": f'spacing_mhz = 1\nlevel_at = "input"{more}',
    }


# --- Lines that meet


@pytest.mark.parametrize(
    ("spacing_mhz", "problem"),
    [
        # 2·48 = 96 MHz = 2·72 − 48: HD2 of the lower tone falls onto the upper IM3.
        ("24", "im3_upper and hd2 lie 0 Hz apart at 60 MHz"),
        ("24.00003", "im3_upper and hd2 lie 75 Hz apart at 60 MHz"),
        ("0.00002", "tone_lower and tone_upper lie 20 Hz apart at 60 MHz"),
    ],
)
def test_two_measured_lines_that_one_filter_would_take_together_are_refused_in_one_line(
    make_setup: Make, spacing_mhz: str, problem: str
) -> None:
    """The narrowest bandwidth of the demo's analyzer is 10 Hz, and lines must be ten of it apart."""
    found = [str(fault) for fault in faults(make_setup({**SMALL, "spacing_mhz = 1": f"spacing_mhz = {spacing_mhz}"}))]

    assert APART == 10.0
    assert len(found) == 1
    assert "\n" not in found[0]
    assert "[tones] spacing_hz" in found[0]
    assert problem in found[0]
    assert "100 Hz or more between lines" in found[0]


@pytest.mark.parametrize("spacing_mhz", ["1", "20", "24.00005", "0.0001"])
def test_lines_that_are_ten_bandwidths_apart_are_allowed(make_setup: Make, spacing_mhz: str) -> None:
    """100 Hz between the tones is the least; at 24.00005 MHz HD2 lies 125 Hz from the upper IM3."""
    assert faults(make_setup({**SMALL, "spacing_mhz = 1": f"spacing_mhz = {spacing_mhz}"})) == ()


@pytest.mark.parametrize("unread", ["two_tone", "harmonics"])
def test_a_line_that_nobody_reads_is_there_all_the_same(make_setup: Make, unread: str) -> None:
    """Read without its harmonics, the upper IM3 at 24 MHz of spacing is 13 dB too high by the HD2 that falls on it."""
    edits = {**SMALL, "spacing_mhz = 1": "spacing_mhz = 24", "[soak]": f"[measure]\n{unread} = false\n\n[soak]"}

    assert ["im3_upper and hd2 lie 0 Hz apart" in str(fault) for fault in faults(make_setup(edits))] == [True]


# --- Levels that add up


def test_the_rating_counts_what_source_and_path_may_be_off(make_setup: Make) -> None:
    """Two of 14.98 dBm are 17.99 dBm; ±0.25 dB and ±0.04 dB of a source and U = 0.06 dB of the path pass 18 dBm."""
    found = faults(make_setup(at_input(14.98)))

    assert [(fault.kind, fault.key) for fault in found] == [("beyond rating", "tone_level_dbm")]
    assert "may put 18.34 dBm into the unit (with what source and path may be off)" in str(found[0])
    assert "\n" not in str(found[0])


def test_a_level_whose_doubt_stays_below_the_rating_is_allowed(make_setup: Make) -> None:
    """14.63 + 3.01 + 0.35 dB = 17.99 dBm; 0.02 dB more are too much."""
    assert faults(make_setup(at_input(14.63))) == ()
    assert len(faults(make_setup(at_input(14.65)))) == 1


def test_a_source_of_better_accuracy_may_give_more(make_setup: Make) -> None:
    """The worse of the two sources counts, since either may be the one that is off."""
    exact = "accuracy = { level_db = 0.25, setting_db = 0.04 }\nharmonics_dbc"
    better = {
        old: new
        for serial in ("NS-101", "NS-102")
        for old, new in [
            (
                f'"{serial}"\ncalibration_due = 2027-05-31\nhighest_level_dbm = 19\n{exact}',
                f'"{serial}"\ncalibration_due = 2027-05-31\nhighest_level_dbm = 30\n{exact.replace("0.25", "0.1")}',
            )
        ]
    }
    edits = {key: value for key, value in at_input(14.7).items() if key not in STRONG}
    one_better = {**edits, **dict([next(iter(better.items()))]), list(STRONG)[1]: list(STRONG.values())[1]}

    assert faults(make_setup({**edits, **better})) == ()
    assert len(faults(make_setup(one_better))) == 1


@pytest.mark.parametrize(
    ("upper_minus_lower_db", "together"),
    # −2.5 dBm and d dB more: −2.5 + 10·log10(1 + 10^(d/10)) dBm.
    [(0, "0.5 dBm"), (6, "4.5 dBm"), (-6, "-1.5 dBm"), (20, "17.5 dBm")],
)
def test_the_hazard_at_the_input_adds_powers_of_unequal_tones(
    make_setup: Make, upper_minus_lower_db: int, together: str
) -> None:
    """Twice the stronger tone would be up to 3 dB more than there is: 20.5 dBm instead of 17.5 dBm."""
    setup = make_setup(at_input(-2.5, f"\nupper_minus_lower_db = {upper_minus_lower_db}"))
    conditions = expand(setup.sequence.model, setup.part.model, setup.bench.model)
    causes = {hazard.name: hazard.cause for hazard in hazards(setup, conditions)}

    assert f" {together}" in causes["unit-input"].replace("−", "-")
