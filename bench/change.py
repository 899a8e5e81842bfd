"""From one condition to the next: which instruments are written, and in which order.

Deciding (``steps``) is apart from doing (``Changer``). The order keeps unit, switches and analyzer out of harm: RF is
off while a relay, the supply or the temperature moves; a source is turned down before the gain goes up, and up only
after the gain has gone down.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from bench.places import Places
from drivers.roles import ToneSource
from sequences.bench_file import Bench
from sequences.conditions import Condition
from sequences.part_file import Part
from sequences.path_losses import PathLosses
from sequences.products import tone_frequencies_hz
from sequences.sequence_file import Sequence
from sequences.source_levels import source_levels_dbm


class Step(Enum):
    """One thing that a change may have to do."""

    RF_OFF = "RF off"
    TEMPERATURE = "temperature"
    MODE = "supply mode"
    LOAD = "load"
    CHANNEL = "channel"
    LEVELS_DOWN = "sources that go down"
    FREQUENCY = "frequency"
    CODE = "gain code"
    LEVELS_UP = "sources that go up"
    RF_ON = "RF on"


def steps(previous: Condition | None, condition: Condition) -> tuple[Step, ...]:
    """Steps from ``previous`` (None: nothing is set yet) to ``condition``, in order, RF_ON excepted.

    RF_ON belongs after soak and settling, so the caller adds it when RF_OFF is among the steps.
    """

    def differs(axis: str) -> bool:
        return previous is None or getattr(previous, axis) != getattr(condition, axis)

    needs_rf_off = any(map(differs, ("temperature_c", "supply_mode", "load_ohm", "channel")))
    wanted = (
        (Step.RF_OFF, needs_rf_off),
        (Step.TEMPERATURE, differs("temperature_c")),
        (Step.MODE, differs("supply_mode")),
        (Step.LOAD, differs("load_ohm")),
        (Step.CHANNEL, differs("channel")),
        # Before the frequency too: at the new one the input path may lose far less.
        (Step.LEVELS_DOWN, True),
        (Step.FREQUENCY, differs("frequency_hz")),
        # Each channel has a code of its own, so another channel needs its code even if the number is the same.
        (Step.CODE, differs("gain_code") or differs("channel")),
        (Step.LEVELS_UP, True),
    )
    return tuple(step for step, needed in wanted if needed)


@dataclass(frozen=True, slots=True)
class Changed:
    """What a change did: whether to soak, and how long to settle before reading (excluding soak)."""

    soak_needed: bool
    settle_s: float


class Changer:
    """Applies changes to the instruments of one run."""

    def __init__(self, places: Places, part: Part, bench: Bench, sequence: Sequence, path_losses: PathLosses) -> None:
        self._places = places
        self._part = part
        self._bench = bench
        self._sequence = sequence
        self._path_losses = path_losses
        self._levels_dbm: dict[str, float] = {}
        self._read_back_dbm: dict[str, float] = {}
        self._radiating: tuple[str, ...] = ()
        self._limit_a = 0.0
        measure = sequence.measure
        both = measure.two_tone or measure.harmonics
        self._tones = ("tone_1", "tone_2") if both else ("tone_1",) if measure.compression else ()
        self._uses_analyzer = bool(self._tones) or measure.noise

    @property
    def tones(self) -> tuple[str, ...]:
        """Sources that the sequence's readings begin with, by place."""
        return self._tones

    @property
    def radiating(self) -> tuple[str, ...]:
        """Sources that have been switched on, by place."""
        return self._radiating

    @property
    def rf_settle_s(self) -> float:
        """How long a tone needs after it has been switched on."""
        return self._sequence.settle.tone_level_s + self._source_s

    @property
    def _source_s(self) -> float:
        places = self._bench.instrument
        return max((entry.settle_s for entry in (places.tone_1, places.tone_2) if entry is not None), default=0.0)

    @property
    def levels_dbm(self) -> dict[str, float]:
        """Source levels as read back, by place."""
        return dict(self._read_back_dbm)

    def forget(self) -> None:
        """Sources are off, and somebody may have set everything else; only the supply is as it was left."""
        self._levels_dbm.clear()
        self._radiating = ()

    def apply(self, previous: Condition | None, condition: Condition) -> Changed:
        """Write what differs; RF is left off if it had to be switched off. Raises InstrumentError."""
        levels = self._wanted_levels_dbm(condition)
        todo = steps(previous, condition)
        for step in todo:
            self._do(step, condition, levels)
        return Changed(
            soak_needed=Step.TEMPERATURE in todo and self._places.chamber is not None,
            settle_s=self._settle_s(todo),
        )

    def rf_on(self) -> None:
        """Switch on the sources that the sequence's readings begin with, if they are off."""
        self.only(*self._tones)

    def only(self, *wanted: str) -> bool:
        """Have these sources on and no other, those that go off first; returns whether anything was switched."""
        before = self._radiating
        for on in (False, True):
            for place, source in self._places.sources():
                if (place in wanted) is on and (place in before) is not on:
                    source.switch_output(on=on)
                    # Kept one by one: what is on must be known wherever an instrument fails.
                    self._radiating = tuple(name for name in self._radiating if name != place) + (place,) * on
        return set(self._radiating) != set(before)

    def to_network_analyzer(self, condition: Condition) -> float:
        """Tones off, and the network analyzer in their place; the seconds that the relay needs. Raises InstrumentError.

        The tones come back on with the next ``rf_on``.
        """
        self.only()
        return self._route(condition, network=True)

    def to_tones(self, condition: Condition) -> None:
        """Sources and analyzer in the network analyzer's place again, whose source must be off."""
        self._route(condition, network=False)

    def _route(self, condition: Condition, *, network: bool) -> float:
        switch, entry = self._places.channel_switch, self._bench.instrument.channel_switch
        if switch is None or entry is None or not self._uses_analyzer:
            return 0.0
        switch.select((entry.network_channels if network else entry.channels)[condition.channel])
        return self._sequence.settle.channel_s + entry.settle_s

    def _wanted_levels_dbm(self, condition: Condition) -> dict[str, float]:
        if not self._tones:
            return {}
        lower, upper = source_levels_dbm(condition, self._part, self._sequence.tones, self._path_losses)
        return {"tone_1": lower, "tone_2": upper}

    def _do(self, step: Step, condition: Condition, levels: dict[str, float]) -> None:
        places = self._places
        if step is Step.RF_OFF:
            self.only()
        elif step is Step.TEMPERATURE and places.chamber is not None:
            places.chamber.set_target_c(condition.temperature_c)
        elif step is Step.MODE:
            self._set_mode(condition)
        elif step is Step.LOAD and places.load_switch is not None and self._bench.instrument.load_switch is not None:
            places.load_switch.select(self._bench.instrument.load_switch.loads[condition.load_ohm])
        elif step is Step.CHANNEL:
            switch, entry = places.channel_switch, self._bench.instrument.channel_switch
            if switch is not None and entry is not None:
                # Without tones and noise nothing but the network analyzer, if anything, is to be connected.
                alone = self._sequence.measure.small_signal is not None and not self._uses_analyzer
                switch.select((entry.network_channels if alone else entry.channels)[condition.channel])
        elif step is Step.FREQUENCY and self._tones:
            pair = tone_frequencies_hz(condition.frequency_hz, self._sequence.tones.spacing_hz)
            for (_, source), frequency_hz in zip(places.sources(), pair, strict=False):
                source.set_frequency(frequency_hz)
        elif step is Step.CODE and places.code_port is not None and self._bench.instrument.code_port is not None:
            port = self._bench.instrument.code_port.channels[condition.channel]
            places.code_port.write_word(port, condition.gain_code)
        elif step in (Step.LEVELS_DOWN, Step.LEVELS_UP):
            self._set_levels(levels, upwards=step is Step.LEVELS_UP)

    def _set_mode(self, condition: Condition) -> None:
        mode = self._part.modes[condition.supply_mode]
        if self._places.supply is not None:
            # Until the pins have moved the unit draws what the mode before lets it draw.
            self._places.supply.set_output(mode.supply_v, max(mode.current_limit_a, self._limit_a))
        entry = self._bench.instrument.code_port
        if self._places.code_port is not None and entry is not None:
            self._places.code_port.write_word(entry.mode, mode.mode_word)
        if self._places.supply is not None and mode.current_limit_a < self._limit_a:
            self._places.supply.set_output(mode.supply_v, mode.current_limit_a)
        self._limit_a = mode.current_limit_a

    def _set_levels(self, levels: dict[str, float], *, upwards: bool) -> None:
        for place, source in self._places.sources():
            if place not in levels:
                continue
            wanted, standing = levels[place], self._levels_dbm.get(place)
            # A level that is not known yet counts as one that goes up: it is set after the code.
            goes_up = standing is None or wanted > standing
            if wanted != standing and goes_up == upwards:
                self._set_level(place, source, wanted)

    def _set_level(self, place: str, source: ToneSource, level_dbm: float) -> None:
        self._read_back_dbm[place] = source.set_level(level_dbm)
        self._levels_dbm[place] = level_dbm

    def _settle_s(self, todo: tuple[Step, ...]) -> float:
        settle, instrument = self._sequence.settle, self._bench.instrument
        source_s = self._source_s
        times = {
            Step.MODE: settle.supply_mode_s + (instrument.supply.settle_s if instrument.supply is not None else 0.0),
            Step.LOAD: settle.load_s + (instrument.load_switch.settle_s if instrument.load_switch is not None else 0.0),
            Step.CHANNEL: settle.channel_s
            + (instrument.channel_switch.settle_s if instrument.channel_switch is not None else 0.0),
            Step.FREQUENCY: settle.frequency_s + source_s,
            Step.LEVELS_DOWN: settle.tone_level_s + source_s,
            Step.CODE: settle.gain_code_s
            + (instrument.code_port.settle_s if instrument.code_port is not None else 0.0),
        }
        return max((times.get(step, 0.0) for step in todo), default=0.0)
