"""What a loopback will do, and what it should find: levels, expectations and their uncertainties. Pure.

One source at a time sends a small tone through the unit, or through a through in its place, to the analyzer. The level
is the lowest that still stands clear of the analyzer's noise, so that little can be hurt by whatever is wrong.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

from bench.acquisition import POINTS
from bench.hazard import Hazard
from bench.hazards import hazards, through_hazards
from drivers.roles import SweepSetting
from sequences.bench_file import AnalyzerEntry, Bench, Instruments
from sequences.conditions import Condition
from sequences.cross_checks import cross_check
from sequences.de_embedding import DeEmbedding
from sequences.errors import FileFault, FileFaults, PathLossError
from sequences.part_file import Part
from sequences.path_losses import PathLosses
from sequences.products import output_level_dbm, tone_frequencies_hz
from sequences.rating_checks import FileNames
from sequences.read_files import Loaded, Setup
from sequences.sequence_file import Axes, Measure, Sequence, SequenceFacts, Tones
from sequences.through import WITHOUT_UNIT, through_setup

#: How far the weakest tone stands above the analyzer's noise. Ours: one sample then scatters by 0.05 dB.
CLEAR_DB = 45.0

#: The output stays this far below saturation: small signals, whatever the gain code.
BELOW_SATURATION_DB = 30.0

#: Filter and attenuation that are wanted, or the nearest that the analyzer has. Ours: a sweep of 31 ms, and enough
#: attenuation for a good match and for a pad that is missing.
BANDWIDTH_HZ = 1000.0
ATTENUATION_DB = 10.0

#: Distance of the two tones without a sequence: far outside the filter, near enough to find either in one span.
SPACING_HZ = 1e6


#: Places that a loopback leaves alone, beyond those that a through has no use for.
LEFT_ALONE = ("chamber", "power_meter", "network_analyzer")

#: Tone at the analyzer at which the products of a through are looked at, unless a source cannot give it. Ours: there
#: analyzers make products of their own that stand clear of their noise.
RESIDUAL_TONE_DBM = -10.0


@dataclass(frozen=True, slots=True)
class LoopPlan:
    """A loopback that breaks no rating.

    Attributes:
        setup: The files, with a sequence made for it and without what is left alone.
        channels: Channels in order.
        loads_ohm: Loads in order, the one for all but the loads' own trials first.
        code: Gain code of highest gain among those that are tried.
        other_codes: Codes that differ from it in one line, in the order of the lines.
        lowest_code: Code of the lowest gain: where a channel rests while the other is tried.
        level_dbm: Level at the unit's input.
        setting: How the analyzer looks.
        hazards: What can be hurt.
        through: Whether a through stands in the unit's place.
    """

    setup: Setup
    channels: tuple[str, ...]
    loads_ohm: tuple[float, ...]
    code: int
    other_codes: tuple[int, ...]
    lowest_code: int
    level_dbm: float
    setting: SweepSetting
    hazards: tuple[Hazard, ...]
    through: bool

    @property
    def part(self) -> Part:
        """The part; of a through with 0 dB at every code."""
        return self.setup.part.model

    @property
    def bench(self) -> Bench:
        """The bench, without what a through has no use for."""
        return self.setup.bench.model

    @property
    def analyzer(self) -> AnalyzerEntry:
        """The analyzer's entry, which every loopback has."""
        entry = self.bench.instrument.analyzer
        if entry is None:
            raise ValueError("a plan without an analyzer")
        return entry

    @property
    def frequencies_hz(self) -> tuple[float, float]:
        """Frequencies of ``tone_1`` and ``tone_2``."""
        sequence = self.setup.sequence.model
        return tone_frequencies_hz(sequence.axes.frequency_hz[0], sequence.tones.spacing_hz)

    def condition(self, channel: str, load_ohm: float | None = None, code: int | None = None) -> Condition:
        """A condition of the loopback: at its first load and highest gain unless others are named."""
        axes = self.setup.sequence.model.axes
        return Condition(
            channel=channel,
            gain_code=self.code if code is None else code,
            temperature_c=axes.temperature_c[0],
            supply_mode=axes.supply_mode[0],
            load_ohm=self.loads_ohm[0] if load_ohm is None else load_ohm,
            tone_level_dbm=self.level_dbm,
            frequency_hz=axes.frequency_hz[0],
        )

    def conditions(self) -> tuple[Condition, ...]:
        """All that are visited, for bring-up."""
        return tuple(self._visited())

    def _visited(self) -> Iterator[Condition]:
        for channel in self.channels:
            yield from (self.condition(channel, load) for load in self.loads_ohm)
            yield from (self.condition(channel, code=code) for code in (*self.other_codes, self.lowest_code))

    def highest_source_dbm(self) -> float:
        """The highest level that a source alone is set to."""
        return self.level_dbm + max(
            self._input_db(name, load, hertz)
            for name, load, hertz in product(self.channels, self.loads_ohm, self.frequencies_hz)
        )

    def residual_source_dbm(self) -> float:
        """The highest level that either source is set to while products of a through are looked at."""
        channel, load = self.channels[0], self.loads_ohm[0]
        return self.residual_level_dbm() + max(self._input_db(channel, load, hertz) for hertz in self.frequencies_hz)

    def residual_level_dbm(self) -> float:
        """Level at a through's input at which products are looked at, or as far as the sources go."""
        channel, load = self.channels[0], self.loads_ohm[0]
        at_zero_dbm = output_level_dbm(0.0, 0.0, load, self.part.part.input_resistance_ohm)
        output_db = self.setup.path_losses.loss_db("output", channel, load, self.frequencies_hz[0])
        places = self.bench.instrument
        reached = [
            entry.highest_level_dbm - self._input_db(channel, load, hertz)
            for entry, hertz in zip((places.tone_1, places.tone_2), self.frequencies_hz, strict=True)
            if entry is not None
        ]
        return math.floor(min(RESIDUAL_TONE_DBM + output_db - at_zero_dbm, *reached) * 10) / 10

    def _input_db(self, channel: str, load_ohm: float, frequency_hz: float) -> float:
        return self.setup.path_losses.loss_db("input", channel, load_ohm, frequency_hz)


def loop_plan(
    bench: Loaded[Bench], part: Loaded[Part], sequence: Loaded[Sequence] | None = None, *, through: bool = False
) -> LoopPlan:
    """Choose frequency, levels and codes, and hold them against every rating. Raises FileFaults before any is broken.

    With a sequence, its frequency, spacing, mode, channels and loads are used; else what part and bench have in common.
    """
    kept = {place: entry for place, entry in bench.model.instrument.present.items() if place not in LEFT_ALONE}
    bench = replace(bench, model=bench.model.model_copy(update={"instrument": Instruments.model_validate(kept)}))
    names = FileNames(str(bench.path) if sequence is None else str(sequence.path), str(part.path), str(bench.path))
    losses = PathLosses.of(bench.model, bench.attachments)
    _need_instruments(bench.model, names, through=through)
    asked = None if sequence is None else sequence.model
    made = _Choice(bench.model, part.model, losses, asked, names, through=through)
    level_dbm = made.level_dbm()
    own = made.sequence(level_dbm)
    loaded = Loaded(own, "", bench.path, "") if sequence is None else replace(sequence, model=own)
    faults = cross_check(own, part.model, bench.model, losses, names)
    if faults:
        raise FileFaults(bench.in_its_words(fault) for fault in faults)
    setup = Setup(loaded, part, bench, losses, DeEmbedding())
    if through:
        setup = replace(through_setup(setup), sequence=loaded)
    plan = LoopPlan(
        setup=setup,
        channels=made.channels,
        loads_ohm=made.loads_ohm,
        code=made.code,
        other_codes=() if through else made.other_codes,
        lowest_code=made.lowest_code,
        level_dbm=level_dbm,
        setting=made.setting,
        hazards=(),
        through=through,
    )
    return replace(plan, hazards=_hazards(plan))


def _hazards(plan: LoopPlan) -> tuple[Hazard, ...]:
    if not plan.through:
        return hazards(plan.setup, plan.conditions())
    # Both tones at once, and stronger: what can be hurt by it is a unit that was left in its place.
    sequence = plan.setup.sequence
    both = sequence.model.model_copy(update={"measure": Measure(harmonics=False, supply=False)})
    strongest = replace(plan.condition(plan.channels[0]), tone_level_dbm=plan.residual_level_dbm())
    setup = replace(plan.setup, sequence=replace(sequence, model=both))
    return through_hazards(setup, hazards(setup, (strongest,)), (strongest,))


def _need_instruments(bench: Bench, names: FileNames, *, through: bool) -> None:
    needed = ("tone_1", "analyzer") if through else ("tone_1", "analyzer", "supply")
    faults = [
        FileFault("no instrument", names.bench, f"[instrument.{place}]", problem="a loopback needs it")
        for place in needed
        if place not in bench.instrument.present
    ]
    if faults:
        raise FileFaults(faults)


class _Choice:
    """Frequency, routes, codes and level of a loopback."""

    def __init__(
        self,
        bench: Bench,
        part: Part,
        losses: PathLosses,
        asked: Sequence | None,
        names: FileNames,
        *,
        through: bool,
    ) -> None:
        self._bench, self._part, self._losses, self._asked, self._names = bench, part, losses, asked, names
        self._through = through
        self.spacing_hz = SPACING_HZ if asked is None else asked.tones.spacing_hz
        self.channels, self.loads_ohm = self._channels(), self._loads()
        self.frequency_hz = self._frequency_hz()
        self._drop_unknown_paths()
        gains = part.gain_codes.gain_of
        highest = max(gains, key=lambda code: gains[code])
        self.lowest_code = min(gains, key=lambda code: gains[code])
        self.code = highest
        self.other_codes: tuple[int, ...] = ()
        if bench.instrument.code_port is not None:
            lines = (highest ^ 1 << line for line in range(max(gains).bit_length()))
            self.other_codes = tuple(code for code in lines if code in gains)
        elif asked is not None and asked.axes.gain_code != "all":
            self.code = self.lowest_code = int(asked.axes.gain_code[0])
        else:
            self.lowest_code = highest
        self.setting = self._setting()

    def _channels(self) -> tuple[str, ...]:
        known, switch = self._part.part.channels, self._bench.instrument.channel_switch
        asked = known if self._asked is None or self._asked.axes.channel == "all" else self._asked.axes.channel
        found = tuple(name for name in asked if switch is None or name in switch.channels)
        return found if switch is not None else found[:1]

    def _loads(self) -> tuple[float, ...]:
        facts, switch = self._part.part, self._bench.instrument.load_switch
        asked = (
            facts.loads_ohm if self._asked is None or self._asked.axes.load_ohm == "all" else self._asked.axes.load_ohm
        )
        found = [load for load in asked if switch is None or load in switch.loads]
        first = [load for load in found if load == facts.reference_load_ohm] or found[:1]
        rest = [load for load in found if load not in first]
        return (*first, *rest) if switch is not None else tuple(first)

    def _frequency_hz(self) -> float:
        if self._asked is not None:
            return self._asked.axes.frequency_hz[len(self._asked.axes.frequency_hz) // 2]
        span = self._part.operating.frequency_hz
        ends = [self._losses.ends_hz(number) for number in range(len(self._losses.entries))]
        low = max([span.min, *(low + SPACING_HZ for low, _ in ends)])
        high = min([span.max, *(high - SPACING_HZ for _, high in ends)])
        if low > high:
            problem = "no frequency lies in the part's operating range and in every path loss"
            raise FileFaults([FileFault("no path loss", self._names.bench, "[[path_loss]]", problem=problem)])
        # Two digits are enough, unless the span is narrower than that.
        middle_hz = math.sqrt(low * high)
        rounded_hz = float(f"{middle_hz:.2g}")
        return rounded_hz if low <= rounded_hz <= high else middle_hz

    def _drop_unknown_paths(self) -> None:
        """Routes that no path loss is known for cannot be judged; a bench may have more than were characterized."""
        self.loads_ohm = tuple(
            load
            for load in self.loads_ohm
            if all(self._loss_db("output", name, load) is not None for name in self.channels)
        )
        self.channels = tuple(
            name
            for name in self.channels
            if all(self._loss_db("input", name, load) is not None for load in self.loads_ohm)
        )
        if not self.channels or not self.loads_ohm:
            problem = "no channel and load of the part has a route and a loss on both paths"
            raise FileFaults([FileFault("no path loss", self._names.bench, "[[path_loss]]", problem=problem)])

    def _loss_db(self, path: str, channel: str, load_ohm: float) -> float | None:
        try:
            return self._losses.loss_db("input" if path == "input" else "output", channel, load_ohm, self.frequency_hz)
        except PathLossError:
            return None

    def _setting(self) -> SweepSetting:
        entry = self._bench.instrument.analyzer
        if entry is None:
            raise ValueError("a choice without an analyzer")
        widest_hz = min(BANDWIDTH_HZ, self.spacing_hz / 30)
        bandwidth_hz = max(
            (width for width in entry.bandwidths_hz if width <= widest_hz), default=min(entry.bandwidths_hz)
        )
        enough = [step for step in entry.attenuations_db if step >= ATTENUATION_DB]
        return SweepSetting(bandwidth_hz, min(enough) if enough else max(entry.attenuations_db), POINTS)

    def level_dbm(self) -> float:
        """Level at the unit's input at which the weakest trial is clear of noise, unless that would not be small."""
        entry, facts, gains = self._bench.instrument.analyzer, self._part.part, self._part.gain_codes.gain_of
        if entry is None:
            raise ValueError("a choice without an analyzer")
        noise_dbm = (
            entry.noise_dbm_per_hz + self.setting.attenuation_db + 10 * math.log10(self.setting.resolution_bandwidth_hz)
        )
        weakest_db = math.inf
        highest_db = -math.inf
        for load in self.loads_ohm:
            codes = (self.code, *self.other_codes) if load == self.loads_ohm[0] else (self.code,)
            for name in self.channels:
                loss_db = self._loss_db("output", name, load) or 0.0
                for code in codes:
                    gain_db = 0.0 if self._through else gains[code]
                    change_db = output_level_dbm(0.0, gain_db, load, facts.input_resistance_ohm)
                    weakest_db = min(weakest_db, change_db - loss_db)
                    highest_db = max(highest_db, change_db)
        wanted_dbm = math.ceil(noise_dbm + CLEAR_DB - weakest_db)
        small_dbm = math.floor(self._part.absolute_maximum.saturated_output_dbm - BELOW_SATURATION_DB - highest_db)
        return float(min(wanted_dbm, small_dbm))

    def sequence(self, level_dbm: float) -> Sequence:
        """A sequence of these trials, to be judged, and brought up, as any other."""
        part, bench = self._part, self._bench
        mode = part.supply_mode[0].name
        if self._asked is not None and self._asked.axes.supply_mode != "all":
            mode = self._asked.axes.supply_mode[0]
        room_c = bench.fixture.room_c
        codes = dict.fromkeys((self.code, *self.other_codes, self.lowest_code))
        return Sequence(
            sequence=SequenceFacts(name="loopback", part=self._names.part, reference_temperature_c=room_c),
            axes=Axes(
                channel=self.channels,
                gain_code=tuple(map(float, codes)),
                temperature_c=(room_c,),
                supply_mode=(mode,),
                load_ohm=self.loads_ohm,
                tone_level_dbm=(level_dbm,),
                frequency_hz=(self.frequency_hz,),
            ),
            tones=Tones(spacing_hz=self.spacing_hz, level_at="input"),
            measure=Measure(
                two_tone=False, harmonics=False, supply="supply" in bench.instrument.present, compression=True
            ),
        )


def left_alone(*, through: bool) -> tuple[str, ...]:
    """Places that are made safe and then left as they are."""
    return tuple(dict.fromkeys((*LEFT_ALONE, *(WITHOUT_UNIT if through else ()))))
