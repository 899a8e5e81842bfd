"""Sweeps → Touchstone texts: the S-parameters of the unit alone, one two-port for each sweep.

Touchstone 1.1 (IBIS Open Forum, 2002; from memory, not seen): comments with ``!``, one option line, then frequency,
S11, S21, S12 and S22 as real and imaginary part. It has one reference for both ports: here the part's input resistance,
which both ports are stated in whatever the load was.

Rule: numbers are written in full, so that reading a file gives the same floats.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from reports.curves import Curves, path_chains
from reports.errors import CannotDerive
from reports.frames import AXES
from reports.two_ports import ComplexArray, chain_of_s, s_of_chain, without

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from reports.frames import RunFrames

#: Axes that a sweep depends on; the tones' level and frequency are not among them.
SWEPT_AXES = ("channel", "gain_code", "temperature_c", "supply_mode", "load_ohm")

#: What a file name may hold on every system.
_UNSAFE = re.compile(r"[^A-Za-z0-9.+-]+")


def touchstone_files(frames: RunFrames, chosen: Mapping[str, tuple[object, ...]] | None = None) -> dict[str, str]:
    """Text of each file by its name.

    Args:
        frames: One run.
        chosen: Values by axis of ``SWEPT_AXES`` that are wanted; an axis that is left out is not restricted.

    Raises:
        CannotDerive: The run has no sweep, or its bench file no network analyzer.
        ShapeFault: The curves contradict themselves.
        NotServed, NotCovered: From the two-ports.
    """
    entry = frames.bench.instrument.network_analyzer
    if frames.curves.empty or entry is None:
        raise CannotDerive("S-parameters", "the run has no sweep of a network analyzer")
    curves = Curves.of(frames)
    conditions = frames.conditions.iloc[curves.rows]
    wanted = np.ones(len(conditions), dtype=np.bool_)
    for axis, values in (chosen or {}).items():
        wanted &= conditions[axis].isin(list(values)).to_numpy()
    found = {}
    for place in np.flatnonzero(wanted).tolist():
        axes = {axis: conditions[axis].iloc[place] for axis in AXES}
        channel, load_ohm = str(axes["channel"]), float(axes["load_ohm"])
        before, after = path_chains(frames, channel, load_ohm, curves.frequency_hz, entry.reference_ohm)
        unit = without(chain_of_s(curves.s[place], entry.reference_ohm), before, after)
        number, repeats = int(conditions.index[place]), int(curves.repeats[place])
        found[_name(frames, axes, number)] = _text(frames, curves, axes, number, repeats, unit)
    return found


def _name(frames: RunFrames, axes: Mapping[str, object], number: int) -> str:
    """Unit and condition in the name; the condition's number keeps names apart that differ only in unsafe signs."""
    words = (
        frames.facts.unit,
        axes["channel"],
        f"code{int(axes['gain_code']):02d}",  # type: ignore[call-overload]  # an axis of whole numbers
        f"{axes['temperature_c']:g}C",
        axes["supply_mode"],
        f"{axes['load_ohm']:g}ohm",
        f"condition{number}",
    )
    return file_name(words, "s2p")


def file_name(words: Iterable[object], ending: str) -> str:
    """A name that every system takes: the words joined, other signs than letters, digits, ``.+-`` replaced."""
    return "_".join(_UNSAFE.sub("-", str(word)) for word in words) + f".{ending}"


def _text(
    frames: RunFrames, curves: Curves, axes: Mapping[str, object], number: int, repeats: int, chain: ComplexArray
) -> str:
    reference_ohm = frames.part.part.input_resistance_ohm
    s = s_of_chain(chain, reference_ohm)
    columns = (s[:, 0, 0], s[:, 1, 0], s[:, 0, 1], s[:, 1, 1])
    numbers = np.stack([part for column in columns for part in (column.real, column.imag)], axis=1)
    condition = ", ".join(f"{axis} = {axes[axis]}" for axis in SWEPT_AXES)
    comments = (
        f"run {frames.facts.run}, tool version {frames.facts.tool_version}",
        f"part {frames.part.part.name}, unit {frames.facts.unit}",
        f"condition {number}: {condition}",
        f"S-parameters of the unit alone: port 1 input, port 2 output, both differential; mean of {repeats} sweeps",
        f"reference impedance {reference_ohm:g} ohm at both ports",
    )
    lines = [f"! {_ascii(comment)}" for comment in comments]
    lines.append(f"# HZ S RI R {reference_ohm:g}")
    for hertz, row in zip(curves.frequency_hz.tolist(), numbers.tolist(), strict=True):
        lines.append(" ".join(map(repr, (hertz, *row))))
    return "\n".join(lines) + "\n"


def _ascii(text: str) -> str:
    """The format knows ASCII only, and a line end in a name would end the comment."""
    return " ".join(text.encode("ascii", "replace").decode("ascii").split())
