"""A bench of hand-written instruments that write every call into one journal, and what a run needs beside them.

No bytes and no drivers here: these stand in for the drivers, so that a test of the runner fails only for the runner.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, NamedTuple

import pytest

from bench.clocks import SimulatedClock
from bench.places import Places
from bench.store import connect
from drivers.messages import Exchange
from drivers.meter_setting import USUAL, MeterQuantity, MeterSetting
from drivers.roles import (
    Identity,
    NetworkSetting,
    Peak,
    PowerReading,
    QueueEntry,
    Regulation,
    SParameters,
    SweepSetting,
)
from edited_demo import edited_demo
from sequences.read_files import Setup, demo_file

#: Time that every call takes.
CALL_S = 0.001


class Call(NamedTuple):
    """One call of one instrument's method."""

    place: str
    what: str
    value: object = None


@dataclass
class FakeBench:
    """The world that the fakes share: a clock, a journal, a chamber that is at its target at once, and faults.

    ``before`` is asked before every call with the call and its number, and may raise or ask for a stop.
    """

    setup: Setup
    clock: SimulatedClock = field(default_factory=lambda: SimulatedClock(datetime(2026, 11, 2, 18, 30, tzinfo=UTC)))
    journal: list[Call] = field(default_factory=list)
    failing: dict[tuple[str, str], Exception] = field(default_factory=dict)
    before: Callable[[int, Call], None] = lambda number, call: None
    serials: dict[str, str] = field(default_factory=dict)
    queues: dict[str, list[QueueEntry]] = field(default_factory=dict)
    stuck_on: set[str] = field(default_factory=set)
    unlevelled: set[str] = field(default_factory=set)
    air_c: float = 23.0
    target_c: float = 23.0
    ignores_idle: bool = False
    alarms: tuple[str, ...] = ()
    board_error_k: float = 0.0
    supply_current_a: float = 0.2
    supply_voltage_v: float = 5.0
    protection_tripped: bool = False
    in_current_limit: bool = False
    somebody_switched_bias_off: bool = False
    exchanges: list[Exchange] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)

    def call(self, place: str, what: str, value: object = None) -> None:
        call = Call(place, what, value)
        self.clock.sleep(CALL_S)
        self.before(len(self.journal), call)
        self.journal.append(call)
        sent = f"{what} {value}".encode()
        self.counts[place] += 1
        self.exchanges.append(Exchange(self.counts[place], place, self.clock.elapsed_s(), sent, None, CALL_S, None))
        error = self.failing.get((place, what))
        if error is not None:
            raise error

    def take_exchanges(self) -> list[Exchange]:
        taken, self.exchanges = self.exchanges, []
        return taken

    def whats(self, *wanted: str) -> list[tuple[str, str]]:
        """Calls of these kinds in order, as place and kind."""
        return [(call.place, call.what) for call in self.journal if call.what in wanted]

    def first(self, place: str, what: str) -> int:
        return next(at for at, call in enumerate(self.journal) if (call.place, call.what) == (place, what))

    def values(self, place: str, what: str) -> list[object]:
        return [call.value for call in self.journal if (call.place, call.what) == (place, what)]

    def energy(self) -> dict[str, bool]:
        """What is on after all that the journal holds, by place."""
        on = {"tone_1": False, "tone_2": False, "supply": False}
        for call in self.journal:
            if call.place in on and call.what in ("on", "off", "make safe"):
                on[call.place] = call.what == "on"
        return on


@dataclass
class FakeInstrument:
    """What every role does."""

    bench: FakeBench
    place: str

    def _do(self, what: str, value: object = None) -> None:
        self.bench.call(self.place, what, value)

    def identify(self) -> Identity:
        self._do("identify")
        entry = self.bench.setup.bench.model.instrument.present[self.place]
        return Identity("Invented", self.place, self.bench.serials.get(self.place, entry.serial or "0"), "1.0")

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        self._do("drain")
        return tuple(self.bench.queues.pop(self.place, ()))

    def make_safe(self) -> None:
        self._do("make safe")


@dataclass
class FakeOutput(FakeInstrument):
    """Something that is switched on and off."""

    on: bool = False

    def switch_output(self, *, on: bool) -> None:
        self._do("on" if on else "off")
        self.on = on

    def output_is_on(self) -> bool:
        self._do("is on?")
        return self.on or self.place in self.bench.stuck_on

    def make_safe(self) -> None:
        super().make_safe()
        self.on = False


@dataclass
class FakeNoiseSource(FakeOutput):
    """A noise source that is on or off."""

    def prepare(self) -> None:
        self._do("prepare")


@dataclass
class FakeToneSource(FakeOutput):
    """A tone source that reads back what it was told."""

    level_dbm: float = -130.0

    def prepare(self, ceiling_dbm: float) -> None:
        self._do("prepare", ceiling_dbm)

    def set_frequency(self, frequency_hz: float) -> None:
        self._do("frequency", frequency_hz)

    def set_level(self, level_dbm: float) -> float:
        self._do("level", level_dbm)
        self.level_dbm = level_dbm
        return level_dbm

    def is_unlevelled(self) -> bool:
        return self.place in self.bench.unlevelled


@dataclass
class FakeAnalyzer(FakeInstrument):
    """An analyzer whose reading depends on the frequency alone, so that two runs can be compared."""

    frequency_hz: float = 0.0

    def prepare(self) -> None:
        self._do("prepare")

    def set_reference_level(self, level_dbm: float) -> float:
        self._do("reference", level_dbm)
        return level_dbm

    def set_sweep(self, setting: SweepSetting) -> SweepSetting:
        self._do("sweep", setting)
        return setting

    def find_peak(self, centre_hz: float, span_hz: float) -> Peak:
        self._do("peak", (centre_hz, span_hz))
        return Peak(centre_hz, -20.0)

    def begin_power(self, frequency_hz: float) -> None:
        self._do("begin", frequency_hz)
        self.frequency_hz = frequency_hz

    def finish_power(self) -> PowerReading:
        self._do("finish")
        return PowerReading(-20.0 - self.frequency_hz / 1e7, 0.001)

    def input_overloaded(self) -> bool:
        return False


@dataclass
class FakeNetworkAnalyzer(FakeOutput):
    """A network analyzer that reads 2 − j through and nothing else."""

    frequencies_hz: tuple[float, ...] = ()

    def prepare(self, ceiling_dbm: float) -> None:
        self._do("prepare", ceiling_dbm)

    def set_sweep(self, setting: NetworkSetting) -> NetworkSetting:
        self._do("sweep", setting)
        return setting

    def set_frequencies(self, frequencies_hz: tuple[float, ...]) -> None:
        self._do("frequencies", frequencies_hz)
        self.frequencies_hz = frequencies_hz

    def begin_sweep(self) -> None:
        self._do("begin")

    def finish_sweep(self) -> SParameters:
        self._do("finish")
        nothing = (0j,) * len(self.frequencies_hz)
        return SParameters(self.frequencies_hz, nothing, (2 - 1j,) * len(nothing), nothing, nothing)


@dataclass
class FakeSupply(FakeOutput):
    """A supply with the bench's voltage and current."""

    remote_sense: bool | None = None

    def use_output(self, output: int) -> None:
        raise AssertionError("a fake supply has one output")

    def prepare(self, over_voltage_v: float, over_current_a: float, *, remote_sense: bool | None = None) -> None:
        self._do("prepare", (over_voltage_v, over_current_a))
        self.remote_sense = remote_sense

    def set_output(self, voltage_v: float, current_limit_a: float) -> None:
        self._do("output", (voltage_v, current_limit_a))

    def read_voltage_v(self) -> float:
        self._do("voltage?")
        return self.bench.supply_voltage_v

    def read_current_a(self) -> float:
        self._do("current?")
        return self.bench.supply_current_a

    def protection_tripped(self) -> bool:
        self._do("tripped?")
        return self.bench.protection_tripped

    def clear_protection(self) -> None:
        self._do("clear protection")
        self.bench.protection_tripped = False

    def regulation(self) -> Regulation:
        if not self.output_is_on():
            return "off"
        return "current" if self.bench.in_current_limit else "voltage"

    def output_is_on(self) -> bool:
        return super().output_is_on() and not self.bench.somebody_switched_bias_off


@dataclass
class FakeMeter(FakeInstrument):
    """A meter that reads the bench's current, or its board."""

    setting: MeterSetting | None = None

    def prepare(self, quantity: MeterQuantity, setting: MeterSetting = USUAL) -> None:
        self._do("prepare", quantity)
        self.setting = setting

    def begin_reading(self) -> None:
        self._do("begin")

    def finish_reading(self) -> float:
        self._do("finish")
        bench = self.bench
        return bench.supply_current_a if self.place == "current_meter" else bench.air_c + bench.board_error_k


class FakePowerMeter(FakeInstrument):
    """A power meter that reads the same level whatever is on."""

    def prepare(self, averages: int) -> None:
        self._do("prepare", averages)

    def zero(self) -> None:
        self._do("zero")

    def is_zeroed(self) -> bool:
        self._do("is_zeroed")
        return True

    def set_frequency(self, frequency_hz: float) -> None:
        self._do("frequency", frequency_hz)

    def begin_reading(self) -> None:
        self._do("begin")

    def finish_reading(self) -> float:
        self._do("finish")
        return -30.0


@dataclass
class FakeChamber(FakeInstrument):
    """A chamber that is where it was sent at once."""

    conditioning: bool = False
    idle_c: float = 23.0

    def prepare(self, ramp_k_per_min: float, lowest_c: float, highest_c: float, idle_c: float) -> None:
        self._do("prepare", (ramp_k_per_min, lowest_c, highest_c, idle_c))
        self.idle_c = idle_c

    def set_target_c(self, temperature_c: float) -> None:
        self._do("target", temperature_c)
        self.bench.air_c = self.bench.target_c = temperature_c

    def target_c(self) -> float:
        return self.bench.target_c

    def switch_conditioning(self, *, on: bool) -> None:
        self._do("conditioning", on)
        self.conditioning = on

    def conditioning_is_on(self) -> bool:
        return self.conditioning

    def read_air_c(self) -> float:
        self._do("air?")
        return self.bench.air_c

    def alarms(self) -> tuple[str, ...]:
        return self.bench.alarms

    def make_safe(self) -> None:
        super().make_safe()
        if not self.bench.ignores_idle:
            self.bench.target_c = self.idle_c
            if self.conditioning:
                self.bench.air_c = self.idle_c


@dataclass
class FakeSwitch(FakeInstrument):
    """A relay matrix."""

    closed: tuple[int, ...] = ()

    def select(self, route: int) -> None:
        self._do("select", route)
        self.closed = (route,)

    def selected(self) -> tuple[int, ...]:
        return self.closed

    def closed_of(self, routes: tuple[int, ...]) -> tuple[int, ...]:
        self._do("closed?", routes)
        return tuple(route for route in routes if route in self.closed)


@dataclass
class FakePort(FakeInstrument):
    """A digital port."""

    words: dict[int, int] = field(default_factory=dict)

    def write_word(self, port: int, word: int) -> None:
        self._do(f"port {port}", word)
        self.words[port] = word

    def read_word(self, port: int) -> int:
        return self.words.get(port, 0)


def places_of(bench: FakeBench) -> Places:
    """Fakes at every place of the demo bench, and a network analyzer and a power meter if the bench has them."""
    has_network_analyzer = bench.setup.bench.model.instrument.network_analyzer is not None
    has_power_meter = bench.setup.bench.model.instrument.power_meter is not None
    return Places(
        tone_1=FakeToneSource(bench, "tone_1"),
        tone_2=FakeToneSource(bench, "tone_2"),
        noise_source=FakeNoiseSource(bench, "noise_source"),
        analyzer=FakeAnalyzer(bench, "analyzer"),
        supply=FakeSupply(bench, "supply"),
        current_meter=FakeMeter(bench, "current_meter"),
        board_thermometer=FakeMeter(bench, "board_thermometer"),
        chamber=FakeChamber(bench, "chamber"),
        load_switch=FakeSwitch(bench, "load_switch"),
        channel_switch=FakeSwitch(bench, "channel_switch"),
        code_port=FakePort(bench, "code_port"),
        network_analyzer=FakeNetworkAnalyzer(bench, "network_analyzer") if has_network_analyzer else None,
        power_meter=FakePowerMeter(bench, "power_meter") if has_power_meter else None,
    )


#: Two temperatures, two channels, two codes: the least that has every kind of change but mode and load.
SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 85]",
}


def setup_with_network_analyzer(edits: Mapping[str, str] | None = None) -> Setup:
    """The quick demo with a sweep of three points, on a bench that has tones and network analyzer."""
    folder = demo_file("nimbus-network.bench.toml").parent
    other = (folder / "nimbus-network.bench.toml").read_text("utf-8")
    entry = other[other.index("[instrument.network_analyzer]") : other.index("[instrument.supply]")]
    two_ports = other[other.index("[[de_embedding]]") :]
    relays = "channels = { A = 201, B = 202 }"
    extended = {
        relays: f"{relays}\nnetwork_channels = {{ A = 211, B = 212 }}",
        "[fixture]": f"{entry}[fixture]",
        '[[path_loss]]\npath = "input"\nchannel = "A"': f'{two_ports}\n[[path_loss]]\npath = "input"\nchannel = "A"',
        "[soak]": f"[measure]\nsmall_signal = {SWEEP}\n\n[soak]",
    }
    return edited_demo(extended | dict(edits or {}))


SWEEP = "{ frequency_mhz = [30, 60, 90], power_dbm = -30, bandwidth_hz = 300 }"


@pytest.fixture(scope="session", autouse=True)
def _nobody_is_told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Whoever runs these tests may have a file that says whom to tell of a run; it is not looked at."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("settings")))
        patch.delenv("NIGHTBENCH_TELL", raising=False)
        yield


@pytest.fixture(scope="module", autouse=True)
def waits_for_the_disk() -> Iterator[None]:
    """No commit waits until the disk has it: none of these tests cuts the power, and a night commits a hundred times.

    The tests of the store itself leave it as it is.
    """
    set_up = connect._set_up_sqlite

    def set_up_at_once(link: Any, record: Any) -> None:
        set_up(link, record)
        link.execute("PRAGMA synchronous = OFF").close()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(connect, "_set_up_sqlite", set_up_at_once)
        yield


@pytest.fixture(scope="session")
def make_setup() -> Callable[..., Setup]:
    """``make_setup({old text: new text}, name)``: the demo's three files, edited."""
    return edited_demo


@pytest.fixture(scope="session")
def make_network_setup() -> Callable[..., Setup]:
    """``make_network_setup({old text: new text})``: tones and network analyzer in one sequence, edited."""
    return setup_with_network_analyzer


@pytest.fixture(scope="session")
def quick() -> Setup:
    """The quick demo as it is shipped."""
    return edited_demo({})


@pytest.fixture(scope="session")
def overnight() -> Setup:
    """The overnight demo as it is shipped: every axis moves."""
    return edited_demo({}, "overnight.sequence.toml")


@pytest.fixture(scope="session")
def small() -> Setup:
    """Eight conditions of the quick demo."""
    return edited_demo(SMALL)


@pytest.fixture(scope="session")
def make_bench(quick: Setup) -> Callable[..., FakeBench]:
    """A fresh bench of fakes; ``make_bench(setup)`` for another setup."""

    def make(setup: Setup = quick) -> FakeBench:
        return FakeBench(setup)

    return make


@pytest.fixture(scope="session")
def make_places() -> Callable[[FakeBench], Places]:
    """Fakes at every place of a bench."""
    return places_of
