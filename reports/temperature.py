"""From the temperature at which the unit was to the temperature for which a figure is stated.

A known deviation is corrected and what is not known of it counted (JCGM 100:2008, 3.2.4): the board thermometer tells
how far the unit was off, and the run itself what that does, from the conditions at the neighbouring temperatures. A
group with one temperature has no slope; nothing is corrected there and nothing counted.

Draws that are shared: the thermometer's error is one for the bench, so of a change with temperature it leaves only what
the slopes at both ends differ by; what a slope may be wrong by, and without a thermometer how far the unit was off, one
for each soak, so that they all but cancel between codes and channels; what a line through two temperatures misses, one
for both, with opposite sign.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.uncertainty import Cause, Uncertain, standard

if TYPE_CHECKING:
    from reports.partners import Grid, Rows
    from reports.wide_readings import WideReadings
    from sequences.bench_file import Instruments
    from sequences.sequence_file import Soak

FloatArray = NDArray[np.float64]


#: Half-width of what the slope at one temperature may be off by, as part of it. Ours: a parabola through temperatures
#: 20 to 60 K apart follows what semiconductors do better than that.
SLOPE_WITHIN = 0.25

#: The same where a group has only two temperatures, for each kelvin between them: the line has one slope for both,
#: while a bent quantity has more at one end and as much less at the other, the more the further they are apart. Ours:
#: that of a supply current is often half as large again at one end of -40 … 85 °C and half of it at the other, which
#: must not be at the edge of what is allowed for.
LINE_WITHIN_PER_K = 0.75 / 125.0


def at_temperature(
    quantity: Uncertain, wide: WideReadings, instruments: Instruments, grid: Grid, soak: Soak
) -> Uncertain:
    """``quantity`` (all conditions) as it is at each condition's temperature; bounded values stay as they are.

    With a board thermometer each value is corrected by slope · (condition's − measured temperature). Without one it
    stays, and the chamber's accuracy with the soak rule's tolerance for the air, and how the air moved, are counted.
    """
    measured = quantity.bound == 0
    slope = np.where(measured, slope_per_k(np.where(measured, quantity.value, np.nan), grid), 0.0)
    if not slope.any():
        return quantity
    temperature_c = grid.axis("temperature_c")
    visit = soaks(temperature_c)
    thermometer = instruments.board_thermometer
    value, causes = quantity.value, dict(quantity.causes)
    if thermometer is not None and "board_temperature_c" in wide.mean:
        off_k = wide.of("board_temperature_c") - temperature_c
        # A condition without this one reading was still measured after a soak that kept to its rule.
        missing = np.isnan(off_k)
        correction = -slope * np.where(missing, 0.0, off_k)
        value = value + correction
        causes["board thermometer"] = _shared(
            slope, thermometer.accuracy.temperature_k, "K", "board thermometer: accuracy"
        )
        bend_k = _bend_k(measured, grid)
        words = "correction to the stated temperature, part of it"
        causes["slope over temperature"] = _shared(
            np.where(bend_k == 0, correction, 0.0), SLOPE_WITHIN, "1", words, visit
        )
        if bend_k.any():
            causes |= _of_bend(slope * bend_k, correction * bend_k, thermometer.accuracy.temperature_k)
        if missing.any():
            tolerance_k = np.where(missing, soak.board_within_k, 0.0)
            causes["unit off its temperature"] = _rectangular(slope, tolerance_k, visit, "unit off its temperature")
    elif instruments.chamber is not None:
        tolerance_k = np.full(wide.rows, soak.air_within_k + instruments.chamber.accuracy.temperature_k)
        causes["unit off its temperature"] = _rectangular(
            slope, tolerance_k, visit, "chamber: accuracy and tolerance of the soak"
        )
        air_c = wide.of("air_temperature_c")
        own_k = _half_span(air_c, visit) if np.isfinite(air_c).all() else np.full(wide.rows, soak.air_within_k)
        causes["temperature during a soak"] = _rectangular(
            slope, own_k, np.arange(wide.rows), "air between the conditions of a soak"
        )
    return Uncertain(value, causes, quantity.bound)


def _bend_k(measured: NDArray[np.bool_], grid: Grid) -> FloatArray:
    """Kelvin from the other temperature of a condition's group if it has two, signed; 0 if it has another number."""
    group, groups = grid.groups("temperature_c")
    there = np.where(measured, grid.axis("temperature_c"), 0.0)
    count, total = (np.bincount(group, weights=one, minlength=groups)[group] for one in (measured, there))
    return np.where(measured & (count == 2), 2.0 * there - total, 0.0)


def _of_bend(slope_times_k: FloatArray, correction_times_k: FloatArray, thermometer_k: float) -> dict[str, Cause]:
    """What a line through two temperatures misses of a bent quantity: one draw, which leans to either end.

    The thermometer's error cancels in a change along a line, but not along what is bent. That is a product of two
    errors, so of the second order (JCGM 100:2008, 5.1.2, note), and all there is of a board on its temperature.
    """
    bend = standard(LINE_WITHIN_PER_K, "rectangular")
    name = "slope between two temperatures: bend"
    return {
        "bend over temperature": _shared(correction_times_k, LINE_WITHIN_PER_K, "1/K", name),
        "board thermometer and bend": _shared(
            slope_times_k * bend, thermometer_k, "K", "board thermometer: accuracy, where the slope is not what it was"
        ),
    }


def _shared(
    sensitivity: FloatArray, half_width: float, unit: str, name: str, instance: NDArray[np.int64] | int = 0
) -> Cause:
    known = standard(half_width, "rectangular")
    return Cause.of(
        sensitivity * known, instance, rows=len(sensitivity), standard=known, unit=unit, name_of=lambda _: name
    )


def _half_span(value: FloatArray, visit: NDArray[np.int64]) -> FloatArray:
    """Half of the span of the values of each soak, for each of its conditions."""
    starts = np.flatnonzero(np.diff(visit, prepend=-1))
    span: FloatArray = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    return span[visit] / 2


def _rectangular(slope: FloatArray, half_width_k: FloatArray, number: NDArray[np.int64], name: str) -> Cause:
    known_k = half_width_k / np.sqrt(3.0)
    return Cause.of(slope * known_k, number, rows=len(slope), standard=known_k, unit="K", name_of=lambda _: name)


def soaks(temperature_c: FloatArray) -> NDArray[np.int64]:
    """Number of the soak of each condition: conditions that follow each other at one temperature share theirs."""
    return np.cumsum(np.diff(temperature_c, prepend=temperature_c[:1]) != 0)


def slope_per_k(value: FloatArray, grid: Grid) -> FloatArray:
    """Change per kelvin at each condition, from those of its group at the neighbouring temperatures; 0 with one.

    The slope there of the parabola through the condition and its neighbours, at an end through the three outermost: a
    straight line from the coldest to the hottest would give the same slope everywhere, and so let an error of the
    thermometer cancel in a change with temperature by more than it does. With two temperatures it is that line.
    """
    temperature = grid.axis("temperature_c")
    group, _ = grid.groups("temperature_c")
    there = np.flatnonzero(~np.isnan(value))
    order = there[np.lexsort((temperature[there], group[there]))]
    slope = np.zeros(len(value))
    if len(order) < 2:
        return slope
    at, level, same = temperature[order], value[order], group[order]
    follows = same[1:] == same[:-1]
    step = np.where(follows, at[1:] - at[:-1], 1.0)
    # Entry n is the secant between n and n + 1, and says nothing where the group changes between them.
    secant = np.where(follows, (level[1:] - level[:-1]) / step, 0.0)
    before, after = np.append(False, follows), np.append(follows, False)
    found = np.where(after, np.append(secant, 0.0), np.append(0.0, secant))
    inside = np.flatnonzero(before & after)
    bend = (secant[inside] - secant[inside - 1]) / (at[inside + 1] - at[inside - 1])
    found[inside] = secant[inside - 1] + bend * step[inside - 1]
    first, last = inside[~before[inside - 1]], inside[~after[inside + 1]]
    found[first - 1] = secant[first - 1] - bend[~before[inside - 1]] * step[first - 1]
    found[last + 1] = secant[last] + bend[~after[inside + 1]] * step[last]
    slope[order] = found
    return slope


def ends(value: FloatArray, group: NDArray[np.int64], groups: int, there: Rows) -> tuple[Rows, Rows]:
    """Row of the highest and of the lowest value of each group, among the rows ``there``; −1 if it has none."""
    order = there[np.lexsort((value[there], group[there]))]
    last = np.full(groups, -1, dtype=np.intp)
    first = last.copy()
    last[group[order]] = order
    first[group[order[::-1]]] = order[::-1]
    return last, first
