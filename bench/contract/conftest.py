"""The suite on an author's own bench: each place of the bench file is a station, left safe after each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.assemble import OpenBench, Seat, open_bench
from bench.contract.asked import bench_asked_for, places_asked_for
from bench.contract.fixtures import completion, energy, queue, standard
from bench.contract.real_values import values_of
from bench.contract.station import Station
from bench.places import ROLE_OF_PLACE
from bench.safe_state import make_safe, unconfirmed
from drivers.errors import InstrumentError, OutOfTurn
from sequences.read_files import demo_file, deviation_gaps, read_part

#: Fixtures that pytest finds here by their names.
__all__ = ["completion", "energy", "queue", "standard"]


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Leave out the suites of roles that are not looked at; their files are called after the roles."""
    roles = {ROLE_OF_PLACE[place].lower().replace(" ", "_") for place in places_asked_for(config)}
    name = collection_path.stem.removeprefix("test_")
    is_suite = collection_path.parent == Path(__file__).parent and collection_path.name.startswith("test_")
    return True if is_suite and name not in (*roles, "every_role") else None


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Each test of a role, at every place of the bench that has this role."""
    role = metafunc.module.ROLE
    places = [place for place in places_asked_for(metafunc.config) if role in (None, ROLE_OF_PLACE[place])]
    if "place" in metafunc.fixturenames:
        metafunc.parametrize("place", places)


@pytest.fixture(scope="session")
def opened(request: pytest.FixtureRequest) -> Iterator[OpenBench]:
    """The whole bench, made safe and confirmed before anything else; of the places only those wanted are looked at."""
    loaded = bench_asked_for(request.config)
    part = read_part(demo_file("virga-2.part.toml")).model  # a simulated bench needs some unit on it; unpowered
    missing: dict[str, InstrumentError] = {}
    with open_bench(loaded, part, "none", missing=missing) as bench:
        for place, error in missing.items():
            if place in places_asked_for(request.config):
                pytest.exit(f"{place}: {error}", returncode=pytest.ExitCode.USAGE_ERROR)
        left = unconfirmed(make_safe(bench.places, sleep=bench.clock.sleep))
        if left:
            pytest.exit(f"the bench could not be made safe: {'; '.join(left)}", returncode=pytest.ExitCode.TESTS_FAILED)
        yield bench
        make_safe(bench.places, sleep=bench.clock.sleep)


@pytest.fixture
def station(request: pytest.FixtureRequest, opened: OpenBench, place: str) -> Iterator[Station]:
    """The place over the line that is open, with a new driver for each test."""
    entry, seat = bench_asked_for(request.config).model.instrument.present[place], opened.seats.get(place)
    station = Station(
        opened.clock.true,  # what a test notes goes to itself
        lambda _, note: opened.seats[place].messages(note),
        # Without a line of messages, over Modbus, there is one driver for all tests.
        lambda _, messages: getattr(opened.places, place) if seat is None else seat.driver_on(messages()),
        values_of(entry, None if seat is None else seat.deviations),
        may_switch_on=request.config.getoption("--switch-on"),
    )
    yield station
    _leave_safe(station, place, seat)


def _leave_safe(station: Station, place: str, seat: Seat | None) -> None:
    """Whatever a test has left behind, also one that has failed in the middle."""
    driver = station.driver(place)
    try:
        driver.make_safe()  # before ``prepare`` a chamber stops
        driver.drain_errors()
    except (InstrumentError, OutOfTurn):
        if seat is None:
            raise
        seat.link.clear()
        seat.driver(lambda _: None).make_safe()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say what was switched on, and what the bench's tables leave unchecked."""
    if config.getoption("--switch-on"):
        terminalreporter.write_line("--switch-on: outputs were on at the lowest settings; every place was left safe")
    else:
        terminalreporter.write_line("nothing was switched on; the checks that would have are skipped")
    for place, gaps in deviation_gaps(bench_asked_for(config)).items():
        terminalreporter.write_line(f"{place}, by its table of deviations: {'; '.join(gaps)}")
