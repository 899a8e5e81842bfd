"""Places of a bench: one name for each, the same in bench file, drivers and code."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any, get_args

import pytest

from bench.places import ROLE_OF_PLACE, Places
from drivers.catalogue import PROTOCOLS, Role
from sequences.bench_file import Instruments
from sequences.read_files import Setup

#: Any: the FakeBench of conftest.py, which a test cannot import.
MakeBench = Callable[..., Any]
MakePlaces = Callable[[Any], Places]


#: So that the bench has an instrument at every place.
POWER_METER = """[instrument.power_meter]
resource = "TCPIP0::power-meter.nimbus.example::5025::SOCKET"
coupling_db = 26
coupling_uncertainty_db = 0.05
noise_dbm = -60
highest_input_dbm = 20
accuracy = { level_db = 0.05, linearity_db_per_10db = 0.01 }

[combiner]
"""


def test_bench_file_places_and_roles_name_the_same_places_in_the_same_order() -> None:
    """A place that one of them lacks could not be opened, or not be written."""
    names = [place.name for place in fields(Places)]

    assert names == list(Instruments.model_fields)
    assert names == list(ROLE_OF_PLACE)
    assert set(ROLE_OF_PLACE.values()) == set(get_args(Role)) == set(PROTOCOLS)


@pytest.mark.parametrize("place", list(ROLE_OF_PLACE))
def test_a_place_that_is_left_out_is_passed_over(
    make_network_setup: Callable[..., Setup], make_bench: MakeBench, make_places: MakePlaces, place: str
) -> None:
    """All others come in order, each with its own instrument."""
    places = make_places(make_bench(make_network_setup({"[combiner]\n": POWER_METER})))
    without = replace(places, **{place: None})

    assert [name for name, _ in places.present()] == list(ROLE_OF_PLACE)
    assert [name for name, _ in without.present()] == [name for name in ROLE_OF_PLACE if name != place]
    assert all(instrument is getattr(places, name) for name, instrument in places.present())


def test_sources_come_lower_tone_first(make_bench: MakeBench, make_places: MakePlaces) -> None:
    """A bench may have one, or none."""
    places = make_places(make_bench())

    assert [place for place, _ in places.sources()] == ["tone_1", "tone_2"]
    assert [place for place, _ in replace(places, tone_1=None).sources()] == ["tone_2"]
    assert Places().sources() == ()
