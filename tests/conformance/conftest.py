"""What the suites of the roles run on: stations with an instrument of every role."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest

from bench.contract.fixtures import completion, energy, queue, standard
from bench.contract.station import Station, Values
from drivers.catalogue import DRIVERS, DriverClass
from drivers.errors import TimedOut
from drivers.link import Link
from drivers.messages import Messages
from drivers.simulated.amplifier import AmplifierModel, BiasMode
from drivers.simulated.front_ends import front_ends
from drivers.simulated.pyvisa_bridge import simulated_manager
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import (
    AnalyzerSetup,
    ChamberSetup,
    CurrentMeterSetup,
    NetworkAnalyzerSetup,
    NoiseSourceSetup,
    PowerMeterSetup,
    RigSetup,
    SupplySetup,
    ThermometerSetup,
    ToneSourceSetup,
    UnitRatings,
)
from drivers.timing import Clock
from drivers.visa import open_resource


class StillClock:
    """A clock that moves only when somebody sleeps."""

    def __init__(self) -> None:
        self.at_s = 0.0

    def now(self) -> datetime:
        return datetime(2026, 11, 2, 18, 30, tzinfo=UTC) + timedelta(seconds=self.at_s)

    def elapsed_s(self) -> float:
        return self.at_s

    def sleep(self, duration_s: float) -> None:
        self.at_s += max(duration_s, 0.0)


class ScriptedInstrument:
    """A Link to an instrument that holds what it is told, refuses what is out of range, and fills an error queue.

    Args:
        settings: Header → value at power-up.
        limits: Header → lowest and highest number.
        answers: Query → reply, for what is measured.
    """

    resource = "scripted"

    def __init__(
        self,
        settings: dict[str, str],
        limits: dict[str, tuple[float, float]] | None = None,
        answers: dict[str, Callable[[], bytes]] | None = None,
    ) -> None:
        self.settings = settings
        self.limits = limits or {}
        self.answers = answers or {}
        self.queue: list[bytes] = []
        self.reply: bytes | None = None

    def send(self, data: bytes) -> None:
        if self.reply is not None:  # IEEE 488.2, 6.3.2.3
            self.reply = None
            self.queue.append(b'-410,"Query INTERRUPTED"')
        command, _, completion = data.decode("ascii").partition(";")
        assert completion in ("", "*OPC?")
        if command.partition(" ")[0].endswith("?"):
            self.reply = self._answer(command)
        else:
            self._take(command)
        if completion:
            self.reply = b"1"

    def _answer(self, query: str) -> bytes | None:
        if query == "*IDN?":
            return b"MAKER,MODEL,7,1.0"
        if query == "*ESR?":
            return b"0"
        if query == ":SYST:ERR?":
            return self.queue.pop(0) if self.queue else b'0,"No error"'
        if query in self.answers:
            return self.answers[query]()
        if query.startswith(":ROUT:CLOS? "):
            return self._relays(query).encode()
        if query[:-1] in self.settings:
            return self.settings[query[:-1]].encode()
        self.queue.append(b'-113,"Undefined header"')
        return None

    def _take(self, command: str) -> None:
        header, _, value = command.partition(" ")
        if header == "*CLS":
            self.queue.clear()
        elif header == ":ROUT:OPEN:ALL":
            self.settings[":ROUT:CLOS"] = ""
        elif header not in self.settings:
            self.queue.append(b'-113,"Undefined header"')
        elif header in self.limits and not value.isalpha():
            lowest, highest = self.limits[header]
            if lowest <= float(value.strip("(@)")) <= highest:
                self.settings[header] = value
            else:
                self.queue.append(b'-222,"Data out of range"')
        else:
            highest_number = str(self.limits[header][1]) if header in self.limits else value
            self.settings[header] = {"OFF": "0", "MAX": highest_number}.get(value, value)

    def _relays(self, query: str) -> str:
        asked = query.partition("(@")[2].rstrip(")").split(",")
        return ",".join("1" if self.settings[":ROUT:CLOS"] == f"(@{route})" else "0" for route in asked)

    def receive(self, timeout_s: float | None = None) -> bytes:
        reply, self.reply = self.reply, None
        if reply is None:
            raise TimedOut("no complete reply in time", resource=self.resource)
        return reply

    def clear(self) -> None:
        self.reply = None

    def close(self) -> None:
        self.reply = None


def scripted_trace(settings: dict[str, str]) -> bytes:
    """Half the points at −20 dBm, half at −23 dBm; over a span one line in its middle."""
    points = int(float(settings[":SENS:SWE:POIN"]))
    levels = [-20.0, -23.0] * (points // 2) + [-20.0] * (points % 2)
    if float(settings[":SENS:FREQ:SPAN"]) > 0:
        levels = [-20.0 - abs(point - points // 2) for point in range(points)]
    content = struct.pack(f">{points}f", *levels)
    count = str(len(content))
    return f"#{len(count)}{count}".encode() + content


def scripted_source() -> ScriptedInstrument:
    settings = {
        ":OUTP:STAT": "1",
        ":UNIT:POW": "V",
        ":SOUR:FREQ:MODE": "SWE",
        ":SOUR:FREQ:CW": "1E9",
        ":SOUR:POW:LIM:AMPL": "19",
        ":SOUR:POW:LEV:IMM:AMPL": "-60",
    }
    limits = {
        ":SOUR:FREQ:CW": (1e5, 3e9),
        ":SOUR:POW:LIM:AMPL": (-60.0, 19.0),
        ":SOUR:POW:LEV:IMM:AMPL": (-60.0, 19.0),
    }
    return ScriptedInstrument(settings, limits, {":STAT:QUES:COND?": lambda: b"0"})


def scripted_analyzer() -> ScriptedInstrument:
    settings = {
        ":ABOR": "",
        ":INIT:IMM": "",
        ":INIT:CONT": "1",
        ":INP:ATT": "0",
        ":INP:ATT:AUTO": "1",
        ":INP:GAIN:STAT": "1",
        ":DISP:WIND:TRAC:Y:SCAL:RLEV": "0",
        ":SENS:AVER:STAT": "1",
        ":SENS:BAND:VID": "3E3",
        ":SENS:BAND:VID:AUTO": "1",
        ":SENS:SWE:TIME:AUTO": "1",
        ":SENS:FREQ:CENT": "1E9",
        ":SENS:FREQ:SPAN": "1E9",
        ":SENS:DET:FUNC": "POS",
        ":SENS:BAND:RES": "1E6",
        ":SENS:SWE:POIN": "401",
        ":SENS:SWE:TIME": "0.1",
        ":UNIT:POW": "V",
        ":FORM:DATA": "ASC",
        ":FORM:BORD": "SWAP",
    }
    limits = {":INP:ATT": (0.0, 40.0), ":SENS:BAND:RES": (10.0, 30e3), ":SENS:SWE:POIN": (1.0, 1001.0)}
    limits |= {":SENS:BAND:VID": (1.0, 3e6), ":DISP:WIND:TRAC:Y:SCAL:RLEV": (-130.0, 30.0)}
    answers = {":TRAC:DATA? TRACE1": lambda: scripted_trace(settings), ":STAT:QUES:COND?": lambda: b"0"}
    return ScriptedInstrument(settings, limits, answers)


def scripted_network(settings: dict[str, str], name: str) -> bytes:
    """The same complex number at every point: 2 − j for S21, a small one for the others; REAL,64."""
    listed = settings[":SENS:LIST:FREQ"].split(",")
    points = len(listed) if settings[":SENS:FREQ:MODE"] == "LIST" else int(float(settings[":SENS:SWE:POIN"]))
    content = struct.pack(">2d", *((2.0, -1.0) if name == "S21" else (0.01, 0.02))) * points
    count = str(len(content))
    return f"#{len(count)}{count}".encode() + content


def scripted_network_analyzer() -> ScriptedInstrument:
    settings = {
        ":ABOR": "",
        ":INIT:IMM": "",
        ":INIT:CONT": "1",
        ":OUTP:STAT": "1",
        ":SOUR:POW:LIM:AMPL": "10",
        ":SOUR:POW:LEV:IMM:AMPL": "0",
        ":SENS:FREQ:MODE": "CW",
        ":SENS:FREQ:STAR": "1E5",
        ":SENS:FREQ:STOP": "3E9",
        ":SENS:SWE:POIN": "201",
        ":SENS:LIST:FREQ": "",
        ":SENS:BAND:RES": "1E4",
        ":CALC:FORM": "MLOG",
        ":FORM:DATA": "ASC",
        ":FORM:BORD": "SWAP",
    }
    limits = {
        ":SOUR:POW:LIM:AMPL": (-60.0, 10.0),
        ":SOUR:POW:LEV:IMM:AMPL": (-60.0, 10.0),
        ":SENS:FREQ:STAR": (1e5, 3e9),
        ":SENS:FREQ:STOP": (1e5, 3e9),
        ":SENS:SWE:POIN": (2.0, 2001.0),
        ":SENS:BAND:RES": (1.0, 3e4),
    }
    names = ("S11", "S21", "S12", "S22")
    answers: dict[str, Callable[[], bytes]] = {
        f":TRAC:DATA? {name}": lambda name=name: scripted_network(settings, name)  # type: ignore[misc]  # the default binds this turn's name
        for name in names
    }
    answers[":SENS:LIST:FREQ:POIN?"] = lambda: str(len(settings[":SENS:LIST:FREQ"].split(","))).encode()
    return ScriptedInstrument(settings, limits, answers)


def scripted_supply() -> ScriptedInstrument:
    settings = {
        ":OUTP:STAT": "1",
        ":SOUR:VOLT:LEV:IMM:AMPL": "12",
        ":SOUR:CURR:LEV:IMM:AMPL": "2",
        ":SOUR:VOLT:PROT:LEV": "21",
        ":SOUR:VOLT:PROT:STAT": "0",
        ":SOUR:CURR:PROT:LEV": "2",
        ":SOUR:CURR:PROT:STAT": "0",
        ":SOUR:VOLT:PROT:TRIP": "0",
        ":SOUR:CURR:PROT:TRIP": "0",
        ":SOUR:VOLT:PROT:CLE": "",
        ":SOUR:CURR:PROT:CLE": "",
        ":SYST:RSEN": "0",
    }
    limits = {
        ":SOUR:VOLT:LEV:IMM:AMPL": (0.0, 20.0),
        ":SOUR:CURR:LEV:IMM:AMPL": (0.0, 2.0),
        ":SOUR:VOLT:PROT:LEV": (0.0, 22.0),
        ":SOUR:CURR:PROT:LEV": (0.0, 2.2),
    }

    def when_on(value: str) -> bytes:
        return value.encode() if settings[":OUTP:STAT"] == "1" else b"0"

    answers = {
        ":MEAS:SCAL:VOLT:DC?": lambda: when_on(settings[":SOUR:VOLT:LEV:IMM:AMPL"]),
        ":MEAS:SCAL:CURR:DC?": lambda: when_on("0.2"),
        ":STAT:QUES:COND?": lambda: b"0",
    }
    return ScriptedInstrument(settings, limits, answers)


def scripted_meter(reading: bytes) -> ScriptedInstrument:
    settings = dict.fromkeys([":CONF:SCAL:CURR:DC", ":CONF:SCAL:TEMP", ":INIT:IMM"], "")
    settings |= {":SENS:CURR:DC:NPLC": "10", ":SENS:TEMP:NPLC": "10", ":UNIT:TEMP": "F"}
    return ScriptedInstrument(settings, answers={":FETC?": lambda: reading})


def scripted_chamber() -> ScriptedInstrument:
    settings = {
        ":OUTP:STAT": "0",
        ":SOUR:TEMP:SPO": "23",
        ":SOUR:TEMP:RAMP:RATE": "10",
        ":UNIT:TEMP": "F",
        ":SOUR:TEMP:PROT:LOW:LEV": "-60",
        ":SOUR:TEMP:PROT:HIGH:LEV": "150",
    }
    limits = {
        ":SOUR:TEMP:SPO": (-60.0, 150.0),
        ":SOUR:TEMP:RAMP:RATE": (0.1, 10.0),
        ":SOUR:TEMP:PROT:LOW:LEV": (-60.0, 150.0),
        ":SOUR:TEMP:PROT:HIGH:LEV": (-60.0, 150.0),
    }
    answers = {
        ":MEAS:SCAL:TEMP?": lambda: b"23.1",
        ":STAT:QUES:COND?": lambda: b"0",
        ":SOUR:TEMP:PROT:TRIP?": lambda: b"0",
    }
    return ScriptedInstrument(settings, limits, answers)


def scripted_power_meter() -> ScriptedInstrument:
    settings = {
        ":ABOR": "",
        ":INIT:IMM": "",
        ":INIT:CONT": "1",
        ":CAL:ZERO:AUTO": "0",
        ":UNIT:POW": "W",
        ":SENS:AVER:COUN": "64",
        ":SENS:AVER:STAT": "0",
        ":SENS:FREQ:CW": "5E7",
    }
    limits = {":SENS:AVER:COUN": (1.0, 1024.0), ":SENS:FREQ:CW": (1e5, 6e9)}
    return ScriptedInstrument(settings, limits, {":FETC?": lambda: b"-6.41E+01", ":STAT:QUES:COND?": lambda: b"0"})


def scripted_switch() -> ScriptedInstrument:
    return ScriptedInstrument({":ROUT:CLOS": "(@104)"}, {":ROUT:CLOS": (101.0, 104.0)})


def scripted_port() -> ScriptedInstrument:
    ports = {f":SOUR:DIG:DATA{port}": "0" for port in (1, 2, 3)}
    return ScriptedInstrument(ports, dict.fromkeys(ports, (0.0, 255.0)))


# Each is in an awkward state at power-up: output on, another unit, sweeping for ever.
SCRIPTED: dict[str, Callable[[], ScriptedInstrument]] = {
    "tone_1": scripted_source,
    "noise_source": lambda: ScriptedInstrument({":OUTP:STAT": "1"}),
    "analyzer": scripted_analyzer,
    "network_analyzer": scripted_network_analyzer,
    "supply": scripted_supply,
    "current_meter": lambda: scripted_meter(b"+2.00000E-01"),
    "board_thermometer": lambda: scripted_meter(b"+2.31000E+01"),
    "chamber": scripted_chamber,
    "load_switch": scripted_switch,
    "code_port": scripted_port,
    "power_meter": scripted_power_meter,
}


#: Fixtures that pytest finds here by their names.
__all__ = ["completion", "energy", "queue", "standard"]

#: Our instruments are scripts and physics: they may be asked for what a night asks for.
VALUES = Values(
    ceiling_dbm=10.0,
    level_dbm=-12.34,
    protection=(5.4, 0.33),
    voltage_v=5.0,
    current_limit_a=0.3,
    current_a=(0.05, 0.3),
    regulations=("voltage",),
    ramp_k_per_min=3.0,
    lowest_c=-45.0,
    highest_c=90.0,
    idle_c=25.0,
    target_c=23.0,
    away_c=-40.0,
    room_c=(15.0, 30.0),
    routes=(101, 103),
    ports={1: 17, 2: 30, 3: 1},
    rounding=0.0,
    refusals=frozenset({-222}),
)

PLACES = {
    "tone source": ("tone_1",),
    "noise source": ("noise_source",),
    "spectrum analyzer": ("analyzer",),
    "DC supply": ("supply",),
    "meter": ("current_meter", "board_thermometer"),
    "chamber": ("chamber",),
    "switch": ("load_switch",),
    "digital port": ("code_port",),
    "network analyzer": ("network_analyzer",),
    "power meter": ("power_meter",),
}


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Every driver of the suite's role, at every place of it."""
    if "made" not in metafunc.fixturenames:
        return
    role = metafunc.module.ROLE
    drivers = [
        (each, word, made) for each in (DRIVERS if role is None else [role]) for word, made in DRIVERS[each].items()
    ]
    if "place" not in metafunc.fixturenames:
        metafunc.parametrize("made", [pytest.param(made, id=word) for _, word, made in drivers])
        return
    metafunc.parametrize(
        ("made", "place"),
        [pytest.param(made, place, id=f"{place}-{word}") for each, word, made in drivers for place in PLACES[each]],
    )


LinkTo = Callable[[str], Link]


def station_of(clock: Clock, link_to: LinkTo, made: DriverClass) -> Station:
    return Station(
        clock,
        lambda place, note: Messages(link_to(place), place, clock, note),
        lambda _, messages: made(messages()),
        VALUES,
        may_switch_on=True,
    )


@pytest.fixture
def scripted_station() -> tuple[Clock, LinkTo]:
    """Every role by scripts in memory."""
    return StillClock(), lambda place: SCRIPTED[place]()


@pytest.fixture(params=["scripted_station", "rig_station"])
def station(request: pytest.FixtureRequest, made: DriverClass) -> Iterator[Station]:
    """Each of the stations in turn. Afterwards: root headers only, one command a message, nothing refused unseen."""
    clock, link_to = request.getfixturevalue(request.param)
    station = station_of(clock, link_to, made)
    yield station
    for exchange in station.exchanges:
        command, _, completion = exchange.sent.decode("ascii").partition(";")
        assert command == "" or command[0] in ":*", f"{command!r} does not start at the root"
        assert completion in ("", "*OPC?"), f"{exchange.sent!r} is more than one command"


def rig_setup() -> RigSetup:
    """A bench with every instrument, of ordinary accuracy."""
    codes = {code: 24.0 - 0.75 * code for code in range(31)}
    modes = {"nominal": BiasMode(supply_v=5.0, mode_word=0, typical_current_a=0.2, oip3_dbm=45.0)}
    return RigSetup(
        unit=AmplifierModel(("A", "B"), 200.0, codes, 200.0, modes, unit_seed=3),
        ratings=UnitRatings(supply_v=5.5, input_level_dbm=18.0, highest_die_c=110.0),
        seed=1,
        tone_1=ToneSourceSetup(level_db=0.25, setting_db=0.04, highest_level_dbm=19.0),
        tone_2=ToneSourceSetup(level_db=0.25, setting_db=0.04, highest_level_dbm=19.0),
        noise_source=NoiseSourceSetup(lambda _: 15.0, enr_error_db=0.2),
        analyzer=AnalyzerSetup(
            level_db=0.25,
            scale_db_per_10db=0.03,
            flatness_db=0.12,
            attenuator_db=0.08,
            noise_dbm_per_hz=-155.0,
            intercept2_dbm=62.0,
            intercept3_dbm=26.0,
            attenuations_db=(0.0, 10.0, 20.0, 30.0, 40.0),
            bandwidths_hz=(10.0, 100.0, 1000.0, 10000.0),
            highest_input_dbm=30.0,
        ),
        supply=SupplySetup(0.01, 0.005, 0.001, highest_voltage_v=20.0, highest_current_a=2.0),
        current_meter=CurrentMeterSetup(offset_a=2e-5, gain=5e-4),
        board_thermometer=ThermometerSetup(temperature_k=0.2),
        chamber=ChamberSetup(temperature_k=0.4, lowest_c=-60.0, highest_c=150.0, ramp_k_per_min=4.0),
        load_routes={101: 100.0, 102: 150.0, 103: 200.0, 104: 400.0},
        network_analyzer=NetworkAnalyzerSetup(
            magnitude_db=0.06,
            tracking_db=0.02,
            linearity_db_per_10db=0.005,
            phase_deg=0.6,
            phase_tracking_deg=0.1,
            linearity_deg_per_10db=0.03,
            noise_dbm_per_hz=-135.0,
            residual_db=-40.0,
            highest_power_dbm=10.0,
        ),
        power_meter=PowerMeterSetup(0.05, 0.01, -65.0, lambda _: 26.0, 0.1, highest_input_dbm=20.0),
        channel_routes={201: "A", 202: "B"},
        network_routes={211: "A", 212: "B"},
        channel_ports={1: "A", 2: "B"},
        mode_port=3,
    )


@pytest.fixture
def rig_station() -> Iterator[tuple[Clock, LinkTo]]:
    """Every role on the simulated bench, through pyvisa-sim."""
    clock = StillClock()
    ends = front_ends(Rig(rig_setup(), clock))
    manager = simulated_manager({f"TCPIP0::{place}.example::5025::SOCKET": end for place, end in ends.items()})
    yield clock, lambda place: open_resource(manager, f"TCPIP0::{place}.example::5025::SOCKET", 1.0)
    manager.close()
