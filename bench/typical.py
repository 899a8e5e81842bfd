"""What a typical unit is expected to show, taken from the ``typical`` figures of its datasheet limits.

Used for a first guess before anything has been measured, and by the simulated bench to make units of that part. The
acquisition corrects a wrong guess at the first condition, so a part file without typical figures costs time, not truth.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bench.acquisition import intercept_dbm
from sequences.part_file import Limit, Part
from sequences.products import LINES, TONES

#: Guesses for a part whose file is silent: weak enough that the first sweep is rather too slow than too noisy.
FALLBACK_OIP3_DBM = 40.0
FALLBACK_HD2_DBC = -75.0

#: Level per tone for which a harmonic in dBc is meant when its limit does not say.
FALLBACK_TONE_DBM = 0.0

#: Third harmonic of one tone against the third-order product of two equal ones: 20·log10(3), closed form of a cubic.
HD3_BELOW_IM3_DB = 9.5424

#: Second harmonic against the second-order product: 20·log10(2), closed form of a square.
HD2_BELOW_IM2_DB = 6.0206


@dataclass(frozen=True, slots=True)
class Typical:
    """Typical figures of one supply mode; ``hd2_dbc`` at ``hd2_tone_dbm`` per tone."""

    oip3_dbm: float
    hd2_dbc: float
    hd2_tone_dbm: float


def typical(part: Part, supply_mode: str) -> Typical:
    """Typical figures of ``part`` in a supply mode; those of any mode where the file does not tell them apart."""
    oip3 = next(_limits(part, "oip3", supply_mode), None)
    hd2 = next(_limits(part, "hd2", supply_mode), None)
    return Typical(
        oip3_dbm=FALLBACK_OIP3_DBM if oip3 is None or oip3.typical is None else oip3.typical,
        hd2_dbc=FALLBACK_HD2_DBC if hd2 is None or hd2.typical is None else hd2.typical,
        hd2_tone_dbm=FALLBACK_TONE_DBM if hd2 is None else _tone_dbm(hd2),
    )


def typical_intercepts_dbm(part: Part, supply_mode: str) -> dict[str, float]:
    """Output intercept of every product line in a supply mode, dBm in the load."""
    figures = typical(part, supply_mode)
    second = intercept_dbm("hd2", figures.hd2_tone_dbm, figures.hd2_tone_dbm + figures.hd2_dbc)
    by_kind = {
        "im3_lower": figures.oip3_dbm,
        "im3_upper": figures.oip3_dbm,
        "im2_sum": second - HD2_BELOW_IM2_DB,
        "hd2": second,
        "hd3": figures.oip3_dbm + HD3_BELOW_IM3_DB / 2,
    }
    return {line: by_kind[line] for line in LINES if line not in TONES}


def _limits(part: Part, characteristic: str, supply_mode: str) -> Iterator[Limit]:
    """Limits with a typical figure: first those that hold for this mode alone, then those that hold for every mode."""
    stated = [item for item in part.limit if item.characteristic == characteristic and item.typical is not None]
    yield from (item for item in stated if _names(item, supply_mode))
    yield from (item for item in stated if "supply_mode" not in item.where)
    yield from stated


def _names(limit: Limit, supply_mode: str) -> bool:
    matcher = limit.where.get("supply_mode")
    return matcher is not None and matcher.matches(supply_mode)


def _tone_dbm(limit: Limit) -> float:
    matcher = limit.where.get("tone_level_dbm")
    values = matcher.values if matcher is not None else None
    return float(values[0]) if values and not isinstance(values[0], str) else FALLBACK_TONE_DBM
