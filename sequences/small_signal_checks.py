"""Rules across the files for a sweep of the network analyzer: what it needs, reaches and must not break.

The sweep is judged at its worst: all of the source's power reaches the unit's input, and the unit answers with its
highest nominal gain.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from sequences.bench_file import Bench, NetworkAnalyzerEntry
from sequences.conditions import axis_values
from sequences.de_embedding import DeEmbedding
from sequences.errors import FileFault
from sequences.part_file import Part
from sequences.path_losses import Path
from sequences.products import output_level_dbm
from sequences.rating_checks import FileNames
from sequences.sequence_file import Measure, Sequence, SmallSignal
from sequences.units import plain_number, quantity_text

#: Least distance in dB of the output from saturation. Ours: 20 dB below it a soft limiter bends gain by less than
#: 0.01 dB, and the unit's gain may be a decibel above its nominal one.
SMALL_SIGNAL_MARGIN_DB = 20.0

_TABLE = "[measure]"


def uses_tones(measure: Measure) -> bool:
    """Whether anything but the supply and the sweep is measured, so that sources and analyzer must be connected."""
    return measure.two_tone or measure.harmonics or measure.compression or measure.noise


def small_signal_faults(
    sequence: Sequence, part: Part, bench: Bench, fixtures: DeEmbedding, names: FileNames
) -> tuple[FileFault, ...]:
    """Every fault of ``small_signal`` between the files; empty when they fit, or when none is asked for."""
    sweep, entry = sequence.measure.small_signal, bench.instrument.network_analyzer
    if sweep is None:
        return ()
    if entry is None:
        problem = f"this needs [instrument.network_analyzer] in {names.bench}"
        return (FileFault("no instrument", names.sequence, _TABLE, "small_signal", problem=problem),)
    subject = _Subject(sequence, part, bench, fixtures, names, sweep, entry)
    return (*subject.route_faults(), *subject.reach_faults(), *subject.level_faults(), *subject.path_faults())


class _Subject:
    """The files that are held against each other, and the sweep among them."""

    def __init__(
        self,
        sequence: Sequence,
        part: Part,
        bench: Bench,
        fixtures: DeEmbedding,
        names: FileNames,
        sweep: SmallSignal,
        entry: NetworkAnalyzerEntry,
    ) -> None:
        self._measure = sequence.measure
        self._part = part
        self._bench = bench
        self._fixtures = fixtures
        self._names = names
        self._sweep = sweep
        self._entry = entry
        self._axes = axis_values(sequence, part)
        self._misfits: set[int] = set()

    def _numbers(self, axis: str) -> tuple[float, ...]:
        return tuple(float(value) for value in self._axes[axis])

    def route_faults(self) -> Iterator[FileFault]:
        """A relay must lead to the network analyzer wherever one leads to the sources."""
        switch = self._bench.instrument.channel_switch
        if switch is None:
            if uses_tones(self._measure):
                problem = "beside tones this needs [instrument.channel_switch] to change between the two"
                yield FileFault("no instrument", self._names.sequence, _TABLE, "small_signal", problem=problem)
            return
        missing = [name for name in self._axes["channel"] if name not in switch.network_channels]
        if missing:
            allowed = ", ".join(switch.network_channels) or "none"
            yield FileFault(
                "no route",
                self._names.bench,
                "[instrument.channel_switch]",
                "network_channels",
                allowed,
                problem=f"small_signal needs a route for channel {missing[0]}",
            )

    def reach_faults(self) -> Iterator[FileFault]:
        """The part must be specified where it is swept, and swept where it is to be known."""
        lowest, highest = self._sweep.frequency_hz[0], self._sweep.frequency_hz[-1]
        found = _span_text(lowest, highest)
        span = self._part.operating.frequency_hz
        if not (span.holds(lowest) and span.holds(highest)):
            allowed = f"{_span_text(span.min, span.max)} (part operating range)"
            yield FileFault("beyond rating", self._names.sequence, _TABLE, "small_signal.frequency_hz", found, allowed)
        outside = [hertz for hertz in self._numbers("frequency_hz") if not lowest <= hertz <= highest]
        if outside:
            problem = f"the sweep does not reach {quantity_text(outside[0], 'Hz')} of [axes]"
            yield FileFault(
                "contradiction", self._names.sequence, _TABLE, "small_signal.frequency_hz", found, problem=problem
            )

    def level_faults(self) -> Iterator[FileFault]:
        """Source, unit and receiver at their ratings, and the unit far from saturation."""
        power_dbm, ratings = self._sweep.power_dbm, self._part.absolute_maximum
        gains, facts = self._part.gain_codes.gain_of, self._part.part
        highest_gain_db = max(gains[int(code)] for code in self._axes["gain_code"] if int(code) in gains)
        output_dbm = max(
            output_level_dbm(power_dbm, highest_gain_db, load, facts.input_resistance_ohm)
            for load in self._numbers("load_ohm")
        )
        headroom_db = ratings.saturated_output_dbm - SMALL_SIGNAL_MARGIN_DB - output_dbm
        bounds = (
            (self._entry.highest_power_dbm, "from the network analyzer"),
            (ratings.input_level_dbm, "part rating"),
            (
                power_dbm + headroom_db,
                f"the output stays {SMALL_SIGNAL_MARGIN_DB:g} dB below saturation at a gain of {highest_gain_db:g} dB",
            ),
            (
                power_dbm + self._entry.highest_input_dbm - output_dbm,
                "the network analyzer's highest input, with no loss behind the unit",
            ),
        )
        highest_dbm, why = min(bounds)
        if power_dbm > highest_dbm:
            allowed = f"{plain_number(highest_dbm)} dBm or less ({why})"
            key = "small_signal.power_dbm"
            yield FileFault("beyond rating", self._names.sequence, _TABLE, key, plain_number(power_dbm), allowed)

    def path_faults(self) -> Iterator[FileFault]:
        """Each path must be served by one entry that reaches the whole sweep."""
        lowest, highest = self._sweep.frequency_hz[0], self._sweep.frequency_hz[-1]
        paths: tuple[Path, ...] = ("input", "output")
        short: set[int] = set()
        for path, channel, load in product(paths, self._axes["channel"], self._numbers("load_ohm")):
            serving = self._fixtures.serving(path, str(channel), load)
            where = f"{path} path, channel {channel}, {load:g} Ω"
            if len(serving) != 1:
                found = ", ".join(f"no. {number + 1}" for number in serving) or "none"
                problem = f"{where} needs exactly one entry for small_signal"
                yield FileFault("no path loss", self._names.bench, "[[de_embedding]]", "", found, problem=problem)
                continue
            yield from self._reference_faults(serving[0])
            known = self._fixtures.covered_hz(path, str(channel), load)
            if serving[0] not in short and not (known[0] <= lowest and highest <= known[1]):
                short.add(serving[0])
                found, wanted = (
                    f"{quantity_text(low, 'Hz')} … {quantity_text(high, 'Hz')}"
                    for low, high in (known, (lowest, highest))
                )
                table = f"[[de_embedding]] no. {serving[0] + 1}"
                problem = f"the two-port must be known from {wanted} ({where})"
                yield FileFault("no path loss", self._names.bench, table, "touchstone", found, problem=problem)

    def _reference_faults(self, number: int) -> Iterator[FileFault]:
        reference_ohm = self._fixtures.two_ports[number].reference_ohm
        if reference_ohm != self._entry.reference_ohm and number not in self._misfits:
            self._misfits.add(number)
            found, allowed = f"{reference_ohm:g} Ω", f"{self._entry.reference_ohm:g} Ω, that of the network analyzer"
            table = f"[[de_embedding]] no. {number + 1}"
            problem = "a two-port in another reference"
            yield FileFault("contradiction", self._names.bench, table, "touchstone", found, allowed, problem=problem)


def _span_text(lowest_hz: float, highest_hz: float) -> str:
    return f"{quantity_text(lowest_hz, 'Hz')} … {quantity_text(highest_hz, 'Hz')}"
