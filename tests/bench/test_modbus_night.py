"""A chamber that speaks Modbus in the place of the one that speaks SCPI: opened, checked, and a night with it."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from bench.assemble import Missing, open_bench
from bench.check import check_bench
from bench.plan import make_plan
from coverage_of_benches.nights import Point, run_night
from drivers.errors import NotThere
from drivers.modbus_chamber import ModbusChamber
from edited_demo import edited_demo
from modbus_table import TEXT
from sequences.read_files import Setup

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig
    from sequences.conditions import Condition

SCPI = 'resource = "TCPIP0::chamber.nimbus.example::5025::SOCKET"\nserial = "NS-500"\n'
MODBUS = 'driver = "modbus"\nresource = "modbus-tcp://chamber.example/3"\nregisters = "chamber.registers.toml"\n'
SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = 0",
    "temperature_c = [-40, 25, 85]": "temperature_c = [-40, 25]",
    'channel = "all"': 'channel = "A"',
}
UNIT = "VG2-0007"


def modbus_setup() -> Setup:
    setup = edited_demo({**SMALL, SCPI: MODBUS})
    return replace(setup, bench=replace(setup.bench, attachments={"chamber.registers.toml": TEXT}))


def test_a_simulated_bench_has_its_chamber_at_modbus_too() -> None:
    """The same driver and the same line as on a real bench; only the address is the rig's own, on loopback."""
    setup = modbus_setup()
    with open_bench(setup.bench, setup.part.model, UNIT) as opened:
        chamber = opened.places.chamber
        assert isinstance(chamber, ModbusChamber)
        assert chamber.read_air_c() == pytest.approx(23.0, abs=3.0)
        (exchange,) = opened.log.take()

    assert (exchange.instrument, exchange.sent[6]) == ("chamber", 3)


def test_a_check_looks_at_it_like_at_any_other() -> None:
    """Who it is it does not tell; that it answers, and what it reads, it does."""
    setup = modbus_setup()
    with open_bench(setup.bench, setup.part.model, UNIT) as opened:
        found = {finding.place: finding for finding in check_bench(setup.bench.model, opened, {})}

    assert found["chamber"].works
    assert "Modbus" in str(found["chamber"])


def test_without_pymodbus_the_chamber_is_not_there_and_the_text_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An optional package, named by the extra that brings it; a check looks at the rest of the bench."""
    monkeypatch.setitem(sys.modules, "drivers.modbus_line", None)
    setup = modbus_setup()
    missing: Missing = {}
    with open_bench(setup.bench, setup.part.model, UNIT, missing=missing) as opened:
        assert opened.places.chamber is None
        assert opened.places.supply is not None
    with (
        pytest.raises(NotThere, match=r"install 'nightbench\[modbus\]'"),
        open_bench(setup.bench, setup.part.model, UNIT),
    ):
        pass

    assert list(missing) == ["chamber"]


def chamber_of(rig: Rig, condition: Condition) -> Point:
    return {"air": rig.truth.air_c - condition.temperature_c, "running": float(rig.thermal.is_conditioning)}


def test_a_night_soaks_and_ends_with_it() -> None:
    """Every condition is measured at its temperature, and the readings tell the air that the chamber told."""
    setup = modbus_setup()
    night = run_night(setup, UNIT, chamber_of)
    air = night.frames.readings.query("quantity == 'air_temperature_c'")

    assert len(night.frames.conditions) == len(make_plan(setup).conditions) == 2
    assert all(abs(point["air"]) < 1.0 and point["running"] for point in night.truth)
    assert sorted(air["value"]) == pytest.approx([-40.0, 25.0], abs=1.0)
    assert night.frames.facts.state == "done"
