"""Faults of a served rig: each does what its name says, and ``none`` heals it."""

from __future__ import annotations

import math
import struct

import pytest

from bench.clocks import SimulatedClock
from drivers.simulated.faults import GARBAGE, KINDS, FaultError, Faults, FaultyLine
from drivers.simulated.front_ends import served_front_ends
from drivers.simulated.rig import Rig

IDENTITY = b"NIGHTBENCH,SIMULATED-DC-SUPPLY,0,0.1\n"

#: How much faster than a client's watch the rig's clock runs here.
SPEED = 10.0


@pytest.fixture
def faults(rig: Rig) -> Faults:
    """No fault yet."""
    return Faults(rig, served_front_ends(rig), SPEED)


@pytest.fixture
def supply(faults: Faults) -> FaultyLine:
    """A line to the supply."""
    return faults.instruments["supply"].line()


def ask(line: FaultyLine, text: str) -> bytes | None:
    line.receive(text.encode() + b"\n")
    return line.ready()


def number(line: FaultyLine, text: str) -> float:
    reply = ask(line, text)
    assert reply is not None
    return float(reply)


def bring_up(faults: Faults) -> FaultyLine:
    """Bias on; the line to the supply."""
    line = faults.instruments["supply"].line()
    line.receive(b":VOLT 5;:CURR 0.3;:OUTP ON\n")
    return line


# --- Messages


def test_silence_neither_obeys_nor_answers(faults: Faults, supply: FaultyLine, rig: Rig) -> None:
    """A hung instrument: what it was told meanwhile is lost."""
    faults.switch_on("supply", "silence")
    silent = ask(supply, ":VOLT 4;:OUTP ON;:VOLT?")
    waits = supply.waits_until_s()
    faults.heal("supply")

    assert (silent, waits) == (None, None)
    assert rig.bias is not None
    assert not rig.bias.on
    assert ask(supply, "*IDN?") == IDENTITY


def test_garbage_comes_instead_of_replies(faults: Faults, supply: FaultyLine) -> None:
    """Bytes that are no text, with an end; the instrument itself does what it is told."""
    faults.switch_on("supply", "garbage")
    heard = ask(supply, ":VOLT 4;:VOLT?")
    faults.heal("supply")

    assert heard == GARBAGE
    assert number(supply, ":VOLT?") == 4.0
    with pytest.raises(UnicodeDecodeError):
        GARBAGE.decode("ascii")


def test_a_partial_reply_has_no_end(faults: Faults, supply: FaultyLine) -> None:
    """Half of it, and its newline never comes."""
    faults.switch_on("supply", "partial")
    heard = ask(supply, "*IDN?")
    nothing = supply.ready()
    faults.heal("supply")

    assert heard == IDENTITY[: len(IDENTITY) // 2]
    assert nothing is None
    assert ask(supply, "*IDN?") == IDENTITY


def test_wrong_numbers_are_the_number_that_was_given(faults: Faults, supply: FaultyLine) -> None:
    """Physical quantities only: registers, names and the entries of the queue are as they were."""
    faults.switch_on("supply", "wrong-number", ["-12.5"])
    heard = ask(supply, ":VOLT 4;:VOLT?;:MEAS:CURR?;*ESE?;*IDN?")
    faults.heal("supply")

    assert heard == b"-1.250000000E+01;-1.250000000E+01;0;" + IDENTITY
    assert number(supply, ":VOLT?") == 4.0


def test_a_wrong_number_is_not_a_number_unless_another_is_given(faults: Faults, supply: FaultyLine) -> None:
    """9.91E37 says so (SCPI-1999 Vol 1, 7.2.1.5)."""
    faults.switch_on("supply", "wrong-number")

    assert ask(supply, ":VOLT?") == b"9.910000000E+37\n"


@pytest.mark.parametrize(("bits", "letter"), [(32, "f"), (64, "d")])
def test_wrong_numbers_in_a_block_are_not_numbers(
    faults: Faults, clock: SimulatedClock, bits: int, letter: str
) -> None:
    """In either length and byte order; the block's frame is whole (IEEE 488.2, 8.7.9)."""
    line = faults.instruments["analyzer"].line()
    line.receive(f":FORM REAL,{bits};:FREQ:SPAN 0;:SWE:POIN 5;:INIT\n".encode())
    clock.sleep(100.0)
    sound = ask(line, ":TRAC? TRACE1")
    faults.switch_on("analyzer", "wrong-number")
    wrong = ask(line, ":TRAC? TRACE1")

    assert sound is not None
    assert wrong is not None
    head = len(sound) - 1 - 5 * bits // 8
    assert (wrong[:head], wrong[-1:], len(wrong)) == (sound[:head], b"\n", len(sound))
    for order in "<>":
        values = struct.unpack(f"{order}5{letter}", wrong[head:-1])
        assert all(math.isnan(value) for value in values)


def test_late_replies_come_in_order_after_their_time(faults: Faults, supply: FaultyLine, clock: SimulatedClock) -> None:
    """Seconds of the client's watch; what was asked later and is answered late too comes behind."""
    faults.switch_on("supply", "late", ["3"])
    first = ask(supply, "*IDN?")
    clock.sleep(1.0)
    second = ask(supply, "*ESE?")
    due = supply.waits_until_s()
    clock.sleep(3.0 * SPEED - 1.001)
    too_early = supply.ready()
    clock.sleep(0.002)
    heard = [supply.ready(), supply.ready()]
    clock.sleep(1.0)
    heard.append(supply.ready())
    faults.heal("supply")

    assert (first, second, too_early) == (None, None, None)
    assert due == pytest.approx(3.0 * SPEED)
    assert heard == [IDENTITY, None, b"0\n"]
    assert ask(supply, "*ESE?") == b"0\n"


def test_a_dropped_connection_is_closed_instead_of_an_answer(faults: Faults, supply: FaultyLine) -> None:
    """Once; a new connection finds the instrument as it was."""
    faults.switch_on("supply", "dropped")
    supply.receive(b":VOLT 4\n")
    before = supply.broken
    heard = ask(supply, "*IDN?")

    assert (before, heard, supply.broken) == (False, None, True)
    assert faults.active() == {}
    assert ask(faults.instruments["supply"].line(), "*IDN?") == IDENTITY


def test_a_refusing_port_loses_its_connections(faults: Faults, supply: FaultyLine) -> None:
    """And is open again when it is healed."""
    faults.switch_on("supply", "refused")
    refused, broken = faults.instruments["supply"].refuses, supply.broken
    faults.heal("supply")

    assert (refused, broken) == (True, True)
    assert not faults.instruments["supply"].refuses
    assert ask(faults.instruments["supply"].line(), "*IDN?") == IDENTITY


def test_each_command_leaves_an_error_entry(faults: Faults, supply: FaultyLine) -> None:
    """It is obeyed all the same; questions leave none, so that the queue has an end."""
    faults.switch_on("supply", "error", ["-240"])
    supply.receive(b":VOLT 4\n")
    heard = [ask(supply, ":VOLT?"), ask(supply, "SYST:ERR?"), ask(supply, "SYST:ERR?")]
    faults.heal("supply")
    supply.receive(b":VOLT 5\n")

    assert heard == [b"4.000000000E+00\n", b'-240,"Hardware error"\n', b'0,"No error"\n']
    assert ask(supply, "SYST:ERR?") == b'0,"No error"\n'


def test_a_restart_loses_settings_and_connections_and_says_so(faults: Faults, rig: Rig) -> None:
    """Outputs are off, the queue and masks are empty, and the power-on event is set (488.2, 11.5.1: bit 7)."""
    line = bring_up(faults)
    line.receive(b"*ESR?;*ESE 36;:FOO\n")
    faults.switch_on("supply", "restart")
    again = faults.instruments["supply"].line()

    assert line.broken
    assert rig.bias is not None
    assert not rig.bias.on
    assert ask(again, "*ESR?;*ESE?;:VOLT?;:SYST:ERR:COUN?") == b"128;0;0.000000000E+00;0\n"
    assert rig.journal[-1].what == "bias off"
    assert faults.active() == {}


def test_a_restarted_port_has_its_lines_low(rig: Rig, faults: Faults) -> None:
    """Unlike after ``*RST``, which does not move them."""
    line = faults.instruments["code_port"].line()
    line.receive(b":SOUR:DIG:DATA1 12\n*RST\n")
    kept = ask(line, ":SOUR:DIG:DATA1?")
    faults.switch_on("code_port", "restart")

    assert kept == b"12\n"
    assert ask(faults.instruments["code_port"].line(), ":SOUR:DIG:DATA1?") == b"0\n"
    assert rig.code("A") == 0


def test_a_fault_may_begin_after_some_messages_and_be_over_after_some(faults: Faults, supply: FaultyLine) -> None:
    """``@2 x1``: two messages go through, one reply is spoilt, and all is well again."""
    faults.switch_on("supply", "garbage", ["@2", "x1"])
    heard = [ask(supply, "*IDN?") for _ in range(4)]

    assert heard == [IDENTITY, IDENTITY, GARBAGE, IDENTITY]
    assert faults.active() == {}


def test_a_port_may_refuse_from_a_message_on(faults: Faults, supply: FaultyLine) -> None:
    """The connection is lost with the one after it."""
    faults.switch_on("supply", "refused", ["@1"])
    before = faults.instruments["supply"].refuses
    through = ask(supply, "*IDN?"), supply.broken
    supply.receive(b":VOLT 4\n")

    assert not before
    assert through == (IDENTITY, False)
    assert faults.instruments["supply"].refuses
    assert supply.broken


def test_a_fault_is_the_instruments_and_no_others(faults: Faults, supply: FaultyLine) -> None:
    """All its lines have it, and the rest of the bench goes on."""
    faults.switch_on("analyzer", "silence")

    assert ask(supply, "*IDN?") == IDENTITY
    assert [ask(faults.instruments["analyzer"].line(), "*IDN?") for _ in range(2)] == [None, None]


# --- Physics


def test_a_runaway_chamber_heats_past_its_target_while_it_conditions(
    faults: Faults, rig: Rig, clock: SimulatedClock
) -> None:
    """At the rate that was given, in K/min; switching off ends the heating, healing the fault."""
    line = faults.instruments["chamber"].line()
    line.receive(b":TEMP 25;:OUTP ON\n")
    clock.sleep(3600.0)
    began_c = number(line, ":MEAS:TEMP?")
    faults.switch_on("chamber", "runaway", ["3"])
    clock.sleep(600.0)
    hot_c = number(line, ":MEAS:TEMP?")
    line.receive(b":OUTP OFF\n")
    clock.sleep(600.0)
    off_c = number(line, ":MEAS:TEMP?")
    faults.heal("chamber")
    line.receive(b":OUTP ON\n")
    clock.sleep(3600.0)

    assert hot_c - began_c == pytest.approx(30.0, abs=2.0)  # less the lag of the air: 24 s at 3 K/min
    assert off_c < hot_c
    assert number(line, ":MEAS:TEMP?") == pytest.approx(25.0, abs=0.1)


def test_a_stuck_chamber_stays_where_it_is(faults: Faults, clock: SimulatedClock) -> None:
    """Whatever its target says; healed, it goes there."""
    line = faults.instruments["chamber"].line()
    began_c = number(line, ":MEAS:TEMP?")
    faults.switch_on("chamber", "stuck")
    line.receive(b":TEMP 85;:OUTP ON\n")
    clock.sleep(3600.0)
    stuck_c = number(line, ":MEAS:TEMP?")
    faults.heal("chamber")
    clock.sleep(3600.0)

    assert stuck_c == pytest.approx(began_c, abs=0.01)
    assert number(line, ":MEAS:TEMP?") == pytest.approx(85.0, abs=0.1)


def test_a_supply_limit_holds_the_current_down_whatever_the_setting(faults: Faults) -> None:
    """The voltage folds back, and the supply says so (bit 0 of STATus:QUEStionable)."""
    line = bring_up(faults)
    sound_a = number(line, ":MEAS:CURR?")
    faults.switch_on("supply", "supply-limit", ["0.08"])
    limited = ask(line, ":MEAS:CURR?;VOLT?;:STAT:QUES:COND?;:CURR?")
    faults.heal("supply")

    assert limited is not None
    current_a, voltage_v, questionable, setting_a = map(float, limited.split(b";"))
    assert current_a == pytest.approx(0.08, abs=0.002)
    assert voltage_v < 4.5
    assert (questionable, setting_a) == (1, 0.3)
    assert sound_a > 0.15
    assert number(line, ":MEAS:CURR?") == pytest.approx(sound_a, abs=0.001)


@pytest.mark.parametrize(
    ("place", "query", "step"), [("board_thermometer", "TEMP", 1.0), ("current_meter", "CURR", 1e-3)]
)
def test_a_drifting_sensor_leaves_what_it_reads(
    faults: Faults, rig: Rig, clock: SimulatedClock, place: str, query: str, step: float
) -> None:
    """By so many K or mA per minute, while what is really so stays."""
    bring_up(faults)
    line = faults.instruments[place].line()

    def read() -> float:
        line.receive(f":CONF:{query};:INIT\n".encode())
        clock.sleep(1.0)
        return number(line, ":FETC?")

    sound, board_c = read(), rig.thermal.board_c
    faults.switch_on(place, "drifting-sensor", ["2"])
    clock.sleep(599.0)
    drifted = read()
    faults.heal(place)

    assert drifted - sound == pytest.approx(2.0 * step * 599 / 60, rel=0.02)
    assert rig.thermal.board_c == pytest.approx(board_c, abs=0.01)
    assert read() == pytest.approx(sound, abs=0.01 * step)


def test_a_drifting_current_is_really_drawn(faults: Faults, rig: Rig, clock: SimulatedClock) -> None:
    """More mA with each minute, seen by supply and meter, and it heats the die."""
    line = bring_up(faults)
    sound_a, cool_c = number(line, ":MEAS:CURR?"), rig.operating().die_c
    metered_a = rig.metered_current_a()
    faults.switch_on("supply", "drifting-current", ["6"])
    clock.sleep(600.0)
    drifted_a, warm_c, metered_more_a = number(line, ":MEAS:CURR?"), rig.operating().die_c, rig.metered_current_a()
    faults.heal("supply")

    assert drifted_a - sound_a == pytest.approx(0.06, rel=0.01)
    assert metered_more_a - metered_a == pytest.approx(0.06, rel=0.01)
    assert warm_c > cool_c + 1.0
    assert number(line, ":MEAS:CURR?") == pytest.approx(sound_a, abs=1e-6)


def test_a_drifting_current_runs_into_the_limit_like_any_other(faults: Faults, clock: SimulatedClock) -> None:
    """The supply folds back instead of giving more."""
    line = bring_up(faults)
    faults.switch_on("supply", "drifting-current", ["100"])
    clock.sleep(600.0)

    assert number(line, ":MEAS:CURR?") == pytest.approx(0.3, abs=0.002)


# --- Which there are


def test_faults_are_listed_by_place_while_they_last(faults: Faults) -> None:
    """One of messages and one of physics may be at one place."""
    faults.switch_on("supply", "silence")
    faults.switch_on("supply", "supply-limit")
    faults.switch_on("analyzer", "late", ["2"])
    listed = faults.active()
    faults.heal("supply")

    assert listed == {"supply": ["silence", "supply-limit"], "analyzer": ["late"]}
    assert faults.active() == {"analyzer": ["late"]}


def test_a_fault_takes_the_place_of_another_of_its_sort(faults: Faults, rig: Rig) -> None:
    """Nothing of the first is left."""
    faults.switch_on("supply", "supply-limit", ["0.01"])
    faults.switch_on("supply", "drifting-current")
    faults.switch_on("supply", "silence")
    faults.switch_on("supply", "garbage")

    assert faults.active() == {"supply": ["garbage", "drifting-current"]}
    assert rig.bias is not None
    assert rig.bias.most_current_a == math.inf


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("noise silence", "no instrument at 'noise'; there are tone_1"),
        ("supply sleep", "no fault 'sleep'; there are silence"),
        ("supply runaway", "runaway happens at chamber, not at supply"),
        ("supply silence 3", "silence .* does not take '3'"),
        ("supply late soon", "late .* does not take 'soon'"),
        ("supply late nan", "late .* does not take 'nan'"),
        ("supply late -1", "late takes no negative number"),
        ("supply error -999", "no entry -999; there are -101"),
        ("supply supply-limit x2", "supply-limit .* does not take 'x2'"),
        ("supply silence x0", "silence .* does not take 'x0'"),
    ],
)
def test_a_fault_that_cannot_be_is_refused_with_what_there_is(faults: Faults, words: str, said: str) -> None:
    """And none is switched on."""
    place, kind, *rest = words.split()

    with pytest.raises(FaultError, match=said):
        faults.switch_on(place, kind, rest)
    assert faults.active() == {}


def test_every_kind_says_what_it_does() -> None:
    """The control line lists them."""
    assert all(kind.what for kind in KINDS.values())
