"""The shipped scenario: its files load, fit together and make the night that they promise."""

from __future__ import annotations

from collections import Counter

import pytest

from sequences.bench_file import Instruments
from sequences.conditions import Condition, expand
from sequences.errors import FileFaults
from sequences.products import measured_lines
from sequences.read_files import demo_file, read_bench, read_setup
from sequences.resource_strings import loopback_port
from sequences.transitions import TransitionCosts


def _conditions(name: str) -> tuple[Condition, ...]:
    setup = read_setup(demo_file(name))
    return expand(setup.sequence.model, setup.part.model, setup.bench.model)


def test_the_overnight_sequence_has_its_1708_conditions() -> None:
    """Per channel, mode and temperature: 31 codes, 18 more in other loads, 6 of other levels, 6 of other frequencies.

    2 channels · 2 modes · 7 temperatures · (31 + 3·6 + 2·3 + 2·3) = 28 · 61 = 1708.
    """
    conditions = _conditions("overnight.sequence.toml")

    assert len(conditions) == len(set(conditions)) == 28 * (31 + 18 + 6 + 6)
    assert set(Counter((c.channel, c.supply_mode, c.temperature_c) for c in conditions).values()) == {61}


def test_the_quick_sequence_has_42_conditions() -> None:
    """2 channels · 7 codes · 3 temperatures."""
    assert len(_conditions("quick.sequence.toml")) == 42


@pytest.mark.parametrize(("name", "count"), [("compression", 2 * 3 * 3 * 2 * 12), ("noise", 2 * 11 * 3 * 2)])
def test_sequences_with_fewer_tones_fit_the_demo_bench(name: str, count: int) -> None:
    """Read with every check across the files; channels, codes, temperatures, and loads and levels or modes."""
    assert len(_conditions(f"{name}.sequence.toml")) == count


@pytest.mark.parametrize("name", ["overnight.sequence.toml", "quick.sequence.toml"])
def test_every_limit_of_the_part_is_tested_by_each_shipped_sequence(name: str) -> None:
    """A limit that no condition of the demo meets would be a decision about nothing."""
    setup = read_setup(demo_file(name))
    rows = [c.as_dict() for c in _conditions(name)]
    modes = {row["supply_mode"] for row in rows}

    untested = [
        limit
        for limit in setup.part.model.limit
        if not any(all(where.matches(row[axis]) for axis, where in limit.where.items()) for row in rows)
    ]

    assert [limit for limit in untested if limit.where["supply_mode"].matches("nominal")] == []
    assert (untested == []) == (modes == {"nominal", "low power"})


def test_the_demo_benches_are_simulated_and_name_no_real_host() -> None:
    """Their resources lie under the .example domain (RFC 2606, clause 2); no power meter is among them."""
    names = ("nimbus.bench.toml", "nimbus-network.bench.toml")
    benches = [read_bench(demo_file(name)).model for name in names]
    places = [place for bench in benches for place in bench.instrument.present]
    resources = [entry.resource for bench in benches for entry in bench.instrument.present.values()]

    assert all(bench.is_simulated for bench in benches)
    assert set(places) == set(Instruments.model_fields) - {"power_meter"}
    assert all(".example::" in resource for resource in resources)


def test_the_soaks_of_the_demo_end_before_they_time_out() -> None:
    """From the room and between all temperatures, with the margin that a rig with some overshoot needs."""
    setup = read_setup(demo_file("overnight.sequence.toml"))
    soak = TransitionCosts.of(setup.bench.model, setup.sequence.model).soak
    temperatures = (23.0, *setup.sequence.model.axes.temperature_c)

    assert soak is not None
    assert max(soak.soak_s(one, two) for one in temperatures for two in temperatures) < 0.7 * soak.rule.longest_s


def test_a_demo_file_that_is_not_shipped_is_a_fault() -> None:
    """With the names that are, and the nearest."""
    with pytest.raises(
        FileFaults,
        match=r"allowed .*nimbus\.bench\.toml, .*Did you mean overnight\.sequence\.toml\?",
    ):
        demo_file("overnite.sequence.toml")


@pytest.mark.parametrize(
    ("two_tone", "harmonics", "lines"),
    [
        (False, False, ()),
        (True, False, ("tone_lower", "tone_upper", "im3_lower", "im3_upper", "im2_sum")),
        (False, True, ("tone_lower", "tone_upper", "hd2", "hd3")),
        (True, True, ("tone_lower", "tone_upper", "im3_lower", "im3_upper", "im2_sum", "hd2", "hd3")),
    ],
)
def test_the_tones_are_measured_with_every_product(two_tone: bool, harmonics: bool, lines: tuple[str, ...]) -> None:
    """A product without its tones could not be related to anything."""
    assert measured_lines(two_tone=two_tone, harmonics=harmonics) == lines


def test_the_bench_behind_sockets_is_nimbus_in_everything_but_how_it_is_reached() -> None:
    """Clock, library and addresses; so a night over sockets is the night of the demo."""
    nimbus, sockets = (read_bench(demo_file(f"{name}.bench.toml")).model for name in ("nimbus", "sockets"))
    own = sockets.model_dump(exclude={"bench"})
    for place, entry in sockets.instrument.present.items():
        address = loopback_port(entry.resource)
        assert address is not None
        assert address[0] == "127.0.0.1"
        own["instrument"][place]["resource"] = nimbus.instrument.present[place].resource

    assert own == nimbus.model_dump(exclude={"bench"})
    assert (sockets.bench.visa_library, sockets.bench.clock) == ("@py", "scaled")
