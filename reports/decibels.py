"""Decibels, dBm, watts and volts in a load; single numbers and arrays alike.

Rule: the logarithm of something that is not above zero is an error here, never a plausible number.

P = V²/R throughout, V the RMS voltage across the load. Voltages of a tone: peak = √2·RMS, peak-to-peak = 2·peak.
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from reports.errors import NotPositive

FloatArray = NDArray[np.float64]

#: One number or an array of any shape; results have the argument's shape.
Number = TypeVar("Number", float, FloatArray)

#: dBm of one watt.
DBM_OF_WATT = 30.0


def _log10(value: Number, quantity: str) -> Number:
    if isinstance(value, np.ndarray):
        # Written so that NaN, a reading that is not there, passes through: it is missing, not wrong.
        if np.any(value <= 0):
            raise NotPositive(quantity, float(np.nanmin(value)))
        logarithm: FloatArray = np.log10(value)
        return logarithm
    if not value > 0:
        raise NotPositive(quantity, value)
    return math.log10(value)


def _ten_to(exponent: Number) -> Number:
    if isinstance(exponent, np.ndarray):
        power: FloatArray = np.power(10.0, exponent)
        return power
    return math.pow(10.0, exponent)


def _root(value: Number) -> Number:
    if isinstance(value, np.ndarray):
        root: FloatArray = np.sqrt(value)
        return root
    return math.sqrt(value)


def _refuse_load(load_ohm: float | FloatArray) -> None:
    if not np.all(np.asarray(load_ohm) > 0):
        raise NotPositive("load resistance in Ω", float(np.min(load_ohm)))


def db_of_power_ratio(ratio: Number) -> Number:
    """10·log10 of a ratio of powers, dB. Raises NotPositive."""
    return 10.0 * _log10(ratio, "ratio of powers")


def power_ratio(level_db: Number) -> Number:
    """Ratio of powers of a difference in dB."""
    return _ten_to(level_db / 10.0)


def db_of_voltage_ratio(ratio: Number) -> Number:
    """20·log10 of a ratio of voltages across equal resistances, dB. Raises NotPositive."""
    return 20.0 * _log10(ratio, "ratio of voltages")


def voltage_ratio(level_db: Number) -> Number:
    """Ratio of voltages across equal resistances of a difference in dB."""
    return _ten_to(level_db / 20.0)


def dbm_of_watts(power_w: Number) -> Number:
    """Level in dBm of a power in W. Raises NotPositive."""
    return 10.0 * _log10(power_w, "power in W") + DBM_OF_WATT


def watts_of_dbm(level_dbm: Number) -> Number:
    """Power in W of a level in dBm."""
    return _ten_to((level_dbm - DBM_OF_WATT) / 10.0)


def volts_rms_of_dbm(level_dbm: Number, load_ohm: Number) -> Number:
    """RMS voltage in V across ``load_ohm`` of a level in dBm. Raises NotPositive for a load that is not above 0."""
    _refuse_load(load_ohm)
    return _root(watts_of_dbm(level_dbm) * load_ohm)


def dbm_of_volts_rms(voltage_v: Number, load_ohm: Number) -> Number:
    """Level in dBm of an RMS voltage in V across ``load_ohm``. Raises NotPositive."""
    _refuse_load(load_ohm)
    return 20.0 * _log10(voltage_v, "voltage in V") - 10.0 * _log10(load_ohm, "load resistance in Ω") + DBM_OF_WATT


def volts_peak_of_dbm(level_dbm: Number, load_ohm: Number) -> Number:
    """Peak voltage in V of one tone across ``load_ohm``. Raises NotPositive."""
    return volts_rms_of_dbm(level_dbm, load_ohm) * math.sqrt(2.0)


def dbm_of_volts_peak(voltage_v: Number, load_ohm: Number) -> Number:
    """Level in dBm of one tone with a peak voltage in V across ``load_ohm``. Raises NotPositive."""
    return dbm_of_volts_rms(voltage_v / math.sqrt(2.0), load_ohm)


def volts_peak_to_peak_of_dbm(level_dbm: Number, load_ohm: Number) -> Number:
    """Peak-to-peak voltage in V of one tone across ``load_ohm``. Raises NotPositive."""
    return volts_peak_of_dbm(level_dbm, load_ohm) * 2.0


def dbm_of_volts_peak_to_peak(voltage_v: Number, load_ohm: Number) -> Number:
    """Level in dBm of one tone with a peak-to-peak voltage in V across ``load_ohm``. Raises NotPositive."""
    return dbm_of_volts_peak(voltage_v / 2.0, load_ohm)
