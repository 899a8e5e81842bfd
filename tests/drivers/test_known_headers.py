"""How each header that our drivers send is known, and that none is sent where the standard has another for the job.

SCPI-1999 itself was not seen. What is quoted by others is named here with who quotes it; all other headers that the
list calls standard are from memory of Volume 2. Whoever holds the standard can correct ``drivers.sent_headers``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import pytest

from drivers.sent_headers import SENT

#: Quoted from Volume 2 with the number of a section by a parser for instruments: Measurement Instructions (MEASure is
#: CONFigure and READ, READ is ABORt, INITiate and FETCh) and 20.3 (STATus:QUEStionable and its bits).
QUOTED = {
    ":ABOR",
    ":CONF:SCAL:CURR:DC",
    ":CONF:SCAL:TEMP",
    ":FETC?",
    ":INIT:IMM",
    ":MEAS:SCAL:CURR:DC?",
    ":MEAS:SCAL:TEMP?",
    ":MEAS:SCAL:VOLT:DC?",
    ":STAT:QUES:COND?",
}

#: Called standard by manuals of more than one maker.
IN_MANUALS = {":ROUT:CLOS", ":ROUT:CLOS?", ":ROUT:OPEN:ALL"}

#: Practice: why the standard has nothing for the job, as far as it is remembered. By the beginning of the header.
WHY_PRACTICE: Mapping[str, str] = {
    ":SENS:TEMP:NPLC": "NPLCycles stands below CURRent, VOLTage, RESistance and others, not below TEMPerature",
    ":SENS:TEMP:TRAN": "which sensor a temperature is taken with was not confirmed; manuals have many dialects",
    ":SOUR:TEMP": "SOURce has no TEMPerature; seen in manuals of temperature controllers",
    ":SOUR:DIG:DATA": "whether there is a DIGital at all was not confirmed; manuals have many dialects",
    ":SYST:RSEN": "remote sense is in no subsystem",
}

#: Spellings that are met in instruments for what the standard has a header for, and that header.
STANDARD_HAS: Mapping[str, str] = {
    ":POW:ATT": ":INP:ATT",
    ":SENS:POW:RF:ATT": ":INP:ATT",
    ":SENS:POW:ATT": ":INP:ATT",
    ":SENS:POW:GAIN": ":INP:GAIN:STAT",
    ":SENS:POW:RF:GAIN": ":INP:GAIN:STAT",
    ":INIT:SING": ":INIT:IMM",
    ":INIT:REST": ":INIT:IMM",
    ":SING": ":INIT:IMM",
    ":CALC:MARK": ":TRAC:DATA?",
    ":CALC:DATA": ":TRAC:DATA?",
    ":SENS:DATA": ":TRAC:DATA?",
    ":SENS:IFBW": ":SENS:BAND:RES",
    ":SENS:RBW": ":SENS:BAND:RES",
    ":SENS:SEGM": ":SENS:LIST:FREQ",
    ":SOUR:POW:MAX": ":SOUR:POW:LIM:AMPL",
    ":SOUR:POW:USER:MAX": ":SOUR:POW:LIM:AMPL",
    ":OUTP:RF": ":OUTP:STAT",
    ":OUTP:PROT:CLE": ":SOUR:VOLT:PROT:CLE",
    ":OUTP:PROT:TRIP": ":SOUR:VOLT:PROT:TRIP?",
    ":SOUR:VOLT:OVP": ":SOUR:VOLT:PROT:LEV",
    ":SOUR:CURR:OCP": ":SOUR:CURR:PROT:LEV",
    ":INST:CHAN": ":INST:NSEL",
    ":MEAS:POW": ":FETC?",
    ":CAL:ZERO:EXEC": ":CAL:ZERO:AUTO",
    ":CAL:SENS:ZERO": ":CAL:ZERO:AUTO",
    ":CHAN:CLOS": ":ROUT:CLOS",
    ":ROUT:OPEN:ALLC": ":ROUT:OPEN:ALL",
    ":ERR": ":SYST:ERR?",
}

EVERY = {header for headers in SENT.values() for header in headers.every}
STANDARD = {header for headers in SENT.values() for header in headers.standard}
PRACTICE = {header for headers in SENT.values() for header in headers.practice}

#: Subsystems of Volume 2 that our roles can need, from memory of its table of contents.
SUBSYSTEMS = {
    "ABOR", "CALC", "CAL", "CONF", "DISP", "FETC", "FORM", "INIT", "INP", "INST", "MEAS", "OUTP", "READ", "ROUT",
    "SENS", "SOUR", "STAT", "SYST", "TRAC", "TRIG", "UNIT",
}  # fmt: skip

#: Words of just four letters are not shortened, whatever the fourth is.
FOUR_LETTERS = {"AUTO", "DATA", "MODE", "RATE", "TIME", "TYPE", "ZERO"}


def test_what_is_quoted_or_in_manuals_is_sent_and_called_standard() -> None:
    """So that these lists do not outlive what they tell of."""
    assert QUOTED | IN_MANUALS <= STANDARD
    assert not QUOTED & IN_MANUALS


@pytest.mark.parametrize("header", sorted(PRACTICE))
def test_a_header_of_practice_stands_where_the_standard_has_none(header: str) -> None:
    """One reason for each, and each reason still has a header."""
    assert len([begins for begins in WHY_PRACTICE if header.startswith(begins)]) == 1


def test_each_reason_for_practice_has_a_header() -> None:
    """The other way round."""
    assert all(any(header.startswith(begins) for header in PRACTICE) for begins in WHY_PRACTICE)


def test_no_header_is_standard_for_one_driver_and_practice_for_another() -> None:
    """It is in Volume 2 or it is not."""
    assert not STANDARD & PRACTICE


@pytest.mark.parametrize("spelling", STANDARD_HAS)
def test_no_spelling_of_practice_is_sent_for_what_the_standard_has_a_header_for(spelling: str) -> None:
    """An instrument that only has the standard would not know it. Which spellings are met is common practice."""
    ours = re.compile(rf"{re.escape(spelling)}(?![A-Z])")

    assert not [header for header in EVERY if ours.match(header)]
    assert STANDARD_HAS[spelling] in EVERY | {":SYST:ERR?"}


@pytest.mark.parametrize("header", sorted(EVERY))
def test_a_header_begins_at_the_root_in_a_subsystem_of_the_standard_and_in_short_forms(header: str) -> None:
    """Vol 1, 6.2.1: four letters, three if the fourth is a vowel; # is a number (6.2.5)."""
    nodes = header.removesuffix("?").split(":")

    assert nodes[0] == ""
    assert nodes[1] in SUBSYSTEMS
    for node in nodes[1:]:
        assert re.fullmatch(r"[A-Z]{2,4}#?|Y", node)  # an axis of a trace has one letter
        assert node.rstrip("#") in FOUR_LETTERS or not re.fullmatch(r"[A-Z]{3}[AEIOU]#?", node)
