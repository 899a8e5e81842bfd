"""A small bench for the tests of the simulated one."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from bench.clocks import SimulatedClock
from drivers.simulated.amplifier import AmplifierModel, BiasMode
from drivers.simulated.front_end import FrontEnd
from drivers.simulated.front_ends import front_ends
from drivers.simulated.paths import PathLossSetup
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import (
    AnalyzerSetup,
    ChamberSetup,
    CurrentMeterSetup,
    RigSetup,
    SupplySetup,
    ThermometerSetup,
    ToneSourceSetup,
    UnitRatings,
)


@pytest.fixture
def unit() -> AmplifierModel:
    """Two channels, 31 codes of 0.75 dB, two supply modes."""
    return AmplifierModel(
        channels=("A", "B"),
        input_resistance_ohm=200.0,
        nominal_gain_db={code: 24.0 - 0.75 * code for code in range(31)},
        reference_load_ohm=200.0,
        modes={"nominal": BiasMode(5.0, 0, 0.2, 45.0), "low power": BiasMode(4.75, 1, 0.158, 40.0)},
        unit_seed=11,
    )


@pytest.fixture
def setup(unit: AmplifierModel) -> RigSetup:
    """All instruments that a quick look needs, flat path losses."""
    return RigSetup(
        unit=unit,
        ratings=UnitRatings(supply_v=5.5, input_level_dbm=18.0, highest_die_c=125.0),
        seed=5,
        tone_1=ToneSourceSetup(0.25, 0.04, 19.0),
        tone_2=ToneSourceSetup(0.25, 0.04, 19.0),
        analyzer=AnalyzerSetup(
            level_db=0.25,
            scale_db_per_10db=0.03,
            flatness_db=0.12,
            attenuator_db=0.08,
            noise_dbm_per_hz=-155.0,
            intercept2_dbm=62.0,
            intercept3_dbm=26.0,
            attenuations_db=(0, 5, 10, 15, 20, 25, 30, 35, 40),
            bandwidths_hz=(10, 30, 100, 300, 1000, 3000, 10000, 30000),
            highest_input_dbm=30.0,
        ),
        supply=SupplySetup(0.01, 0.005, 0.001, 20.0, 2.0),
        current_meter=CurrentMeterSetup(2e-5, 5e-4),
        board_thermometer=ThermometerSetup(0.2),
        chamber=ChamberSetup(0.4, -60.0, 150.0, 4.0),
        load_routes={101: 100.0, 102: 150.0, 103: 200.0, 104: 400.0},
        channel_routes={201: "A", 202: "B"},
        channel_ports={1: "A", 2: "B"},
        mode_port=3,
        path_losses=(
            PathLossSetup("input", None, None, lambda _: 7.2, 0.06),
            PathLossSetup("output", None, None, lambda _: 11.0, 0.06),
        ),
        serials={"tone_1": "NS-101"},
    )


@pytest.fixture
def clock() -> SimulatedClock:
    """A clock that jumps."""
    return SimulatedClock(datetime(2026, 11, 2, 18, 30, tzinfo=UTC))


@pytest.fixture
def rig(setup: RigSetup, clock: SimulatedClock) -> Rig:
    """The bench."""
    return Rig(setup, clock)


@pytest.fixture
def ends(rig: Rig) -> dict[str, FrontEnd]:
    """Its front ends by place."""
    return front_ends(rig)


@pytest.fixture
def tell(ends: dict[str, FrontEnd]) -> Callable[[str, str], None]:
    """Send one message to a place."""

    def send(place: str, message: str) -> None:
        ends[place].receive(message.encode() + b"\n")

    return send


@pytest.fixture
def ask(ends: dict[str, FrontEnd]) -> Callable[[str, str], str]:
    """Send one message to a place and return the response without its newline."""

    def query(place: str, message: str) -> str:
        ends[place].receive(message.encode() + b"\n")
        response = ends[place].reply()
        assert response is not None, f"{message}: {ends[place]} owes no reply"
        return response.decode("latin-1").removesuffix("\n")

    return query


@pytest.fixture
def bring_up(tell: Callable[[str, str], None]) -> Callable[[], None]:
    """Bias on, channel A into 200 Ω, two tones of 3 dBm each at the output of code 0, analyzer at 20 dB."""

    def run() -> None:
        for message in ("VOLT 5", "CURR 0.3", "VOLT:PROT 5.5", "OUTP ON"):
            tell("supply", message)
        tell("load_switch", "ROUT:CLOS (@103)")
        tell("channel_switch", "ROUT:CLOS (@201)")
        for place, frequency in (("tone_1", "59.5 MHZ"), ("tone_2", "60.5 MHZ")):
            tell(place, f"FREQ {frequency};POW -13.8;:OUTP ON")
        tell("analyzer", "FREQ:SPAN 0;:BAND 100;:SWE:POIN 20;:INP:ATT 20;:FORM ASC")

    return run
