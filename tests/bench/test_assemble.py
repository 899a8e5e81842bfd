"""Opening a bench: every place gets its driver and its line, and every line is closed again."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

import bench.assemble
from bench.assemble import clock_of, link_settings, open_bench
from bench.clocks import RealClock, SimulatedClock
from bench.places import ROLE_OF_PLACE
from drivers.errors import InstrumentError, NotThere
from drivers.link import Link, LinkSettings, SerialLine
from drivers.messages import Messages
from drivers.tone_source import ScpiToneSource
from drivers.visa import open_resource
from sequences.bench_file import Instruments
from sequences.instrument_entry import InstrumentEntry, SerialLineEntry
from sequences.read_files import Setup

#: The demo bench as it is wired for tones has every instrument but two.
PLACES = tuple(place for place in ROLE_OF_PLACE if place not in ("network_analyzer", "power_meter"))

UNIT = "VG2-0007"
MakeSetup = Callable[..., Setup]

#: Places that the incomplete bench of a test lacks.
ABSENT = ("chamber", "tone_2")


class OwnToneSource(ScpiToneSource):
    """A driver of a user's own, named in the bench file."""


class NoToneSource:
    """Has none of a tone source's methods."""

    def __init__(self, messages: Messages) -> None:
        self.messages = messages


@pytest.fixture
def links(monkeypatch: pytest.MonkeyPatch) -> list[Link]:
    """Every link as it is opened."""
    opened: list[Link] = []

    def keep(manager: Any, resource: str, *settings: Any) -> Link:
        opened.append(open_resource(manager, resource, *settings))
        return opened[-1]

    monkeypatch.setattr(bench.assemble, "open_resource", keep)
    return opened


def is_closed(link: Link) -> bool:
    """A closed link does not send any more."""
    try:
        link.send(b"*CLS")
    except InstrumentError:
        return True
    return False


def test_every_place_of_the_demo_bench_answers_with_its_serial_number(quick: Setup) -> None:
    """Through the same drivers and messages as on a real bench."""
    with open_bench(quick.bench, quick.part.model, UNIT) as opened:
        serials = {place: instrument.identify().serial for place, instrument in opened.places.present()}

    assert list(serials) == list(PLACES)
    assert serials == {place: entry.serial for place, entry in quick.bench.model.instrument.present.items()}


def test_opening_sends_nothing(quick: Setup) -> None:
    """Whoever opens a bench to look at it must not touch it."""
    with open_bench(quick.bench, quick.part.model, UNIT) as opened:
        assert opened.log.take() == []
        assert opened.rig is not None
        assert opened.rig.journal == []


def test_every_exchange_goes_to_the_log(quick: Setup) -> None:
    """Dated by the run's clock, named by place."""
    with open_bench(quick.bench, quick.part.model, UNIT) as opened:
        for _, instrument in opened.places.present():
            instrument.identify()
        exchanges = opened.log.take()

    assert list(dict.fromkeys(exchange.instrument for exchange in exchanges)) == list(PLACES)
    assert sum(exchange.sent == b"*IDN?" for exchange in exchanges) == len(PLACES)
    assert [exchange.at_s for exchange in exchanges] == sorted(exchange.at_s for exchange in exchanges)


def test_every_link_is_closed_at_the_end(quick: Setup, links: list[Link]) -> None:
    """Also when the run inside raises."""
    with pytest.raises(ZeroDivisionError), open_bench(quick.bench, quick.part.model, UNIT):
        raise ZeroDivisionError

    assert len(links) == len(PLACES)
    assert all(is_closed(link) for link in links)


def test_links_that_were_opened_are_closed_when_a_later_one_fails(make_setup: MakeSetup, links: list[Link]) -> None:
    """A driver that does not exist is found at the supply, the fifth place."""
    bad = make_setup({"[instrument.supply]": '[instrument.supply]\ndriver = "scpy"'})
    with pytest.raises(NotThere, match="scpy") as caught, open_bench(bad.bench, bad.part.model, UNIT):
        raise AssertionError("it must not be opened")

    assert caught.value.instrument == "supply"
    assert len(links) == PLACES.index("supply")
    assert all(is_closed(link) for link in links)


def test_what_cannot_be_opened_is_noted_where_that_is_wished_and_the_rest_is_open(make_setup: MakeSetup) -> None:
    """For looking at a bench: all that is wrong with it in one go."""
    bad = make_setup({"[instrument.supply]": '[instrument.supply]\ndriver = "scpy"'})
    missing: dict[str, InstrumentError] = {}
    with open_bench(bad.bench, bad.part.model, UNIT, missing=missing) as opened:
        assert list(missing) == ["supply"]
        assert missing["supply"].instrument == "supply"
        assert opened.places.supply is None
        assert len(list(opened.places.present())) == len(PLACES) - 1


def test_two_benches_at_once_share_nothing(quick: Setup) -> None:
    """What is switched on at one stays off at the other."""
    with (
        open_bench(quick.bench, quick.part.model, UNIT) as one,
        open_bench(quick.bench, quick.part.model, UNIT) as other,
    ):
        assert one.places.supply is not None
        assert other.places.supply is not None
        one.places.supply.set_output(5.0, 0.3)
        one.places.supply.switch_output(on=True)

        assert one.places.supply.output_is_on()
        assert not other.places.supply.output_is_on()


def test_a_bench_may_lack_instruments(quick: Setup) -> None:
    """A place that the file leaves out is None."""
    bench_file = quick.bench.model
    present = bench_file.instrument.present
    keep = Instruments.model_validate({place: present[place] for place in present if place not in ABSENT})
    loaded = type(quick.bench)(
        bench_file.model_copy(update={"instrument": keep}), quick.bench.text, quick.bench.path, quick.bench.fingerprint
    )
    with open_bench(loaded, quick.part.model, UNIT) as opened:
        assert [place for place, _ in opened.places.present()] == [place for place in PLACES if place not in ABSENT]


def test_a_users_own_driver_is_taken_by_its_name(make_setup: MakeSetup, monkeypatch: pytest.MonkeyPatch) -> None:
    """``package.module:Class`` in the bench file, and nothing else changes."""
    name = install(monkeypatch)
    own = make_setup({"[instrument.tone_1]": f'[instrument.tone_1]\ndriver = "{name}:OwnToneSource"'})
    with open_bench(own.bench, own.part.model, UNIT) as opened:
        assert isinstance(opened.places.tone_1, OwnToneSource)
        assert not isinstance(opened.places.tone_2, OwnToneSource)
        assert opened.places.tone_1.identify().serial == "NS-101"


def test_a_class_that_lacks_the_roles_methods_is_refused(
    make_setup: MakeSetup, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before anything is powered, not at three in the morning; the error names place and resource."""
    name = install(monkeypatch)
    bad = make_setup({"[instrument.tone_1]": f'[instrument.tone_1]\ndriver = "{name}:NoToneSource"'})
    with pytest.raises(NotThere, match="NoToneSource") as caught, open_bench(bad.bench, bad.part.model, UNIT):
        raise AssertionError("it must not be opened")

    assert caught.value.instrument == "tone_1"
    assert "tone-1.nimbus" in caught.value.resource


def install(monkeypatch: pytest.MonkeyPatch) -> str:
    """Make this module's classes importable under a name of their own."""
    import sys
    from types import ModuleType

    module = ModuleType("users_drivers")
    for one in (OwnToneSource, NoToneSource):
        setattr(module, one.__name__, one)
    monkeypatch.setitem(sys.modules, module.__name__, module)
    return module.__name__


def test_a_simulated_clock_starts_where_the_file_says(quick: Setup) -> None:
    """18:30 UTC on 2 November 2026."""
    clock = clock_of(quick.bench.model)

    assert isinstance(clock, SimulatedClock)
    assert clock.now() == datetime(2026, 11, 2, 18, 30, tzinfo=UTC)


def test_a_simulated_clock_goes_on_where_it_is_told_to(quick: Setup) -> None:
    """A resumed night does not happen before its beginning."""
    later = datetime(2026, 11, 3, 2, 0, tzinfo=UTC)

    assert clock_of(quick.bench.model, later).now() == later


def test_a_simulated_clock_without_a_start_begins_now(make_setup: MakeSetup) -> None:
    """A run that is tried today is dated today."""
    clock = clock_of(make_setup({"starts = 2026-11-02T18:30:00Z\n": ""}).bench.model)

    assert isinstance(clock, SimulatedClock)
    assert abs((clock.now() - RealClock().now()).total_seconds()) < 60


def test_a_real_clock_is_taken_when_the_file_asks_for_it(make_setup: MakeSetup) -> None:
    """Also for a simulated bench."""
    assert isinstance(clock_of(make_setup({'clock = "simulated"': 'clock = "real"'}).bench.model), RealClock)


def test_a_line_is_set_as_its_entry_says() -> None:
    """Words of the file become bytes; what is left out stays as usual."""
    line = SerialLineEntry(baud=19200, data_bits=7, parity="odd", stop_bits=2, flow_control="XON/XOFF")
    entry = InstrumentEntry(
        resource="ASRL3::INSTR", terminator="CR", reply_terminator="CR LF", open_timeout_s=2.0, serial_line=line
    )

    assert link_settings(entry) == LinkSettings(2.0, b"\r", b"\r\n", SerialLine(19200, 7, "odd", 2, "XON/XOFF"))
    assert link_settings(InstrumentEntry(resource="GPIB0::5::INSTR")) == LinkSettings()
