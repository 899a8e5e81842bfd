"""Sweeps of the network analyzer: at which conditions, and how one is taken.

A sweep does not depend on the tones' level or frequency, so it is taken at the first condition, in run order, of each
channel, code, temperature, mode and load. Rules of safety: the tones are off and the relay has moved before the network
analyzer's source is switched on, and it is off again before anything else moves.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from bench.change import Changer
from bench.measure import Readings
from bench.places import Places
from bench.store.curves import Curve
from drivers.roles import NetworkSetting
from sequences.bench_file import NetworkAnalyzerEntry
from sequences.conditions import Condition
from sequences.read_files import Setup
from sequences.sequence_file import SmallSignal

#: What a plan reckons for a sweep: its two directions, and this many reciprocal bandwidths for each point.
PLANNED_PER_POINT = 2 * 1.5


def swept_conditions(ordered: Iterable[Condition]) -> frozenset[Condition]:
    """The conditions at which a sweep is taken; always the same for the same order, whatever is done already."""
    first: dict[tuple[object, ...], Condition] = {}
    for one in ordered:
        key = (one.channel, one.gain_code, one.temperature_c, one.supply_mode, one.load_ohm)
        first.setdefault(key, one)
    return frozenset(first.values())


def sweep_s(sweep: SmallSignal, entry: NetworkAnalyzerEntry) -> float:
    """Seconds that a sweep takes, for an estimate."""
    return entry.settle_s + PLANNED_PER_POINT * len(sweep.frequency_hz) / sweep.bandwidth_hz


class Sweeps:
    """Takes the sweeps of one run; remembers what the network analyzer is set to.

    Args:
        places: Drivers.
        setup: The run's files; a sequence without ``small_signal`` takes no sweep.
        conditions: All conditions of the run in order, done or not.
        changer: Connects the network analyzer in place of the tones.
        wait: Waits for some seconds.
    """

    def __init__(
        self,
        places: Places,
        setup: Setup,
        conditions: Iterable[Condition],
        changer: Changer,
        wait: Callable[[float], None],
    ) -> None:
        sequence, entry = setup.sequence.model, setup.bench.model.instrument.network_analyzer
        self._analyzer = places.network_analyzer
        self._sweep = sequence.measure.small_signal
        self._repeats = sequence.sequence.repeats
        self._settle_s = 0.0 if entry is None else entry.settle_s
        self._swept = frozenset() if self._sweep is None else swept_conditions(conditions)
        self._changer = changer
        self._wait = wait
        self._held: NetworkSetting | None = None

    def take(self, condition: Condition) -> tuple[Readings, list[Curve]]:
        """What the network analyzer is set to, and the curves of every repeat; nothing where no sweep is due.

        Tones off, relay over, source on, sweeps, source off, relay back. Raises InstrumentError, and then the safe
        state takes the source off.
        """
        analyzer, sweep = self._analyzer, self._sweep
        if analyzer is None or sweep is None or condition not in self._swept:
            return {}, []
        self._wait(self._changer.to_network_analyzer(condition))
        if self._held is None:
            analyzer.set_frequencies(sweep.frequency_hz)
            self._held = analyzer.set_sweep(NetworkSetting(sweep.power_dbm, sweep.bandwidth_hz))
        analyzer.switch_output(on=True)
        self._wait(self._settle_s)
        curves: list[Curve] = []
        for repeat in range(self._repeats):
            analyzer.begin_sweep()
            read = analyzer.finish_sweep()
            traces = {"s11": read.s11, "s21": read.s21, "s12": read.s12, "s22": read.s22}
            curves += [Curve(name, read.frequencies_hz, values, repeat) for name, values in traces.items()]
        analyzer.switch_output(on=False)
        self._changer.to_tones(condition)
        held = {
            "small_signal_power_dbm": self._held.power_dbm,
            "small_signal_bandwidth_hz": self._held.bandwidth_hz,
        }
        return held, curves
