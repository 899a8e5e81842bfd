"""Which errors two runs share: draws of several runs are numbered anew, so that common ones cancel, and only those.

Rule: two runs share a draw only where their files and the instruments' answers say so; in doubt there are two draws.

A draw belongs to an instrument, to a path, or to the run itself (noise, scatter, a soak). Runs share an instrument's
draws if it stands at the same place, is the same by maker, model and serial number, is due for calibration on the same
day (else it has been adjusted between) and has the same declared accuracy. Instruments that tell no serial number are
the same only where the benches have one name. A simulated one is drawn with its bench's seed. Runs share a path's draw
if their benches have one name and both entries give the same loss: a path that was measured again has another.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.causes import EMPTY, Cause, Naming
from reports.levels import KNOTS_PER_PATH, path_name
from reports.source_levels import SETTINGS_PER_SOURCE
from reports.uncertainty import Uncertain
from sequences.products import LOOKS

if TYPE_CHECKING:
    from reports.frames import RunFrames

IntArray = NDArray[np.int64]

#: Numbers that are kept for the draws of one run. Those of a reading of the power meter, the highest, are below 1e9.
PER_RUN = 2**40

#: Serial numbers with which an instrument says that it knows none (IEEE 488.2, 10.14.3: "0").
NO_SERIAL = frozenset({"", "0"})

#: Causes of one instrument, by its place. Their instances mean the same in every run: one for the bench, a setting, a
#: knot of the response.
OF_PLACE: dict[str, str] = {
    "analyzer level": "analyzer",
    "analyzer scale": "analyzer",
    "analyzer response": "analyzer",
    "analyzer attenuator": "analyzer",
    "analyzer noise level": "analyzer",
    "power meter level": "power_meter",
    "power meter linearity": "power_meter",
    "coupler": "power_meter",
    "current meter gain": "current_meter",
    "current meter offset": "current_meter",
    "supply current reading": "supply",
    "supply voltage reading": "supply",
    "board thermometer": "board_thermometer",
    "board thermometer and bend": "board_thermometer",
    "excess noise ratio": "noise_source",
    "network analyzer magnitude": "network_analyzer",
    "network analyzer magnitude tracking": "network_analyzer",
    "network analyzer magnitude linearity": "network_analyzer",
    "network analyzer phase": "network_analyzer",
    "network analyzer phase tracking": "network_analyzer",
    "network analyzer phase linearity": "network_analyzer",
    "network analyzer match": "network_analyzer",
    "network analyzer directivity": "network_analyzer",
}

#: Causes of which each instance tells its own place: the number of its source.
_SOURCE_OF: dict[str, Callable[[IntArray], IntArray]] = {
    "tone source level": lambda instance: instance,
    "tone source setting": lambda instance: (instance + SETTINGS_PER_SOURCE // 2) // SETTINGS_PER_SOURCE,
}

#: Causes of which each instance tells its own ``[[path_loss]]`` entry.
_PATH_OF: dict[str, Callable[[IntArray], IntArray]] = {
    "output path loss": lambda instance: instance,
    "input path loss": lambda instance: instance,
    "output mismatch": lambda instance: instance // KNOTS_PER_PATH,
    "input mismatch": lambda instance: instance // KNOTS_PER_PATH,
}

#: Causes of which each instance tells its own ``[[de_embedding]]`` entry.
_TWO_PORT_OF = ("input two-port", "output two-port", "input two-port phase", "output two-port phase")

#: Causes whose draw is the cosine of a phase, numbered by line and condition.
_PHASES = frozenset({"analyzer distortion", "source products", "residual product"})

#: All causes that are of a bench and not of a run.
OF_BENCH = frozenset({*OF_PLACE, *_SOURCE_OF, *_PATH_OF, *_TWO_PORT_OF})


@dataclass(frozen=True, slots=True)
class Sharing:
    """What two runs have in common: instruments by place and paths in words; ``apart`` lists the others."""

    common: tuple[str, ...]
    apart: tuple[str, ...]

    @property
    def is_one_bench(self) -> bool:
        """Whether nothing that makes an error is another: what differs is then the unit or the run itself."""
        return not self.apart


class SharedDraws:
    """The draws of several runs, numbered so that equal numbers are one draw.

    Args:
        runs: The runs to be compared.
    """

    def __init__(self, runs: Sequence[RunFrames]) -> None:
        self._places = [_instruments(one) for one in runs]
        self._paths = [_paths(one) for one in runs]
        self._two_ports = [_two_ports(one) for one in runs]
        self._names: dict[tuple[str, int], Naming | None] = {}

    def told(self, first: int, second: int) -> Sharing:
        """What two of the runs have in common, of what is used in either."""
        common: list[str] = []
        apart: list[str] = []
        for known in (self._places, self._paths, self._two_ports):
            ours, theirs = known[first], known[second]
            for key in dict.fromkeys([*ours, *theirs]):
                same = ours.get(key) == theirs.get(key)
                (common if same else apart).append(key)
        return Sharing(tuple(common), tuple(apart))

    def renumbered(self, run: int, quantity: Uncertain) -> Uncertain:
        """``quantity`` of a run with instances that several runs may hold side by side."""
        causes = {name: self._renumbered(run, name, cause) for name, cause in quantity.causes.items()}
        return Uncertain(quantity.value, causes, quantity.bound)

    @staticmethod
    def one_phase(cause: str, instance: IntArray) -> IntArray:
        """Equal numbers for draws that may be one: a phase may turn wherever the unit's does, but it need not.

        A figure's uncertainty takes one for each condition; what is said of many together allows for a common one too.
        """
        if cause not in _PHASES:
            return instance
        home, number = np.divmod(instance, PER_RUN)
        result: IntArray = home * PER_RUN + number % len(LOOKS)
        return result

    def words(self, draw: tuple[str, int]) -> str:
        """A draw in words, without whose it is."""
        return self._name(*draw)

    def inner(self, draw: tuple[str, int]) -> tuple[str, int]:
        """The draw, whichever run's it is: both benches' output path of channel A are one suspicion."""
        return draw[0], draw[1] % PER_RUN

    def is_of_bench(self, draw: tuple[str, int]) -> bool:
        """Whether a draw belongs to an instrument or a path, and not to the run."""
        return draw[0] in OF_BENCH

    def _renumbered(self, run: int, name: str, cause: Cause) -> Cause:
        instance = cause.instance
        home = np.full(instance.shape, run, dtype=np.int64)
        number = instance.copy()
        if name in OF_PLACE:
            home[:] = _first_with(self._places, run, OF_PLACE[name])
        elif name in _SOURCE_OF:
            source = _SOURCE_OF[name](instance)
            for one in np.unique(source[instance != EMPTY]).tolist():
                home[source == one] = _first_with(self._places, run, f"tone_{one}")
        elif name in _PATH_OF:
            home, number = self._of_entries(run, instance, _PATH_OF[name](instance), self._paths, _width(name))
        elif name in _TWO_PORT_OF:
            home, number = self._of_entries(run, instance, instance, self._two_ports, 1)
        shifted = np.where(instance == EMPTY, EMPTY, number + home * PER_RUN)
        # A sum keeps the names of one side alone, so that they must know the draws of both.
        self._names[name, run] = cause.name_of
        return replace(cause, instance=shifted, name_of=lambda which: self._name(name, which))

    def _name(self, cause: str, which: int) -> str:
        home, number = divmod(which, PER_RUN)
        inner = self._names.get((cause, home))
        return cause if inner is None else inner(number)

    def _of_entries(
        self, run: int, instance: IntArray, entry: IntArray, known: list[dict[str, object]], width: int
    ) -> tuple[IntArray, IntArray]:
        """Home and number of draws of entries: the files of two benches may list one path at different places."""
        home, number = np.full(instance.shape, run, dtype=np.int64), instance.copy()
        keys = list(known[run])
        for one in np.unique(entry[instance != EMPTY]).tolist():
            first = _first_with(known, run, keys[one])
            place = list(known[first]).index(keys[one])
            here = entry == one
            home[here] = first
            number[here] += (place - one) * width
        return home, number


def _width(cause: str) -> int:
    return KNOTS_PER_PATH if cause.endswith("mismatch") else 1


def _first_with(known: Sequence[Mapping[str, object]], run: int, key: str) -> int:
    """The first run whose ``key`` is the same as that of ``run``; itself where it has none."""
    mine = known[run].get(key)
    if mine is None:
        return run
    return next(number for number, one in enumerate(known) if one.get(key) == mine)


def _instruments(frames: RunFrames) -> dict[str, object]:
    """Place → what tells its instrument and the state of it; only places with a declared accuracy."""
    answered = {row["place"]: row for row in frames.instruments.to_dict("records")}
    drawn = None if frames.bench.simulation is None else frames.bench.simulation.seed
    found: dict[str, object] = {}
    for place in type(frames.bench.instrument).model_fields:
        entry = getattr(frames.bench.instrument, place)
        accuracy = getattr(entry, "accuracy", None)
        if accuracy is None:
            continue
        row = answered.get(place, {})
        serial = str(row.get("serial", ""))
        identity = (row.get("maker", ""), row.get("model", ""), serial)
        at = frames.bench.bench.name if serial in NO_SERIAL else ""
        found[place] = (identity, at, row.get("calibration_due", ""), accuracy, drawn)
    return found


def _paths(frames: RunFrames) -> dict[str, object]:
    """Each path in words → what tells its measurement, in the order of the bench file."""
    losses, at = frames.path_losses, _bench(frames)
    return {path_name(entry): (at, losses.measured(number)) for number, entry in enumerate(losses.entries)}


def _two_ports(frames: RunFrames) -> dict[str, object]:
    """As ``_paths``, of what is taken off the sweeps of a network analyzer."""
    found: dict[str, object] = {}
    for entry, known in zip(frames.de_embedding.entries, frames.de_embedding.two_ports, strict=True):
        channel = "" if entry.channel is None else f", channel {entry.channel}"
        load = "" if entry.load_ohm is None else f", {entry.load_ohm:g} Ω"
        measured = (known.frequency_hz.tobytes(), known.s.tobytes())
        certified = (entry.magnitude_uncertainty_db, entry.phase_uncertainty_deg)
        found[f"{entry.path} two-port{channel}{load}"] = (_bench(frames), measured, certified)
    return found


def _bench(frames: RunFrames) -> tuple[object, ...]:
    simulation = frames.bench.simulation
    return frames.bench.bench.name, None if simulation is None else simulation.seed
