"""From readings at the analyzer's connector to levels in the load, and from source settings to levels at the input.

Rule: every error of the bench enters here, once, under its cause; the characteristics above only add and subtract.

Instances, that is, which draws are shared:

    analyzer level, scale            one for the bench
    analyzer response                one for each knot, 10 MHz apart; a line between two knots takes from both
    analyzer attenuator              one for each setting
    output path, input path          one for each entry of the bench file
    their mismatch                   one for each knot of each entry, as for the response
    noise in the reading,
    scatter of repeated levels       one for each line of each condition
    analyzer distortion,
    source products,
    residual product                 one for each line and all tone levels: the cosine of its phase against the unit's
                                     product. That is not known and may be another wherever the unit's is: at another
                                     channel, code, temperature, mode, load or frequency. The tones' level turns neither
                                     as long as both are of the line's own order; but what a through shows is of sources
                                     and analyzer together, and their shares change with the attenuator
    analyzer noise level             one for the bench
    of the sources                   see ``source_levels``
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from reports.analyzer_limits import (
    LEAST_ABOVE_NOISE_DB,
    LEAST_ABOVE_OWN_PRODUCT_DB,
    SCATTERS,
    highest_line_dbm,
    noise_correction_db,
    noise_level_dbm,
    noise_sensitivity,
    phase_standard_db,
)
from reports.bench_products import BenchProduct, bench_products
from reports.decibels import db_of_voltage_ratio, voltage_ratio
from reports.errors import CannotDerive
from reports.mismatch import mismatch_standard_db
from reports.partners import Grid
from reports.repeats import scatter_of_repeats
from reports.source_levels import source_level
from reports.uncertainty import Cause, Naming, Uncertain, standard
from sequences.products import LOOKS, SINGLE, TONES, line_frequency_hz

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.wide_readings import WideReadings
    from sequences.bench_file import AnalyzerEntry
    from sequences.path_entries import PathLossEntry

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Distance of the knots of the analyzer's response and of a mismatch, Hz; what the bench file declares them for.
KNOT_HZ = 10e6

#: Numbers that are kept for the knots of one path, which reach to 10 THz.
KNOTS_PER_PATH = 1_000_000

#: Level at which the analyzer's scale has no error, dBm.
SCALE_ZERO_DBM = -20.0


def level_in_load(frames: RunFrames, wide: WideReadings, line: str) -> Uncertain:
    """Level of a line, or of a single tone, in the load, dBm, shape (conditions,); NaN where it was not measured.

    Reading less the expected noise, plus the output path's loss at the line's own frequency. A product within
    ``LEAST_ABOVE_NOISE_DB`` of the noise or, less its scatter, within ``LEAST_ABOVE_OWN_PRODUCT_DB`` of what the bench
    may make itself is bounded: at most the reading (uncorrected) plus the bench's own products in the worst phase. A
    tone that close to the noise counts as not measured.

    Raises:
        CannotDerive: The bench has no analyzer.
    """
    analyzer = frames.bench.instrument.analyzer
    if analyzer is None:
        raise CannotDerive(line, "the bench has no analyzer")
    reading, attenuation = wide.of(f"{line}_level_dbm"), wide.of(f"{line}_attenuation_db")
    noise = noise_level_dbm(analyzer.noise_dbm_per_hz, attenuation, wide.of(f"{line}_bandwidth_hz"))
    above_noise = reading - noise
    in_noise: Flags = above_noise < LEAST_ABOVE_NOISE_DB
    safe = np.where(in_noise, LEAST_ABOVE_NOISE_DB, above_noise)
    corrected = reading + np.where(in_noise, 0.0, noise_correction_db(safe))
    sensitivity = np.where(in_noise, 1.0, noise_sensitivity(safe))
    causes = reading_causes(frames, wide, line, analyzer)
    causes = {name: cause.scaled(sensitivity) for name, cause in causes.items()}
    density_db = standard(analyzer.accuracy.noise_db, "rectangular")
    causes["analyzer noise level"] = Cause.of(
        density_db * (1.0 - sensitivity),
        rows=wide.rows,
        standard=density_db,
        unit="dB",
        name_of=lambda _: "analyzer: declared noise density",
    )
    loss = path_loss(frames, "output", line, ~np.isnan(reading))
    if line in (*TONES, SINGLE):
        corrected = np.where(in_noise, np.nan, corrected)
        at_connector = Uncertain.of(corrected, causes)
    else:
        losses_db = path_loss(frames, "output", TONES[0], ~np.isnan(reading)).value, loss.value
        products = bench_products(frames, wide, line, losses_db, analyzer)
        at_connector = _with_bench_products(frames, wide, line, products, corrected, in_noise, causes)
    return at_connector + loss


def input_level(frames: RunFrames, wide: WideReadings, tone: str) -> Uncertain:
    """Level of one tone at the unit's input, dBm in the input resistance, shape (conditions,); NaN where not known."""
    source = source_level(frames, wide, tone)
    return source - path_loss(frames, "input", tone, ~np.isnan(source.value))


def reading_causes(frames: RunFrames, wide: WideReadings, line: str, analyzer: AnalyzerEntry) -> dict[str, Cause]:
    """What makes the reading itself wrong, dB, whether signal or noise was read."""
    accuracy, rows = analyzer.accuracy, wide.rows
    reading = wide.of(f"{line}_level_dbm")
    attenuator = np.round(np.nan_to_num(wide.of(f"{line}_attenuation_db")) * 1000).astype(np.int64)
    level_db = standard(accuracy.level_db, "rectangular")
    scale_db = standard(accuracy.scale_db_per_10db, "rectangular")
    attenuator_db = standard(accuracy.attenuator_db, "rectangular")
    scatter_db, dof = _scatter(wide, line)
    numbers, reading_name = _draws(frames, line)
    causes = {
        "analyzer level": Cause.of(
            level_db, rows=rows, standard=level_db, unit="dB", name_of=lambda _: "analyzer: absolute level"
        ),
        "analyzer scale": Cause.of(
            scale_db * (reading - SCALE_ZERO_DBM) / 10.0,
            rows=rows,
            standard=scale_db,
            unit="dB/10 dB",
            name_of=lambda _: f"analyzer: scale, 10 dB from {SCALE_ZERO_DBM:g} dBm",
        ),
        "analyzer response": _response(frames, line, standard(accuracy.flatness_db, "rectangular")),
        "analyzer attenuator": Cause.of(
            attenuator_db,
            attenuator,
            rows=rows,
            standard=attenuator_db,
            unit="dB",
            name_of=lambda setting: f"analyzer: attenuator at {setting / 1000:g} dB",
        ),
        "noise in the reading": Cause.of(
            scatter_db,
            numbers,
            rows=rows,
            kind="A",
            distribution="normal",
            dof=dof,
            standard=scatter_db,
            unit="dB",
            name_of=lambda number: f"noise in the reading of {reading_name(number)}",
        ),
    }
    repeats = scatter_of_repeats(
        wide,
        f"{line}_level_dbm",
        numbers,
        "dB",
        lambda number: f"scatter of the repeats of {reading_name(number)}",
        within=f"{line}_scatter_db",
    )
    return causes if repeats is None else causes | {"scatter of repeated levels": repeats}


def _draws(frames: RunFrames, line: str) -> tuple[NDArray[np.int64], Naming]:
    """Number of the draw of each reading of a line, and the words for it."""
    lines, conditions = list(LOOKS), frames.conditions.index

    def name(number: int) -> str:
        row, which = divmod(number, len(lines))
        return f"{lines[which]}, condition {conditions[row]}"

    return np.arange(len(conditions)) * len(lines) + lines.index(line), name


def _response(frames: RunFrames, line: str, knot_db: float) -> Cause:
    """Two draws per row, those of the knots on either side, weighted as linear interpolation between them does."""
    knots, weights = _knots(frames, line)
    return Cause(
        weights * knot_db,
        knots,
        standard=knot_db,
        unit="dB",
        name_of=lambda knot: f"analyzer: response at {knot * KNOT_HZ / 1e6:g} MHz",
    )


def _knots(frames: RunFrames, line: str) -> tuple[NDArray[np.int64], FloatArray]:
    """Numbers of the knots on either side of a line's frequency, and their weights; shape (conditions, 2) both."""
    position = frequencies_hz(frames, line) / KNOT_HZ
    below = np.floor(position)
    weight = position - below
    return np.stack([below, below + 1.0], axis=1).astype(np.int64), np.stack([1.0 - weight, weight], axis=1)


def _scatter(wide: WideReadings, line: str) -> tuple[FloatArray, FloatArray]:
    """Standard deviation of the mean level in dB from the samples of each reading, and its degrees of freedom.

    One less than the samples of each reading (JCGM 100:2008, G.3.3), times the repeats. Runs that were stored before
    the samples were counted have infinitely many.
    """
    repeats = wide.repeats.get(f"{line}_scatter_db", np.ones(wide.rows))
    within = wide.of(f"{line}_scatter_db") / np.sqrt(repeats)
    points = wide.of(f"{line}_points")
    return within, np.where(np.isfinite(points), np.maximum(points - 1.0, 1.0) * repeats, np.inf)


def _with_bench_products(
    frames: RunFrames,
    wide: WideReadings,
    line: str,
    products: tuple[BenchProduct, ...],
    corrected: FloatArray,
    in_noise: Flags,
    causes: dict[str, Cause],
) -> Uncertain:
    # All of them in phase is the worst that they can do together.
    own = db_of_voltage_ratio(np.sum([voltage_ratio(product.highest_dbm) for product in products], axis=0))
    lowest = corrected - SCATTERS * np.nan_to_num(wide.of(f"{line}_scatter_db"))
    bounded: Flags = in_noise | (lowest - own < LEAST_ABOVE_OWN_PRODUCT_DB)
    _, reading_name = _draws(frames, line)
    cosine = standard(1.0, "U-shaped")
    for product in products:
        above = corrected - product.level_dbm
        phase = np.where(bounded, 0.0, phase_standard_db(np.maximum(above, LEAST_ABOVE_OWN_PRODUCT_DB)))
        if np.any(phase > 0):
            causes[product.cause] = Cause.of(
                phase,
                _phase_draws(frames, wide, line, product),
                rows=wide.rows,
                distribution="U-shaped",
                standard=cosine,
                unit="1",
                name_of=_phase_name(product.words, reading_name),
            )
    value = np.where(bounded, highest_line_dbm(corrected, own), corrected)
    return Uncertain(value, causes, np.where(bounded, -1, 0).astype(np.int8))


def _phase_draws(frames: RunFrames, wide: WideReadings, line: str, product: BenchProduct) -> NDArray[np.int64]:
    """Number of the draw of a product's phase in each condition: that of the first reading that shares it."""
    group, _ = Grid.of(frames.conditions).groups("tone_level_dbm")
    if product.mixed:
        settings, setting = np.unique(np.nan_to_num(wide.of(f"{line}_attenuation_db")), return_inverse=True)
        group = group * len(settings) + setting
    _, first, which = np.unique(group, return_index=True, return_inverse=True)
    numbers, _ = _draws(frames, line)
    return numbers[first[which]]


def _phase_name(words: str, reading_name: Naming) -> Naming:
    return lambda number: f"{words}, cosine of its phase, in {reading_name(number)} and at other tone levels"


def path_loss(frames: RunFrames, side: Literal["input", "output"], line: str, rows: Flags) -> Uncertain:
    """Loss of the input or the output path at a line's own frequency, dB; looked up only for the rows that need it."""
    conditions = frames.conditions
    channels = conditions["channel"].to_numpy(dtype=object)[rows]
    loads = conditions["load_ohm"].to_numpy(dtype=np.float64)[rows]
    loss, uncertainty = np.full(len(rows), np.nan), np.zeros(len(rows))
    entry = np.zeros(len(rows), dtype=np.int64)
    loss[rows] = frames.path_losses.losses_db(side, channels, loads, frequencies_hz(frames, line)[rows])
    entry[rows] = frames.path_losses.entry_index(side, channels, loads)
    uncertainty[rows] = frames.path_losses.entry_uncertainties_db[entry[rows]]
    entries = frames.path_losses.entries
    cause = Cause.of(
        uncertainty,
        entry,
        rows=len(rows),
        distribution="normal, k = 2",
        standard=uncertainty,
        unit="dB",
        name_of=lambda number: f"{path_name(entries[number])}: loss",
    )
    return Uncertain.of(loss, {f"{side} path loss": cause} | _mismatch(frames, side, line, entry, rows))


def _mismatch(
    frames: RunFrames, side: Literal["input", "output"], line: str, entry: NDArray[np.int64], rows: Flags
) -> dict[str, Cause]:
    """What the ends of each row's path reflect; nothing if the bench file declares no reflecting end on that side."""
    entries = frames.path_losses.entries
    of_entry = np.array([0.0 if one.vswr is None else mismatch_standard_db(*one.vswr) for one in entries])
    if not any(known > 0 and one.path == side for one, known in zip(entries, of_entry.tolist(), strict=True)):
        return {}
    knots, weights = _knots(frames, line)
    standard_db = np.where(rows, of_entry[entry], 0.0)

    def name(number: int) -> str:
        which, knot = divmod(number, KNOTS_PER_PATH)
        return f"{path_name(entries[which])}: mismatch at {knot * KNOT_HZ / 1e6:g} MHz"

    cause = Cause(
        weights * standard_db[:, None],
        knots + entry[:, None] * KNOTS_PER_PATH,
        distribution="U-shaped",
        standard=standard_db[:, None],
        unit="dB",
        name_of=name,
    )
    return {f"{side} mismatch": cause}


def path_name(entry: PathLossEntry) -> str:
    """One path in words: ``output path, channel A, 200 Ω``."""
    channel = "" if entry.channel is None else f", channel {entry.channel}"
    load = "" if entry.load_ohm is None else f", {entry.load_ohm:g} Ω"
    return f"{entry.path} path{channel}{load}"


def frequencies_hz(frames: RunFrames, line: str) -> FloatArray:
    """Frequency of a line in each condition, Hz, shape (conditions,)."""
    centre = frames.conditions["frequency_hz"].to_numpy(dtype=np.float64)
    # The line's frequency is linear in the centre: n·f1 + m·f2 = (n + m)·centre + the same for a centre of 0.
    return sum(LOOKS[line]) * centre + line_frequency_hz(line, 0.0, frames.sequence.tones.spacing_hz)
