"""Minimum-loss pads between uneven resistances: published resistors through our two-port algebra (PD rows)."""

from __future__ import annotations

import numpy as np
import pytest

from reports.decibels import db_of_power_ratio, db_of_voltage_ratio
from reports.gain import voltage_gain as voltage_gain_db
from reports.two_ports import s_of_chain, voltage_gain
from reports.uncertainty import Uncertain

#: From, to, series and shunt resistor in Ω; loss and tolerance in dB, wider for resistors printed to three digits.
PADS = [
    pytest.param(75.0, 50.0, 43.301, 86.603, 5.7195, 1e-3, id="PD-01"),
    pytest.param(100.0, 50.0, 70.711, 70.711, 7.6555, 1e-3, id="PD-02"),
    pytest.param(600.0, 400.0, 346.41, 692.82, 5.7195, 1e-3, id="PD-03a"),
    pytest.param(600.0, 500.0, 244.95, 1224.7, 3.7654, 1e-3, id="PD-03b"),
    pytest.param(600.0, 400.0, 346.0, 692.82, 5.7195, 1e-2, id="PD-03a as printed"),
    pytest.param(600.0, 500.0, 245.0, 1225.0, 3.7654, 1e-2, id="PD-03b as printed"),
]


def _pad(series_ohm: float, shunt_ohm: float) -> np.ndarray[tuple[int, ...], np.dtype[np.complex128]]:
    """Chain matrix of a series resistor and a shunt one behind it."""
    series = np.array([[1.0, series_ohm], [0.0, 1.0]], dtype=np.complex128)
    shunt = np.array([[1.0, 0.0], [1.0 / shunt_ohm, 1.0]], dtype=np.complex128)
    return series @ shunt


@pytest.mark.parametrize(("from_ohm", "to_ohm", "series_ohm", "shunt_ohm", "loss_db", "tolerance_db"), PADS)
def test_a_minimum_loss_pad_loses_what_is_published(
    from_ohm: float, to_ohm: float, series_ohm: float, shunt_ohm: float, loss_db: float, tolerance_db: float
) -> None:
    """PD-01: manual of a microwave program prints 5.719 dB. PD-02: L-pad formulas, computed.

    PD-03: an L-pad table for 600 Ω prints 5.7 dB with 346 and 694 Ω, 3.8 dB with 245 and 1225 Ω; further digits
    computed. The 694 is a slip of rounding, so 692.82 Ω stands here.
    """
    across = voltage_gain(_pad(series_ohm, shunt_ohm), from_ohm, to_ohm)
    lost_db = -float(db_of_voltage_ratio(abs(float(across.real)))) + float(db_of_power_ratio(to_ohm / from_ohm))

    assert float(across.imag) == 0.0
    assert lost_db == pytest.approx(loss_db, abs=tolerance_db)


@pytest.mark.parametrize(
    ("from_ohm", "to_ohm", "series_ohm", "shunt_ohm", "loss_db", "ratio_db"),
    [(75.0, 50.0, 43.301, 86.603, 5.7195, -7.4804), (100.0, 50.0, 70.711, 70.711, 7.6555, -10.6658)],
    ids=["PD-01", "PD-02"],
)
def test_the_ratio_of_voltages_across_a_pad_is_not_its_loss(
    from_ohm: float, to_ohm: float, series_ohm: float, shunt_ohm: float, loss_db: float, ratio_db: float
) -> None:
    """−7.4804 and −10.6658 dB, more than the loss by 10·log10 of the resistances' ratio; computed.

    By the two-port and, from levels as a bench reads them, by the voltage gain of a part with these resistances.
    """
    levels = [Uncertain.of(np.array([level_dbm])) for level_dbm in (-10.0 - loss_db, -10.0)]
    from_levels = voltage_gain_db((levels[0], levels[0]), (levels[1], levels[1]), np.array([to_ohm]), from_ohm)
    across = voltage_gain(_pad(series_ohm, shunt_ohm), from_ohm, to_ohm)

    assert float(db_of_voltage_ratio(abs(complex(across)))) == pytest.approx(ratio_db, abs=1e-3)
    assert from_levels.value[0] == pytest.approx(ratio_db, abs=1e-3)


def test_a_pad_measured_between_50_ohm_ports_shows_another_loss() -> None:
    """Why a Touchstone file of a path must be between matched ends: 100 → 50 Ω loses 7.66 dB there and 8.17 dB in 50 Ω.

    Own arithmetic: S21 = 2/(A + B/50 + C·50 + D) with A = 2, B = 70.711 Ω, C = 1/(70.711 Ω), D = 1, so the loss is
    20·log10(5.12133/2) = 8.1670 dB.
    """
    in_50_ohm = s_of_chain(_pad(70.711, 70.711), 50.0)[1, 0]

    assert -float(db_of_voltage_ratio(abs(complex(in_50_ohm)))) == pytest.approx(8.1670, abs=1e-3)
