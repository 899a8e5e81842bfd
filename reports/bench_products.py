"""What the bench itself puts on a weak line: products of the analyzer, of the sources, and of both through a combiner.

Rule: nothing here is subtracted. A product of the bench meets the unit's with a phase that nobody knows, so it can only
say how well the unit's is known, and whether it is known at all.

Levels are at the analyzer's connector, in dBm, one per condition; NaN where a reading is missing. Each is told twice:
as it is expected to be, which says how well the unit's product is known, and as it may be at most, which says whether
it is known at all. Declared figures are what a maker warrants, and a reading of a run with a through still holds noise.

Where they come from:

    a run with a through    what stood on the line there, moved to the tones' levels here: in proportion to the order of
                            the product, but a harmonic of a source falls no faster than its tone. Sources work harder
                            into a through than into a unit with gain, so it shows rather more of them than less
    the bench file          the analyzer's intercepts; each source's harmonics; the combiner's intercept. A product of
                            the sources reaches the unit's output with the gain that the tone has
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.analyzer_limits import SCATTERS, own_product_dbm
from reports.causes import DIVISORS, standard
from reports.wide_readings import wide_readings
from sequences.products import HARMONICS, LINES

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.wide_readings import WideReadings
    from sequences.bench_file import AnalyzerEntry

FloatArray = NDArray[np.float64]
Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class BenchProduct:
    """One origin of products on a line.

    Attributes:
        cause: Name of the cause that its unknown phase is.
        words: For the budget.
        level_dbm: Shape (conditions,); −inf where this origin adds nothing.
        highest_dbm: What it may be at most.
        mixed: Of several origins, whose shares depend on the analyzer's attenuation, and so does its phase.
    """

    cause: str
    words: str
    level_dbm: FloatArray
    highest_dbm: FloatArray
    mixed: bool = False


def bench_products(
    frames: RunFrames, wide: WideReadings, line: str, losses_db: tuple[FloatArray, FloatArray], analyzer: AnalyzerEntry
) -> tuple[BenchProduct, ...]:
    """Every origin of products on a line of ``LINES`` that is no tone.

    Args:
        frames, wide: The run.
        line: The line.
        losses_db: Of the output path at the lower tone's frequency and at the line's, shape (conditions,).
        analyzer: Its declared figures.
    """
    order = sum(abs(factor) for factor in LINES[line])
    lower, upper = wide.of("tone_lower_level_dbm"), wide.of("tone_upper_level_dbm")
    intercept = analyzer.intercept2_dbm if order == 2 else analyzer.intercept3_dbm
    declared = own_product_dbm(line, lower, upper, wide.of(f"{line}_attenuation_db"), intercept)
    # From the tone's level at the connector back to the load, and from there to the line's at the connector.
    behind_db = losses_db[0] - losses_db[1]
    sources = _declared_of_sources(frames, wide, line) + lower + behind_db
    shown, scatter_db = _shown_by_through(frames, wide, line)
    is_shown = ~np.isnan(shown + scatter_db)

    def product(
        cause: str, words: str, level_dbm: FloatArray, doubt_db: FloatArray | float, *, mixed: bool = False
    ) -> BenchProduct:
        level = np.where(is_shown == mixed, level_dbm, -np.inf)
        highest = np.where(np.isneginf(level), level, level + doubt_db)
        return BenchProduct(cause, words, level, highest, mixed)

    return (
        product("analyzer distortion", "analyzer: own product", declared, _misjudged_db(wide, line, analyzer)),
        product("source products", "sources: product", sources, _misset_db(frames, line)),
        product("residual product", "bench: product with a through", shown, SCATTERS * scatter_db, mixed=True),
    )


def _misjudged_db(wide: WideReadings, line: str, analyzer: AnalyzerEntry) -> FloatArray:
    """How far the analyzer's own product may be above what the readings of the tones make of it, against the line; dB.

    A level error that tones and line share is in a product of order k as often as k tones make it, and once in the
    line. It decides which readings are believed, so what is left out here would gather in those just believed.
    """
    order = sum(abs(factor) for factor in LINES[line])
    accuracy = analyzer.accuracy
    level_db = float(np.hypot(np.hypot(accuracy.level_db, accuracy.flatness_db), accuracy.attenuator_db))
    scale_db = accuracy.scale_db_per_10db * (wide.of("tone_lower_level_dbm") - wide.of(f"{line}_level_dbm")) / 10.0
    half_width_db: FloatArray = np.hypot((order - 1) * level_db, scale_db)
    return SCATTERS * half_width_db / DIVISORS["rectangular"]


def _declared_of_sources(frames: RunFrames, wide: WideReadings, line: str) -> FloatArray:
    """Product of the sources against the lower tone, dB; −inf where the bench file declares none."""
    nothing = np.full(wide.rows, -np.inf)
    source, combiner = frames.bench.instrument.tone_1, frames.bench.combiner
    if line in HARMONICS:
        if source is None or source.harmonics_dbc is None:
            return nothing
        return np.full(wide.rows, getattr(source.harmonics_dbc, line))
    settings = wide.of("source_1_level_dbm"), wide.of("source_2_level_dbm")
    n, m = (abs(factor) for factor in LINES[line])
    if combiner is None or n + m != 3 or np.isnan(settings[0] + settings[1]).all():
        return nothing
    return n * settings[0] + m * settings[1] - 2.0 * combiner.intercept3_dbm - settings[0]


def _misset_db(frames: RunFrames, line: str) -> float:
    """How far a product that the sources make together may be above what their settings say; dB."""
    source = frames.bench.instrument.tone_1
    if line in HARMONICS or source is None:
        return 0.0
    return 2.0 * SCATTERS * standard(source.accuracy.level_db, "rectangular")


def _shown_by_through(frames: RunFrames, wide: WideReadings, line: str) -> tuple[FloatArray, FloatArray]:
    """Level that the line had with a through at the nearest tone level, moved to the tones' level; NaN where not shown.

    And the scatter of the reading in dB, 0 where nothing is shown. Only readings at the same channel, load, frequency
    and attenuation count.
    """
    shown, scatter_db = np.full(wide.rows, np.nan), np.zeros(wide.rows)
    through = frames.residual
    if through is None:
        return shown, scatter_db
    there = wide_readings(through.conditions.index, through.readings)
    rows, partners = _nearest(frames, wide, through, there, line)
    n, m = LINES[line]
    tones = [(wide.of(name), there.of(name)) for name in ("tone_lower_level_dbm", "tone_upper_level_dbm")]
    rise_db = [here[rows] - then[partners] for here, then in tones]
    moved = abs(n) * rise_db[0] + abs(m) * rise_db[1]
    if line in HARMONICS:
        moved = np.maximum(moved, rise_db[0])
    else:
        # A unit that attenuates makes the sources work harder than the through did.
        codes = frames.conditions["gain_code"].to_numpy()[rows]
        gain_db = np.array([frames.part.gain_codes.gain_of[int(code)] for code in codes])
        moved = moved + (abs(n) + abs(m) - 1) * np.maximum(-gain_db, 0.0)
    shown[rows] = there.of(f"{line}_level_dbm")[partners] + moved
    scatter_db[rows] = there.of(f"{line}_scatter_db")[partners]
    return shown, scatter_db


def _nearest(
    frames: RunFrames, wide: WideReadings, through: RunFrames, there: WideReadings, line: str
) -> tuple[Rows, Rows]:
    """Conditions that the through has a partner for, and those partners: equal but for the tone level, the nearest."""
    keys = [_keys(one, readings, line) for one, readings in ((frames, wide), (through, there))]
    tone = there.of("tone_lower_level_dbm")
    by_key: dict[tuple[object, ...], list[int]] = {}
    for row in np.flatnonzero(~np.isnan(there.of(f"{line}_level_dbm") + tone)).tolist():
        by_key.setdefault(keys[1][row], []).append(row)
    here = wide.of("tone_lower_level_dbm")
    rows, partners = [], []
    for row in np.flatnonzero(~np.isnan(here)).tolist():
        candidates = by_key.get(keys[0][row])
        if candidates is not None:
            rows.append(row)
            partners.append(candidates[int(np.argmin(np.abs(tone[candidates] - here[row])))])
    return np.array(rows, dtype=np.intp), np.array(partners, dtype=np.intp)


def _keys(frames: RunFrames, wide: WideReadings, line: str) -> list[tuple[object, ...]]:
    conditions = frames.conditions
    columns = (conditions["channel"], conditions["load_ohm"], conditions["frequency_hz"])
    return list(zip(*columns, wide.of(f"{line}_attenuation_db").tolist(), strict=True))


def statements(frames: RunFrames) -> tuple[str, ...]:
    """What a reader must know of the bench's own products: where the figures come from, and what is not considered."""
    if frames.residual is not None:
        run = frames.residual.facts.run[:8]
        return (
            f"What the bench itself adds to weak lines is what run {run} showed with a through in the unit's place.",
        )
    source, measure = frames.bench.instrument.tone_1, frames.sequence.measure
    found = []
    if measure.harmonics and source is not None and source.harmonics_dbc is None:
        found.append("The bench file declares no harmonics of tone_1: what they add to HD2 and HD3 is not considered.")
    if measure.two_tone and frames.bench.combiner is None:
        found.append("The bench file declares no combiner: third-order products of the sources are not considered.")
    return tuple(found)
