"""What the commands of each simulated instrument do."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from statistics import fmean, stdev

import pytest

from bench.clocks import SimulatedClock
from drivers.simulated.front_end import FrontEnd
from drivers.simulated.front_ends import front_ends
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import CurrentMeterSetup, RigSetup, ThermometerSetup

Ask = Callable[[str, str], str]
Tell = Callable[[str, str], None]
BringUp = Callable[[], None]
Ends = dict[str, FrontEnd]

_ZERO_SPAN = "FREQ:SPAN 0;CENT 60E6;:BAND 1E3;:SWE:POIN 20"


@pytest.mark.parametrize(
    ("place", "long", "short", "value"),
    [
        ("tone_1", ":OUTPut:STATe", "OUTP", "1"),
        ("tone_1", ":SOURce:FREQuency:CW", "FREQ:FIX", "7.000000000E+07"),
        ("tone_1", ":SOURce:FREQuency:MODE", "FREQ:MODE", "CW"),
        ("tone_1", ":SOURce:POWer:LEVel:IMMediate:AMPLitude", "POW", "-7.250000000E+00"),
        ("tone_1", ":SOURce:POWer:LIMit:AMPLitude", "POW:LIM", "1.000000000E+01"),
        ("tone_1", ":UNIT:POWer", "UNIT:POW", "DBM"),
        ("tone_1", ":SOURce:ROSCillator:SOURce", "ROSC:SOUR", "EXT"),
        ("analyzer", ":SENSe:FREQuency:CENTer", "FREQ:CENT", "6.000000000E+07"),
        ("analyzer", ":SENSe:FREQuency:SPAN", "FREQ:SPAN", "0.000000000E+00"),
        ("analyzer", ":SENSe:BANDwidth:RESolution", "BWID", "1.000000000E+02"),
        ("analyzer", ":SENSe:DETector:FUNCtion", "DET", "SAMP"),
        ("analyzer", ":SENSe:SWEep:POINts", "SWE:POIN", "40"),
        ("analyzer", ":SENSe:SWEep:TIME", "SWE:TIME", "5.000000000E+01"),
        ("analyzer", ":SENSe:SWEep:TIME:AUTO", "SWE:TIME:AUTO", "1"),
        ("analyzer", ":SENSe:AVERage:STATe", "AVER", "0"),
        ("analyzer", ":INPut:ATTenuation", "INP:ATT", "2.500000000E+01"),
        ("analyzer", ":INPut:ATTenuation:AUTO", "INP:ATT:AUTO", "0"),
        ("analyzer", ":INPut:GAIN:STATe", "INP:GAIN:STAT", "1"),
        ("analyzer", ":INITiate:CONTinuous", "INIT:CONT", "1"),
        ("analyzer", ":UNIT:POWer", "UNIT:POW", "DBM"),
        ("analyzer", ":FORMat:DATA", "FORM", "REAL,32"),
        ("analyzer", ":FORMat:BORDer", "FORM:BORD", "SWAP"),
        ("supply", ":OUTPut:STATe", "OUTP", "1"),
        ("supply", ":SOURce:VOLTage:LEVel:IMMediate:AMPLitude", "VOLT", "5.000000000E+00"),
        ("supply", ":SOURce:CURRent:LEVel:IMMediate:AMPLitude", "CURR", "3.000000000E-01"),
        ("supply", ":SOURce:VOLTage:PROTection:LEVel", "VOLT:PROT", "5.500000000E+00"),
        ("supply", ":SOURce:VOLTage:PROTection:STATe", "VOLT:PROT:STAT", "0"),
        ("supply", ":SOURce:CURRent:PROTection:LEVel", "CURR:PROT", "3.500000000E-01"),
        ("supply", ":SOURce:CURRent:PROTection:STATe", "CURR:PROT:STAT", "1"),
        ("current_meter", ":SENSe:CURRent:DC:NPLCycles", "CURR:NPLC", "1.000000000E+01"),
        ("board_thermometer", ":SENSe:TEMPerature:NPLCycles", "TEMP:NPLC", "1.000000000E+01"),
        ("chamber", ":SOURce:TEMPerature:SPOint", "TEMP:SPO", "-4.000000000E+01"),
        ("chamber", ":SOURce:TEMPerature:RAMP:RATE", "TEMP:RAMP", "2.000000000E+00"),
        ("chamber", ":SOURce:TEMPerature:PROTection:HIGH:LEVel", "TEMP:PROT", "1.050000000E+02"),
        ("chamber", ":SOURce:TEMPerature:PROTection:LOW:LEVel", "TEMP:PROT:LOW", "-5.000000000E+01"),
        ("chamber", ":OUTPut:STATe", "OUTP", "1"),
        ("code_port", ":SOURce:DIGital:DATA2", "DIG:DATA2", "17"),
    ],
)
def test_what_is_set_is_read_back_in_every_spelling(
    tell: Tell, ask: Ask, place: str, long: str, short: str, value: str
) -> None:
    """Set by the long form and read by the short one, and the other way round; nothing in the error queue."""
    tell(place, f"{long.lower()} {value}")
    assert ask(place, f"{short}?") == value
    tell(place, "*RST")
    tell(place, f"{short} {value}")

    assert ask(place, f"{long}?") == value
    assert ask(place, "SYST:ERR?") == '0,"No error"'


class TestToneSource:
    """Level limit and resolution."""

    def test_a_level_above_the_ceiling_is_refused_and_the_level_stays(self, tell: Tell, ask: Ask) -> None:
        """−222 with the setting unchanged; the ceiling cannot go above what the source can do."""
        tell("tone_1", "POW -10;POW:LIM 0")
        tell("tone_1", "POW 0.1")
        tell("tone_1", "POW:LIM 20")

        assert float(ask("tone_1", "POW?")) == -10.0
        assert ask("tone_1", "SYST:ERR?;:SYST:ERR?").count("-222") == 2

    def test_lowering_the_ceiling_lowers_the_level(self, rig: Rig, tell: Tell) -> None:
        """The limit holds at once."""
        tell("tone_1", "POW 5;POW:LIM 0;:OUTP ON")

        assert rig.tones["tone_1"].level_dbm == 0.0
        assert rig.tones["tone_1"].emitted_dbm == pytest.approx(0.0, abs=0.29)

    def test_the_level_is_rounded_to_a_hundredth_of_a_decibel(self, tell: Tell, ask: Ask) -> None:
        """Rounding is no error, and the read-back tells what is emitted."""
        tell("tone_1", "POW -7.2549")

        assert float(ask("tone_1", "POW?")) == -7.25


class TestAnalyzer:
    """Single sweeps in zero span, and everything that makes one invalid."""

    def test_settings_are_rounded_to_what_the_analyzer_has(self, tell: Tell, ask: Ask) -> None:
        """The next wider filter, the next higher attenuation."""
        tell("analyzer", "FREQ:SPAN 0;:BAND 200;:INP:ATT 12;:SWE:POIN 20")

        assert ask("analyzer", "BAND?;:INP:ATT?") == "3.000000000E+02;1.500000000E+01"
        assert float(ask("analyzer", "SWE:TIME?")) == pytest.approx(0.1)

    def test_a_span_that_is_swept_too_fast_reads_low_and_says_so(self, tell: Tell, ask: Ask) -> None:
        """Bit 2 of STATus:QUEStionable; at the time that the analyzer chooses it is not set (common practice)."""
        tell("analyzer", "FREQ:SPAN 10E3;:BAND 1000;:SWE:POIN 11;TIME:AUTO ON")
        automatic_s = float(ask("analyzer", "SWE:TIME?"))
        assert automatic_s == pytest.approx(2.5 * 10e3 / 1000**2)
        tell("analyzer", "INIT")
        assert ask("analyzer", "*OPC?;:STAT:QUES:COND?") == "1;0"
        tell("analyzer", f"SWE:TIME {automatic_s / 1.2}")

        assert ask("analyzer", "STAT:QUES:COND?") == "4"

    def test_what_is_above_the_reference_level_is_cut_off_and_counts_as_overload(self, tell: Tell, ask: Ask) -> None:
        """A line that was cut off would read as a weaker one."""
        tell("analyzer", _ZERO_SPAN)
        tell("analyzer", "DISP:TRAC:Y:RLEV -130")
        tell("analyzer", "INIT")
        assert ask("analyzer", "*OPC?") == "1"
        levels = [float(level) for level in ask("analyzer", "TRAC? TRACE1").split(",")]

        assert set(levels) == {-130.0}
        assert ask("analyzer", "STAT:QUES:COND?") == "8"

    def test_a_sweep_time_that_is_too_short_is_stretched(self, tell: Tell, ask: Ask) -> None:
        """Samples stay independent; a longer one is kept."""
        tell("analyzer", "BAND 100;:SWE:POIN 20;TIME 0.01")
        assert float(ask("analyzer", "SWE:TIME?")) == pytest.approx(0.3)
        tell("analyzer", "SWE:TIME 2")
        assert float(ask("analyzer", "SWE:TIME?")) == pytest.approx(2.0)

    def test_a_second_start_while_one_sweep_runs_is_ignored_with_an_error(self, tell: Tell, ask: Ask) -> None:
        """−213; after ABORt it works again. With continuous sweeps a start is refused too."""
        tell("analyzer", _ZERO_SPAN)
        tell("analyzer", "INIT")
        tell("analyzer", "INIT")
        assert ask("analyzer", "SYST:ERR?") == '-213,"Init ignored"'
        tell("analyzer", "ABOR;:INIT")
        assert ask("analyzer", "*OPC?;:SYST:ERR?") == '1;0,"No error"'
        tell("analyzer", "INIT:CONT ON;:INIT")
        assert ask("analyzer", "SYST:ERR?") == '-213,"Init ignored"'

    @pytest.mark.parametrize("change", ["FREQ:CENT 61E6", "BAND 100", "SWE:POIN 10", "INP:ATT 5", "ABOR", "*RST"])
    def test_a_trace_is_stale_after_any_change(self, tell: Tell, ask: Ask, ends: Ends, change: str) -> None:
        """−230 instead of the old trace, and no reply."""
        tell("analyzer", _ZERO_SPAN)
        assert len(ask("analyzer", "INIT;*OPC?;:TRAC? TRACE1").split(",")) == 20
        tell("analyzer", change)
        tell("analyzer", "TRAC? TRACE1")

        assert ends["analyzer"].reply() is None
        assert ask("analyzer", "SYST:ERR?") == '-230,"Data corrupt or stale"'

    def test_a_finished_sweep_keeps_what_it_saw(self, bring_up: BringUp, tell: Tell, ask: Ask) -> None:
        """Once ``*OPC?`` has answered, switching the tones off changes nothing any more."""
        bring_up()
        tell("analyzer", "FREQ:CENT 59.5E6")
        assert ask("analyzer", "INIT;*OPC?") == "1"
        tell("tone_1", "OUTP OFF")

        assert float(ask("analyzer", "TRAC? TRACE1").split(",")[0]) > -20.0

    def test_a_trace_asked_for_in_mid_sweep_is_not_there_yet(self, tell: Tell, ask: Ask, ends: Ends) -> None:
        """Half a trace is never handed out."""
        tell("analyzer", _ZERO_SPAN)
        tell("analyzer", "INIT")
        tell("analyzer", "TRAC? TRACE1")

        assert ends["analyzer"].reply() is None
        assert ask("analyzer", "SYST:ERR?") == '-230,"Data corrupt or stale"'

    @pytest.mark.parametrize(
        ("form", "order", "code"),
        [
            ("REAL,32", "NORM", ">20f"),
            ("REAL,64", "NORM", ">20d"),
            ("REAL,32", "SWAP", "<20f"),
            ("REAL", "SWAP", "<20d"),
        ],
    )
    def test_a_binary_trace_is_a_definite_block_of_the_same_numbers(
        self, tell: Tell, ask: Ask, ends: Ends, form: str, order: str, code: str
    ) -> None:
        """#, digits of the count, count, bytes (488.2, 8.7.9); NORMal is most significant byte first."""
        tell("analyzer", _ZERO_SPAN)
        text = ask("analyzer", "INIT;*OPC?;:FORM ASC;:TRAC? TRACE1").split(";")[1]
        tell("analyzer", f"FORM {form};FORM:BORD {order};:TRAC? TRACE1")
        response = ends["analyzer"].reply()

        assert response is not None
        size = struct.calcsize(code)
        digits = len(str(size))
        assert response[: 2 + digits] == b"#%d%d" % (digits, size)
        assert response[-1:] == b"\n"
        values = struct.unpack(code, response[2 + digits : -1])
        assert values == pytest.approx([float(sample) for sample in text.split(",")], rel=1e-6)

    @pytest.mark.parametrize(("message", "number"), [("FORM REAL,16", -224), ("TRAC? TRACE2", -224), ("AVER 1", -221)])
    def test_what_it_cannot_do_is_refused(self, tell: Tell, ask: Ask, message: str, number: int) -> None:
        """16-bit floats, a second trace, averaging over sweeps."""
        tell("analyzer", message)

        assert ask("analyzer", "SYST:ERR?").startswith(f"{number},")

    def test_an_overloaded_input_is_flagged_until_a_sweep_without(
        self, rig: Rig, bring_up: BringUp, tell: Tell, ask: Ask
    ) -> None:
        """Bit 3 of the questionable condition; an overdriven unit into 0 dB attenuation with the preamplifier on."""
        bring_up()
        tell("analyzer", "FREQ:CENT 60E6;:INP:GAIN:STAT ON;:INP:ATT 0")
        tell("tone_1", "POW 10")
        assert ask("analyzer", "INIT;*OPC?;:STAT:QUES:COND?") == "1;8"
        tell("analyzer", "INP:GAIN:STAT OFF;:INP:ATT 40")
        assert ask("analyzer", "INIT;*OPC?;:STAT:QUES:COND?") == "1;0"
        assert "analyzer input" not in rig.exceeded

    def test_start_and_stop_are_another_way_to_say_centre_and_span(self, tell: Tell, ask: Ask) -> None:
        """50 to 70 MHz is 60 MHz with 20 MHz span."""
        tell("analyzer", "FREQ:STAR 50MHZ;STOP 70MHZ")

        assert [float(value) for value in ask("analyzer", "FREQ:CENT?;SPAN?;STAR?;STOP?").split(";")] == [
            60e6,
            20e6,
            50e6,
            70e6,
        ]


class TestSupply:
    """Protections, limiting, readings."""

    def test_a_trip_latches_until_it_is_cleared(self, tell: Tell, ask: Ask) -> None:
        """Output on is refused with −221 meanwhile; clearing does not switch on by itself."""
        tell("supply", "VOLT:PROT 5.5;:VOLT 6;:OUTP ON")
        assert ask("supply", "OUTP?;:VOLT:PROT:TRIP?;:CURR:PROT:TRIP?") == "0;1;0"
        tell("supply", "VOLT 5;:OUTP ON")
        assert ask("supply", "OUTP?;:SYST:ERR?") == '0;-221,"Settings conflict"'
        tell("supply", "VOLT:PROT:CLE")
        assert ask("supply", "OUTP?;:VOLT:PROT:TRIP?") == "0;0"
        tell("supply", "OUTP ON")
        assert ask("supply", "OUTP?") == "1"

    def test_over_current_protection_trips_and_clears_alike(self, tell: Tell, ask: Ask) -> None:
        """The unit draws 200 mA; armed at 100 mA it is switched off."""
        tell("supply", "CURR:PROT 0.1;PROT:STAT ON;:VOLT 5;:OUTP ON")

        assert ask("supply", "OUTP?;:CURR:PROT:TRIP?") == "0;1"
        tell("supply", "CURR:PROT:CLE;STAT OFF;:OUTP ON")
        assert ask("supply", "OUTP?;:CURR:PROT:TRIP?") == "1;0"

    def test_a_current_limit_below_the_demand_pulls_the_voltage_down(self, tell: Tell, ask: Ask) -> None:
        """Bit 0 of the questionable condition tells; the current stays at the limit."""
        tell("supply", "VOLT 5;:CURR 0.1;:OUTP ON")

        assert float(ask("supply", "MEAS:CURR?")) == pytest.approx(0.1, abs=1.1e-3)
        assert float(ask("supply", "MEAS:VOLT?")) < 3.5
        assert ask("supply", "STAT:QUES:COND?") == "1"
        tell("supply", "CURR 0.3")
        assert ask("supply", "STAT:QUES:COND?") == "0"

    def test_readings_are_the_truth_and_a_constant_error(self, rig: Rig, tell: Tell, ask: Ask) -> None:
        """Within ±5 mV and ±1 mA, as declared, and off reads the same error."""
        tell("supply", "VOLT 5;:OUTP ON")
        errors = rig.truth.drawn_errors()

        read_v, read_a = float(ask("supply", "MEAS:VOLT:DC?")), float(ask("supply", "MEAS:SCAL:CURR?"))
        assert read_v == pytest.approx(rig.truth.supply_voltage_v + errors["supply_voltage_reading_v"], abs=1e-9)
        assert read_a == pytest.approx(rig.truth.supply_current_a + errors["supply_current_a"], abs=1e-9)
        tell("supply", "OUTP OFF")
        assert float(ask("supply", "MEAS:CURR?")) == pytest.approx(errors["supply_current_a"], abs=1e-9)


class TestMeter:
    """One reading at a time, of what it is wired to."""

    def test_a_reading_is_the_truth_with_gain_and_offset_error(self, rig: Rig, tell: Tell, ask: Ask) -> None:
        """I·(1 + g) + o."""
        tell("supply", "VOLT 5;:OUTP ON")
        errors = rig.truth.drawn_errors()

        expected = rig.truth.supply_current_a * (1 + errors["current_meter_gain"]) + errors["current_meter_offset_a"]
        assert float(ask("current_meter", "CONF:CURR:DC;:READ?")) == pytest.approx(expected, abs=1e-9)
        assert float(ask("board_thermometer", "MEAS:TEMP?")) == pytest.approx(
            rig.truth.board_c + errors["board_thermometer_k"], abs=1e-6
        )

    def test_a_reading_takes_its_time_when_it_is_fetched(
        self, tell: Tell, ask: Ask, clock: SimulatedClock, ends: Ends
    ) -> None:
        """40 ms at one power line cycle, ten times that at ten; READ? moves the clock in the read."""
        tell("current_meter", "CONF:CURR;:CURR:NPLC 10")
        before = clock.elapsed_s()
        tell("current_meter", "INIT;*OPC?")
        assert clock.elapsed_s() - before == pytest.approx(0.001)
        assert ends["current_meter"].reply() == b"1\n"
        assert clock.elapsed_s() - before == pytest.approx(0.401)
        before = clock.elapsed_s()
        tell("current_meter", "READ?")
        assert clock.elapsed_s() - before == pytest.approx(0.001)
        assert ends["current_meter"].reply() is not None
        assert clock.elapsed_s() - before == pytest.approx(0.401)
        assert ask("current_meter", "FETC?;:STAT:OPER:COND?").endswith(";0")

    def test_a_reading_of_older_settings_is_stale(self, tell: Tell, ask: Ask, ends: Ends) -> None:
        """−230 after reconfiguring, and before any reading (SCPI-1999 Vol 2, measurement instructions)."""
        for message in ("FETC?", "READ?"):
            tell("current_meter", message)
            ends["current_meter"].reply()
        tell("current_meter", "CONF:CURR;:FETC?")

        assert ends["current_meter"].reply() is None
        assert ask("current_meter", "SYST:ERR:COUN?") == "4"  # -230, -420, -230, -420

    @pytest.mark.parametrize("change", ["CONF:TEMP", "CURR:NPLC 2", "ABOR", "*RST"])
    def test_a_finished_reading_is_stale_after_any_change(self, tell: Tell, ask: Ask, ends: Ends, change: str) -> None:
        """−230, and no reply."""
        assert float(ask("current_meter", "READ?")) == pytest.approx(0.0, abs=2e-5)
        tell("current_meter", f"{change};:FETC?")

        assert ends["current_meter"].reply() is None
        assert ask("current_meter", "SYST:ERR?") == '-230,"Data corrupt or stale"'

    def test_a_start_while_one_reading_runs_is_ignored_with_an_error(self, tell: Tell, ask: Ask) -> None:
        """−213."""
        tell("current_meter", "INIT")
        tell("current_meter", "INIT")

        assert ask("current_meter", "SYST:ERR?") == '-213,"Init ignored"'

    def test_a_meter_set_to_what_it_is_not_wired_to_reads_an_open_input(self, ask: Ask) -> None:
        """No sensor is not a number, 9.91E37 (Vol 1, 7.2.1.5); no current is 0 A."""
        assert float(ask("current_meter", "MEAS:TEMP?")) == 9.91e37
        assert float(ask("board_thermometer", "MEAS:CURR?")) == 0.0
        assert ask("board_thermometer", "CONF?") == '"CURR"'


class TestMeterSettings:
    """Range, integration, sensor."""

    @pytest.mark.parametrize(("cycles", "noise_a"), [(1, 1e-4), (100, 1e-5), (0.1, 1e-3 * 10**0.5)])
    def test_noise_falls_with_the_root_of_the_cycles_and_below_one_hum_comes_in(
        self, setup: RigSetup, clock: SimulatedClock, cycles: float, noise_a: float
    ) -> None:
        """White noise: 1/√n (JCGM 100:2008, 4.2.3). Hum: ten times (ours). 400 readings know it to 1/√800, 3.5 %."""
        rig = Rig(replace(setup, current_meter=CurrentMeterSetup(2e-5, 5e-4, 0.04, noise_a=1e-4)), clock)
        meter = front_ends(rig)["current_meter"]
        meter.receive(b"CONF:CURR\n")
        meter.receive(b"CURR:NPLC %g\n" % cycles)
        readings = []
        for _ in range(400):
            meter.receive(b"READ?\n")
            readings.append(float(meter.reply() or b""))

        assert stdev(readings) == pytest.approx(noise_a, rel=0.12)
        assert fmean(readings) == pytest.approx(rig.meter_offset_a, abs=4 * noise_a / 20)

    def test_a_range_that_is_too_small_overloads(self, tell: Tell, ask: Ask) -> None:
        """200 mA in a range of 100 mA: 9.9E37 (SCPI-1999 Vol 1, 7.2.1.4); automatic again after CONFigure."""
        tell("supply", "VOLT 5;:OUTP ON")
        tell("current_meter", "CONF:CURR;:CURR:RANG 0.07")
        assert ask("current_meter", "CURR:RANG?;RANG:AUTO?") == "1.000000000E-01;0"
        assert float(ask("current_meter", "READ?")) == 9.9e37
        tell("current_meter", "CONF:CURR")

        assert ask("current_meter", "CURR:RANG:AUTO?") == "1"
        assert float(ask("current_meter", "READ?")) == pytest.approx(0.2, abs=0.05)

    @pytest.mark.parametrize(
        ("wired", "told", "off_k"),
        [
            (("Pt100", 4), "TYPE FRTD", 0.0),
            (("Pt100", 4), "TYPE RTD", 1.3),
            (("Pt1000", 4), "TYPE RTD", 0.13),
            (("Pt1000", 4), "FRTD:RES 1000", 0.0),
            (("Pt1000", 4), "FRTD:RES 100", None),
            (("Pt100", 2), "TYPE FRTD", None),
            (("thermocouple K", 2), "TYPE TC", 0.0),
            (("thermocouple K", 2), "TC:TYPE J", None),
            (("thermocouple K", 2), "TYPE RTD", None),
            (("Pt100", 4), "TYPE TC", None),
        ],
    )
    def test_another_sensor_than_the_one_that_is_wired_shows(
        self, setup: RigSetup, clock: SimulatedClock, wired: tuple[str, int], told: str, off_k: float | None
    ) -> None:
        """0.5 Ω of leads are 1.3 K of a Pt100 in two wires and a tenth of that of a Pt1000 (IEC 60751: 0.385 %/K)."""
        rig = Rig(replace(setup, board_thermometer=ThermometerSetup(0.2, 0.04, *wired)), clock)
        meter = front_ends(rig)["board_thermometer"]
        meter.receive(b"CONF:TEMP\n")
        meter.receive(b"TEMP:TRAN:%s\n" % told.encode())
        meter.receive(b"READ?\n")
        reading_c = float(meter.reply() or b"")

        if off_k is None:
            assert reading_c > 9.8e37
        else:
            assert reading_c - rig.metered_board_c() == pytest.approx(off_k, abs=0.005)


class TestOutputs:
    """A supply with several outputs."""

    @pytest.fixture
    def second(self, setup: RigSetup, clock: SimulatedClock) -> Rig:
        assert setup.supply is not None
        return Rig(replace(setup, supply=replace(setup.supply, output=2)), clock)

    def test_only_the_output_that_is_selected_is_spoken_to(self, second: Rig) -> None:
        """The first is at power-up; the unit hangs on the second."""
        supply = front_ends(second)["supply"]
        bias = second.bias
        assert bias is not None
        supply.receive(b"VOLT 5;:OUTP ON\n")
        assert not bias.on
        supply.receive(b"INST:NSEL 2;:VOLT 5;:OUTP ON\n")
        assert bias.on
        supply.receive(b"MEAS:CURR?\n")
        assert float(supply.reply() or b"") == pytest.approx(0.2, abs=0.05)
        supply.receive(b"INST:NSEL 1;:OUTP OFF;:MEAS:CURR?\n")

        assert float(supply.reply() or b"") == pytest.approx(0.0, abs=0.0011)
        assert bias.on

    def test_each_output_has_its_own_summary(self, second: Rig) -> None:
        """In current limit on the second, whatever is selected; there is no fourth."""
        supply = front_ends(second)["supply"]
        supply.receive(b"INST:NSEL 2;:VOLT 5;:CURR 0.1;:OUTP ON;:INST:NSEL 1\n")
        supply.receive(b"STAT:QUES:INST:ISUM1:COND?;:STAT:QUES:INST:ISUM2:COND?\n")
        assert supply.reply() == b"0;1\n"
        supply.receive(b"INST:NSEL 4\n")
        supply.receive(b"SYST:ERR?\n")

        assert supply.reply() == b'-222,"Data out of range"\n'


class TestChamber:
    """Limits of its own, ramp, readings."""

    def test_a_target_beyond_its_limits_is_refused_and_the_target_stays(self, tell: Tell, ask: Ask) -> None:
        """−222, for the limits of now."""
        tell("chamber", "TEMP:PROT:HIGH 90;LOW -45")
        tell("chamber", "TEMP:SPO 85;SPO 95")

        assert float(ask("chamber", "TEMP:SPO?")) == 85.0
        assert ask("chamber", "SYST:ERR?") == '-222,"Data out of range"'
        tell("chamber", "TEMP:RAMP 10")
        assert ask("chamber", "SYST:ERR?") == '-222,"Data out of range"'

    def test_it_goes_where_it_is_sent_at_the_ramp_that_is_set(
        self, tell: Tell, ask: Ask, clock: SimulatedClock
    ) -> None:
        """By its own sensor it arrives exactly; at 1 K/min half an hour is 30 K."""
        start_c = float(ask("chamber", "MEAS:TEMP?"))
        tell("chamber", "TEMP:RAMP 1;SPO 85;:OUTP ON")
        clock.sleep(1800.0)
        assert float(ask("chamber", "MEAS:TEMP?")) == pytest.approx(start_c + 30.0, abs=0.6)
        clock.sleep(7200.0)
        assert float(ask("chamber", "MEAS:TEMP?")) == pytest.approx(85.0, abs=1e-3)

    def test_air_beyond_a_limit_stops_it_with_a_flag(self, tell: Tell, ask: Ask, clock: SimulatedClock) -> None:
        """Bit 4 of the questionable condition, and conditioning off."""
        tell("chamber", "TEMP:SPO 85;:OUTP ON")
        clock.sleep(7200.0)
        tell("chamber", "TEMP:PROT:HIGH 80")

        assert ask("chamber", "STAT:QUES:COND?;:OUTP?") == "16;0"


class TestSwitch:
    """Relays that do not open each other."""

    def test_relays_close_and_open_one_by_one(self, tell: Tell, ask: Ask) -> None:
        """CLOSe? answers for each channel of its list."""
        tell("load_switch", "ROUT:CLOS (@101,103)")
        assert ask("load_switch", "ROUT:CLOS? (@101:104)") == "1,0,1,0"
        tell("load_switch", "ROUT:OPEN (@101);CLOS (@104)")
        assert ask("load_switch", "CLOS? (@101:104)") == "0,0,1,1"
        tell("load_switch", "OPEN:ALL")
        assert ask("load_switch", "CLOS? (@101:104)") == "0,0,0,0"

    def test_a_relay_that_is_not_there_is_refused_and_nothing_moves(self, tell: Tell, ask: Ask) -> None:
        """−222, also when others in the list exist."""
        tell("load_switch", "CLOS (@101,105)")

        assert ask("load_switch", "CLOS? (@101);:SYST:ERR?") == '0;-222,"Data out of range"'


class TestDigitalPort:
    """Words on numbered ports."""

    def test_reset_does_not_move_the_lines(self, tell: Tell, ask: Ask) -> None:
        """A held enable line stays on, as on many real ones."""
        tell("code_port", "SOUR:DIG:DATA1 21;:SOUR:DIG:DATA3 1;*RST")

        assert ask("code_port", "SOUR:DIG:DATA1?;DATA2?;DATA3?") == "21;0;1"

    @pytest.mark.parametrize(("message", "number"), [("DIG:DATA1 256", -222), ("DIG:DATA4 1", -114)])
    def test_a_word_or_port_that_is_not_there_is_refused(self, tell: Tell, ask: Ask, message: str, number: int) -> None:
        """Eight lines per port; three ports."""
        tell("code_port", message)

        assert ask("code_port", "SYST:ERR?").startswith(f"{number},")
