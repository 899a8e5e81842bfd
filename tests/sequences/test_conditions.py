"""Expanding axes into conditions."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.frames import AXES
from sequences.bench_file import Bench
from sequences.conditions import AXIS_NAMES, Condition, axis_values, expand
from sequences.errors import FileFaults
from sequences.part_file import Part
from sequences.read_files import demo_file, read_bench, read_part
from sequences.sequence_file import Sequence

PART: Part = read_part(demo_file("virga-2.part.toml")).model
BENCH: Bench = read_bench(demo_file("nimbus.bench.toml")).model


def _sequence(exclude: tuple[dict[str, Any], ...] = (), **axes: Any) -> Sequence:
    return Sequence.model_validate(
        {
            "sequence": {"name": "test", "part": "p.toml"},
            "axes": {"tone_level_dbm": 3, "frequency_hz": 60e6, **axes},
            "exclude": exclude,
            "tones": {"spacing_hz": 1e6},
        }
    )


def test_a_condition_has_the_axes_of_the_frames_in_their_order() -> None:
    """A condition becomes a row of the frame without renaming."""
    assert list(AXIS_NAMES) == list(AXES)
    condition = Condition("A", 3, 25.0, "nominal", 200.0, 3.0, 60e6)
    assert list(condition.as_dict()) == list(AXES)
    assert Condition(**condition.as_dict()) == condition  # type: ignore[arg-type]  # values of mixed types by name


def test_all_means_what_the_part_lists() -> None:
    """Two channels, 31 codes, two modes, four loads."""
    values = axis_values(_sequence(), PART)

    assert values["channel"] == ("A", "B")
    assert values["gain_code"] == tuple(range(31))
    assert values["supply_mode"] == ("nominal", "low power")
    assert values["load_ohm"] == (100.0, 150.0, 200.0, 400.0)
    assert len(expand(_sequence(), PART, BENCH)) == 2 * 31 * 2 * 4


def test_a_gain_code_is_a_whole_number() -> None:
    """Codes come as int, so they can be written to a port and used as keys."""
    assert all(type(condition.gain_code) is int for condition in expand(_sequence(gain_code=[0, 5]), PART, BENCH))


def test_a_value_listed_twice_is_run_once() -> None:
    """Also when the two differ by float noise only; the first spelling stays."""
    sequence = _sequence(
        channel=["A", "A"], gain_code=0, load_ohm=200, supply_mode="nominal", temperature_c=[25, 0.1 + 0.2, 0.3, 25.0]
    )

    assert [condition.temperature_c for condition in expand(sequence, PART, BENCH)] == [25.0, 0.1 + 0.2]


def test_an_exclusion_spares_what_unless_names() -> None:
    """Other loads only at code 0: 200 Ω at three codes, 100 Ω at one."""
    exclusion = {"when": {"load_ohm": [100]}, "unless": {"gain_code": {"max": 0}}}
    sequence = _sequence((exclusion,), channel="A", gain_code=[0, 1, 2], load_ohm=[100, 200], supply_mode="nominal")

    found = [(condition.load_ohm, condition.gain_code) for condition in expand(sequence, PART, BENCH)]

    assert sorted(found) == [(100.0, 0), (200.0, 0), (200.0, 1), (200.0, 2)]


def test_excluding_everything_is_a_fault() -> None:
    """A run of nothing must not be reported as done."""
    with pytest.raises(FileFaults, match=r"\[\[exclude\]\]: found no condition that is left, allowed at least one"):
        expand(_sequence(({"when": {"frequency_hz": 60e6}},)), PART, BENCH)


def test_more_combinations_than_memory_holds_are_refused() -> None:
    """Refused by their count, before any is made."""
    sequence = _sequence(temperature_c={"from": 0, "to": 50_000}, tone_level_dbm={"from": 0, "to": 5000})

    with pytest.raises(FileFaults, match=r"\[axes\]: found \d+ combinations, allowed 20000000 or fewer"):
        expand(sequence, PART, BENCH)


CODES = st.lists(st.integers(0, 30), min_size=1, max_size=5)
LEVELS = st.lists(st.integers(-5, 5), min_size=1, max_size=4)
WHERE = st.dictionaries(
    st.sampled_from(["gain_code", "tone_level_dbm"]), st.lists(st.integers(-5, 30), min_size=1, max_size=4), min_size=1
)


@settings(deadline=None)
@given(codes=CODES, levels=LEVELS, when=WHERE, unless=st.one_of(st.just({}), WHERE))
def test_expansion_is_the_product_of_the_axes_less_the_exclusions(
    codes: list[int], levels: list[int], when: dict[str, list[int]], unless: dict[str, list[int]]
) -> None:
    """Against the definition, spelt out value by value."""
    sequence = _sequence(
        ({"when": when, "unless": unless},),
        channel="A",
        supply_mode="nominal",
        load_ohm=200,
        gain_code=codes,
        tone_level_dbm=levels,
    )

    def holds(table: dict[str, list[int]], code: int, level: int) -> bool:
        return all({"gain_code": code, "tone_level_dbm": level}[axis] in allowed for axis, allowed in table.items())

    expected = [
        (code, level)
        for code, level in itertools.product(dict.fromkeys(codes), dict.fromkeys(levels))
        if not (holds(when, code, level) and not (unless and holds(unless, code, level)))
    ]
    if expected:
        found = expand(sequence, PART, BENCH)
        assert [(condition.gain_code, condition.tone_level_dbm) for condition in found] == expected
    else:
        with pytest.raises(FileFaults, match="no condition"):
            expand(sequence, PART, BENCH)
