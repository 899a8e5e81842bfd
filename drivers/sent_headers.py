"""Which headers each driver of this project sends: for tables of deviations, and for a test that holds the list true.

``#`` stands for a number at the end of a word of a header. The messages that every instrument gets (``*IDN?``,
``*ESR?``, ``:SYST:ERR?``, ``*OPC?``) are left out: a table of deviations names them by keys of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from drivers.chamber import ScpiChamber
from drivers.dc_supply import ScpiDCSupply
from drivers.digital_port import ScpiDigitalPort
from drivers.meter import ScpiMeter
from drivers.network_analyzer import ScpiNetworkAnalyzer
from drivers.noise_source import ScpiNoiseSource
from drivers.power_meter import ScpiPowerMeter
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer
from drivers.switch import ScpiSwitch
from drivers.tone_source import ScpiToneSource


@dataclass(frozen=True, slots=True)
class SentHeaders:
    """Headers that a driver sends.

    Attributes:
        standard: Those believed to be in SCPI-1999 Vol 2, from memory of it and not seen.
        practice: Those that are met in instruments and not in the standard.
        safe: Headers without which ``make_safe`` cannot do its work.
    """

    standard: frozenset[str] = frozenset()
    practice: frozenset[str] = frozenset()
    safe: frozenset[str] = frozenset()

    @property
    def every(self) -> frozenset[str]:
        """All headers."""
        return self.standard | self.practice


SENT: Final[dict[type, SentHeaders]] = {
    ScpiToneSource: SentHeaders(
        standard=frozenset(
            {
                ":OUTP:STAT",
                ":OUTP:STAT?",
                ":SOUR:FREQ:CW",
                ":SOUR:FREQ:MODE",
                ":SOUR:POW:LEV:IMM:AMPL",
                ":SOUR:POW:LEV:IMM:AMPL?",
                ":SOUR:POW:LIM:AMPL",
                ":SOUR:POW:LIM:AMPL?",
                ":STAT:QUES:COND?",
                ":UNIT:POW",
                ":UNIT:POW?",
            }
        ),
        safe=frozenset({":OUTP:STAT"}),
    ),
    ScpiSpectrumAnalyzer: SentHeaders(
        standard=frozenset(
            {
                ":ABOR",
                ":DISP:WIND:TRAC:Y:SCAL:RLEV",
                ":DISP:WIND:TRAC:Y:SCAL:RLEV?",
                ":FORM:BORD",
                ":FORM:BORD?",
                ":FORM:DATA",
                ":INIT:CONT",
                ":INIT:CONT?",
                ":INIT:IMM",
                ":INP:ATT",
                ":INP:ATT:AUTO",
                ":INP:ATT?",
                ":INP:GAIN:STAT",
                ":INP:GAIN:STAT?",
                ":SENS:AVER:STAT",
                ":SENS:AVER:STAT?",
                ":SENS:BAND:RES",
                ":SENS:BAND:RES?",
                ":SENS:BAND:VID",
                ":SENS:BAND:VID:AUTO",
                ":SENS:DET:FUNC",
                ":SENS:FREQ:CENT",
                ":SENS:FREQ:SPAN",
                ":SENS:FREQ:SPAN?",
                ":SENS:SWE:POIN",
                ":SENS:SWE:POIN?",
                ":SENS:SWE:TIME",
                ":SENS:SWE:TIME:AUTO",
                ":SENS:SWE:TIME?",
                ":STAT:QUES:COND?",
                ":TRAC:DATA?",
                ":UNIT:POW",
                ":UNIT:POW?",
            }
        ),
        safe=frozenset({":ABOR", ":INP:ATT"}),
    ),
    ScpiNetworkAnalyzer: SentHeaders(
        standard=frozenset(
            {
                ":ABOR",
                ":CALC:FORM",
                ":CALC:FORM?",
                ":FORM:BORD",
                ":FORM:BORD?",
                ":FORM:DATA",
                ":INIT:CONT",
                ":INIT:CONT?",
                ":INIT:IMM",
                ":OUTP:STAT",
                ":OUTP:STAT?",
                ":SENS:BAND:RES",
                ":SENS:BAND:RES?",
                ":SENS:FREQ:MODE",
                ":SENS:FREQ:MODE?",
                ":SENS:FREQ:STAR",
                ":SENS:FREQ:STAR?",
                ":SENS:FREQ:STOP",
                ":SENS:FREQ:STOP?",
                ":SENS:LIST:FREQ",
                ":SENS:LIST:FREQ:POIN?",
                ":SENS:SWE:POIN",
                ":SENS:SWE:POIN?",
                ":SOUR:POW:LEV:IMM:AMPL",
                ":SOUR:POW:LEV:IMM:AMPL?",
                ":SOUR:POW:LIM:AMPL",
                ":SOUR:POW:LIM:AMPL?",
                ":TRAC:DATA?",
            }
        ),
        safe=frozenset({":OUTP:STAT"}),
    ),
    ScpiDCSupply: SentHeaders(
        standard=frozenset(
            {
                ":INST:NSEL",
                ":INST:NSEL?",
                ":MEAS:SCAL:CURR:DC?",
                ":MEAS:SCAL:VOLT:DC?",
                ":OUTP:STAT",
                ":OUTP:STAT?",
                ":SOUR:CURR:LEV:IMM:AMPL",
                ":SOUR:CURR:LEV:IMM:AMPL?",
                ":SOUR:CURR:PROT:CLE",
                ":SOUR:CURR:PROT:LEV",
                ":SOUR:CURR:PROT:LEV?",
                ":SOUR:CURR:PROT:STAT",
                ":SOUR:CURR:PROT:STAT?",
                ":SOUR:CURR:PROT:TRIP?",
                ":SOUR:VOLT:LEV:IMM:AMPL",
                ":SOUR:VOLT:LEV:IMM:AMPL?",
                ":SOUR:VOLT:PROT:CLE",
                ":SOUR:VOLT:PROT:LEV",
                ":SOUR:VOLT:PROT:LEV?",
                ":SOUR:VOLT:PROT:STAT",
                ":SOUR:VOLT:PROT:STAT?",
                ":SOUR:VOLT:PROT:TRIP?",
                ":STAT:QUES:COND?",
                ":STAT:QUES:INST:ISUM#:COND?",
            }
        ),
        practice=frozenset(
            {
                ":SYST:RSEN",
                ":SYST:RSEN?",
            }
        ),
        safe=frozenset({":INST:NSEL", ":OUTP:STAT"}),
    ),
    ScpiMeter: SentHeaders(
        standard=frozenset(
            {
                ":CONF:SCAL:CURR:DC",
                ":CONF:SCAL:TEMP",
                ":FETC?",
                ":INIT:IMM",
                ":SENS:CURR:DC:NPLC",
                ":SENS:CURR:DC:NPLC?",
                ":SENS:CURR:DC:RANG:UPP",
                ":SENS:CURR:DC:RANG:UPP?",
                ":UNIT:TEMP",
                ":UNIT:TEMP?",
            }
        ),
        practice=frozenset(
            {
                ":SENS:TEMP:NPLC",
                ":SENS:TEMP:NPLC?",
                ":SENS:TEMP:TRAN:FRTD:RES:REF",
                ":SENS:TEMP:TRAN:FRTD:RES:REF?",
                ":SENS:TEMP:TRAN:RTD:RES:REF",
                ":SENS:TEMP:TRAN:RTD:RES:REF?",
                ":SENS:TEMP:TRAN:TC:TYPE",
                ":SENS:TEMP:TRAN:TC:TYPE?",
                ":SENS:TEMP:TRAN:TYPE",
                ":SENS:TEMP:TRAN:TYPE?",
            }
        ),
    ),
    ScpiChamber: SentHeaders(
        standard=frozenset(
            {
                ":MEAS:SCAL:TEMP?",
                ":OUTP:STAT",
                ":OUTP:STAT?",
                ":STAT:QUES:COND?",
                ":UNIT:TEMP",
                ":UNIT:TEMP?",
            }
        ),
        practice=frozenset(
            {
                ":SOUR:TEMP:PROT:HIGH:LEV",
                ":SOUR:TEMP:PROT:HIGH:LEV?",
                ":SOUR:TEMP:PROT:LOW:LEV",
                ":SOUR:TEMP:PROT:LOW:LEV?",
                ":SOUR:TEMP:PROT:TRIP?",
                ":SOUR:TEMP:RAMP:RATE",
                ":SOUR:TEMP:RAMP:RATE?",
                ":SOUR:TEMP:SPO",
                ":SOUR:TEMP:SPO?",
            }
        ),
        safe=frozenset({":OUTP:STAT", ":SOUR:TEMP:SPO"}),
    ),
    ScpiSwitch: SentHeaders(
        standard=frozenset(
            {
                ":ROUT:CLOS",
                ":ROUT:CLOS?",
                ":ROUT:OPEN:ALL",
            }
        ),
    ),
    ScpiDigitalPort: SentHeaders(
        practice=frozenset(
            {
                ":SOUR:DIG:DATA#",
                ":SOUR:DIG:DATA#?",
            }
        ),
    ),
    ScpiPowerMeter: SentHeaders(
        standard=frozenset(
            {
                ":ABOR",
                ":CAL:ZERO:AUTO",
                ":FETC?",
                ":INIT:CONT",
                ":INIT:CONT?",
                ":INIT:IMM",
                ":SENS:AVER:COUN",
                ":SENS:AVER:COUN?",
                ":SENS:AVER:STAT",
                ":SENS:AVER:STAT?",
                ":SENS:FREQ:CW",
                ":SENS:FREQ:CW?",
                ":STAT:QUES:COND?",
                ":UNIT:POW",
                ":UNIT:POW?",
            }
        ),
    ),
    ScpiNoiseSource: SentHeaders(
        standard=frozenset({":OUTP:STAT", ":OUTP:STAT?"}),
        safe=frozenset({":OUTP:STAT"}),
    ),
}


def sent_by(driver: object) -> SentHeaders | None:
    """Headers that a driver's class sends, or the class of this project that it is derived from; None for any other."""
    for base in driver.__mro__ if isinstance(driver, type) else ():
        if base in SENT:
            return SENT[base]
    return None
