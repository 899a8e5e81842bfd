"""Corrections and assumptions as the page shows them: in sentences, and in two tables.

Rule: numbers come from ``Report.corrections`` and from the bench file; sentences say what was done, not what one hopes.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from reports.analyzer_limits import LEAST_ABOVE_NOISE_DB, LEAST_ABOVE_OWN_PRODUCT_DB, SCATTERS
from reports.levels import KNOT_HZ
from reports.mismatch import mismatch_limits_db, return_loss_db
from reports.wording import fixed_text, number_text
from sequences.units import quantity_text

if TYPE_CHECKING:
    from reports.corrections import LineUse, PathUse
    from reports.summary import Report

_LINES_TEXT = (
    f"A product less than {LEAST_ABOVE_NOISE_DB:g} dB above the noise, or, less {SCATTERS:g} times its own scatter, "
    f"less than {LEAST_ABOVE_OWN_PRODUCT_DB:g} dB above what the bench may put there itself, is no measurement but a "
    "bound: "
    "the unit's own product is at most what was read. A tone that near to the noise counts as not measured."
)


def corrections_section(report: Report) -> dict[str, Any]:
    """Texts of the section: notes, and the tables of lines and paths."""
    found = report.corrections
    return {
        "notes": list(_notes(report)),
        "lines": [_line(line) for line in found.lines],
        "lines_text": _LINES_TEXT,
        "paths": [_path(path) for path in found.paths],
    }


def _notes(report: Report) -> Iterator[tuple[str, str]]:
    analyzer, found = report.bench.instrument.analyzer, report.corrections
    if analyzer is not None and found.lines:
        yield (
            "Levels in the load",
            "What the analyzer read, less noise, plus the loss of the output path at each line's own frequency, by "
            "linear interpolation. Balun, pad and the change from a balanced load to the analyzer's line are part of "
            "that loss.",
        )
        yield (
            "Tones",
            "Each tone is measured; a setting never stands for it. The sources' settings count for the level at the "
            "input alone, less the loss of the input path, and so for the gain; measured levels of the sources do so "
            "instead where there are any.",
        )
        if found.sources:
            yield "Levels of the sources", _of_power_meter(report)
        yield (
            "Noise",
            f"Subtracted in power. The bench file states {number_text(analyzer.noise_dbm_per_hz)} dBm/Hz for the "
            "analyzer without attenuation; it is trusted to ±"
            f"{number_text(analyzer.accuracy.noise_db)} dB.",
        )
        yield (
            "The bench's own products",
            f"The analyzer's follow from its stated intercepts, {number_text(analyzer.intercept3_dbm)} dBm of third "
            f"and {number_text(analyzer.intercept2_dbm)} dBm of second order, and from the tones at its connector; "
            f"{_of_sources(report)} Where a run with a through in the unit's place is given, what that run showed "
            "counts instead. Their phase is not known: they are not subtracted, but count as uncertainty, 20·log10(1 ± "
            "10^(−d/20)) for a product d dB below the line.",
        )
    if any(path.vswr is not None for path in found.paths):
        yield (
            "Mismatch",
            "What the end of a path and the instrument reflect to and fro changes the loss by 20·log10(1 ± |Γ1·Γ2|) at "
            "most. Its phase is not known: it is not corrected, but counts as uncertainty, U-shaped, at knots "
            f"{number_text(KNOT_HZ / 1e6)} MHz apart. Between readings at one frequency through one path it cancels.",
        )
    if found.board_off_k is not None:
        yield (
            "Temperature",
            "Figures are stated at the temperature that was asked for. The board was off it by "
            f"{fixed_text(found.board_off_k, 2)} K at most and was corrected for, with each figure's own slope over "
            "temperature; what the thermometer may be wrong counts as uncertainty.",
        )


def _of_power_meter(report: Report) -> str:
    meter, used = report.bench.instrument.power_meter, report.corrections.sources
    read = "; ".join(
        f"{one.place} in {one.conditions:,} of {one.of:,} conditions, {fixed_text(one.off_db[0], 2)} to "
        f"{fixed_text(one.off_db[1], 2)} dB off its setting"
        for one in used
    )
    expanded = "" if meter is None else f" (U = {number_text(meter.coupling_uncertainty_db)} dB)"
    return (
        f"Measured by the power meter with one tone on: {read}. The level is its reading plus the coupler's loss from "
        f"the source{expanded}, and takes the setting's place; the source's own accuracy does not count then. What "
        "meter and coupler may be wrong is the same for both tones and all conditions: it cancels where levels are "
        "compared."
    )


def _of_sources(report: Report) -> str:
    source, combiner = report.bench.instrument.tone_1, report.bench.combiner
    harmonics = "the bench file states no harmonics of the sources"
    if source is not None and source.harmonics_dbc is not None:
        stated = source.harmonics_dbc
        harmonics = f"the sources' harmonics are {number_text(stated.hd2)} and {number_text(stated.hd3)} dBc at most"
    meeting = "and no combiner, so that these were not considered."
    if combiner is not None:
        meeting = f"and the combiner where they meet has an intercept of {number_text(combiner.intercept3_dbm)} dBm."
    return f"{harmonics}, {meeting}"


def _line(line: LineUse) -> dict[str, str]:
    return {
        "line": line.line.replace("_", " "),
        "conditions": f"{line.conditions:,}",
        "noise": f"{fixed_text(line.noise_db, 2)} dB" if line.noise_db >= 0.005 else "below 0.01 dB",
        "in_noise": f"{line.in_noise:,}",
        "own": "–" if line.own_distance_db is None else _distance(line.own_distance_db),
        "near_own": "–" if line.own_distance_db is None else f"{line.near_own:,}",
    }


def _distance(distance_db: float) -> str:
    side = "below" if distance_db >= 0 else "above"
    return f"{fixed_text(abs(distance_db), 1)} dB {side} the line"


def _path(path: PathUse) -> dict[str, str]:
    losses = [f"{fixed_text(loss, 2)} dB at {quantity_text(hz, 'Hz')}" for hz, loss in path.losses_db]
    return {
        "path": path.path,
        "channel": path.channel or "all",
        "load": "all" if path.load_ohm is None else quantity_text(path.load_ohm, "Ω"),
        "losses": ", ".join(losses),
        "expanded": f"{number_text(path.expanded_db)} dB",
        **_ends(path.vswr),
    }


def _ends(vswr: tuple[float, float] | None) -> dict[str, str]:
    """What the ends of a path reflect, and what that may make of the loss."""
    if vswr is None:
        return {"ends": "not declared", "mismatch": "–"}
    ends = [f"{number_text(ratio)} ({fixed_text(return_loss_db(ratio), 1)} dB)" for ratio in vswr]
    lowest, highest = mismatch_limits_db(*vswr)
    return {"ends": " to ".join(ends), "mismatch": f"+{fixed_text(highest, 3)}, {fixed_text(lowest, 3)} dB"}
