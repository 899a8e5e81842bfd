"""How strict each interlock is by itself, and how strict a bench file makes it.

Pure. A file may make a rule stricter, never milder than the rule is by itself; what would damage something trips at
once, whatever a file says. A wish for anything else is refused before anything is powered.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from bench.interlocks import Interlock, Watch, watches
from bench.soak import STUCK_K
from sequences.bench_file import Bench
from sequences.errors import FileFault
from sequences.interlock_entry import InterlockEntry, InterlockName
from sequences.part_file import Part
from sequences.read_files import Setup
from sequences.sequence_file import Sequence

#: While conditions are read, temperatures may stray this many times as far as at the end of the soak. Ours.
KEPT_FACTOR = 2.0

#: Board and air may lie this many times as far apart as a soak's end allows. Ours: both drift a little while
#: conditions are read, and seldom apart.
APART_FACTOR = 1.5

#: Air may change this many times as fast as the chamber's ramp. Ours: a controller overshoots its ramp by far less.
RATE_FACTOR = 2.0

#: A chamber whose air has not moved for so long, far from its target, is stuck. Ours: long against the dead time of a
#: compressor, short against what a soak may last.
STUCK_S = 900.0

#: Longest that nothing is heard of an instrument. Ours: a run asks each of them once a minute.
SILENCE_S = 300.0

#: The same in the machine's own time, for a clock that is faster: at 6000 times real time a busy machine keeps all
#: instruments of a served rig silent for minutes of the night by pausing for a tenth of a second.
REAL_SILENCE_S = 1.0

#: Least space on the disk of the store, in MB. Ours: a night of ten thousand conditions takes about as much.
DISK_MB = 200.0

#: A run may last this many times as long as planned, and an hour. Ours.
LONGER_FACTOR, LONGER_S = 2.0, 3600.0

#: Most that the current changes at one temperature if the part does not say how far it does over all, in %. Ours.
DRIFT_PERCENT = 5.0

#: The limit of a part that says how far its supply current changes over temperature.
DRIFT = "supply_current_drift"


def interlocks_of(setup: Setup, planned_s: float = math.inf) -> dict[InterlockName, Interlock]:
    """Every interlock of a run by its name; ``planned_s`` is how long the run should take.

    For files that ``interlock_faults`` finds nothing wrong with. What the bench lacks, as with a through, has no rule.
    """
    bench = setup.bench.model
    rules = own_rules(setup.part.model, bench, setup.sequence.model, planned_s)
    return rules | {entry.name: _stricter(rules[entry.name], entry) for entry in bench.interlock if entry.name in rules}


def interlock_faults(setup: Setup) -> tuple[FileFault, ...]:
    """What the bench file must not wish for: a rule that is milder than by itself, or that has nothing to watch."""
    bench, file = setup.bench.model, str(setup.bench.path)
    rules = own_rules(setup.part.model, bench, setup.sequence.model, math.inf)
    faults: list[FileFault] = []
    for number, entry in enumerate(bench.interlock, start=1):
        texts = _too_mild(entry, rules[entry.name]) if entry.name in rules else (_not_here(entry),)
        faults += [FileFault("beyond rating", file, f"[[interlock]] no. {number}", problem=text) for text in texts]
    return tuple(faults)


def own_rules(part: Part, bench: Bench, sequence: Sequence, planned_s: float) -> dict[InterlockName, Interlock]:
    """The rules as they are by themselves."""
    ratings = watches(part, bench)
    rules = [Interlock(name, ratings[key], absolute=True) for name, key in _RATED.items() if key in ratings]
    rules += [
        Interlock(name, Watch(name.replace(" ", "_"), "", 0.0, 0.0, reason), absolute=name in _PROTECTIONS)
        for name, reason in _SO_OR_NOT.items()
    ]
    # Its range is that of the condition's supply mode.
    rules += [
        Interlock("mode current", Watch("supply_current_a", "A", 0.0, 0.0, "supply mode")),
        Interlock("mode voltage", Watch("supply_voltage_v", "V", 0.0, 0.0, "supply mode")),
        Interlock("current drift", _at_most("current_drift_percent", "%", *_drift_percent(part))),
        Interlock("link silence", _at_most("link_silence_s", "s", _silence_s(bench), "each is asked once a minute")),
        Interlock("disk space", Watch("disk_space_mb", "MB", DISK_MB, math.inf, "room for the rest of a run")),
        Interlock("run duration", _at_most("run_duration_s", "s", LONGER_FACTOR * planned_s + LONGER_S,
                                           f"{LONGER_FACTOR:g} times as planned, and an hour"), action="warn"),
    ]  # fmt: skip
    here = set(bench.instrument.present) | ({SECOND_SENSOR} if _has_second_sensor(bench) else set())
    everything = (*rules, *_of_temperature(part, bench, sequence))
    return {rule.name: rule for rule in everything if _NEEDS.get(rule.name, here) & here}


def _silence_s(bench: Bench) -> float:
    return max(SILENCE_S, REAL_SILENCE_S * (bench.bench.speed or 0.0))


def _has_second_sensor(bench: Bench) -> bool:
    return bench.instrument.chamber is not None and bench.instrument.chamber.second_sensor


def _of_temperature(part: Part, bench: Bench, sequence: Sequence) -> Iterator[Interlock]:
    chamber, soak = bench.instrument.chamber, sequence.soak
    if chamber is None:
        return
    why = f"{KEPT_FACTOR:g} times what the soak allows"
    yield Interlock("air stray", _at_most("air_stray_k", "K", KEPT_FACTOR * soak.air_within_k, why))
    yield Interlock("board stray", _at_most("board_stray_k", "K", KEPT_FACTOR * soak.board_within_k, why))
    apart_k = APART_FACTOR * (soak.air_within_k + soak.board_within_k)
    why = f"{APART_FACTOR:g} times what the soak allows"
    yield Interlock("board to air", _at_most("board_to_air_k", "K", apart_k, why), polls=2)
    pace = RATE_FACTOR * chamber.ramp_k_per_min
    why = f"{RATE_FACTOR:g} times the chamber's ramp"
    # One jump is a door, a wire or a change of target; what goes on jumping is out of control.
    yield Interlock("air rate", _at_most("air_rate_k_per_min", "K/min", pace, why), polls=2)
    pace = max(part.absolute_maximum.ramp_k_per_min, pace)
    why = "absolute maximum of the part, or the air's if that is more"
    yield Interlock("board rate", _at_most("board_rate_k_per_min", "K/min", pace, why), polls=2)
    yield Interlock("air stuck", _at_most("air_stuck_s", "s", STUCK_S, "a chamber goes towards its target"))
    yield Interlock("board stuck", _at_most("board_stuck_k", "K", STUCK_K, "a board follows the air"))


def _at_most(quantity: str, unit: str, highest: float, reason: str) -> Watch:
    return Watch(quantity, unit, -math.inf, highest, reason)


def _drift_percent(part: Part) -> tuple[float, str]:
    """Most that the current may change at one temperature: what the part allows over all of its temperatures."""
    ends = [
        abs(end)
        for limit in part.limit
        if limit.characteristic == DRIFT and limit.unit == "%"
        for end in (limit.min, limit.max)
        if end is not None
    ]
    return (max(ends), f"the part's {DRIFT}") if ends else (DRIFT_PERCENT, "common for a part that has settled")


def _not_here(entry: InterlockEntry) -> str:
    return f'the interlock "{entry.name}" has nothing to watch on this bench'


def _too_mild(entry: InterlockEntry, rule: Interlock) -> Iterator[str]:
    """What would make a rule milder than it is by itself."""
    watch, unit = rule.watch, rule.watch.unit
    name = f'the interlock "{entry.name}"'
    if entry.highest is not None and not entry.highest <= watch.highest:
        yield f"{name} can only be made stricter: found max {entry.highest:g} {unit}, allowed {watch.allowed}"
    if entry.lowest is not None and not entry.lowest >= watch.lowest:
        yield f"{name} can only be made stricter: found min {entry.lowest:g} {unit}, allowed {watch.allowed}"
    if not rule.absolute:
        return
    why = f"{name} guards a maximum beyond which something is damaged"
    if entry.action == "warn":
        yield f'{why}: it cannot be made a warning, only "trip"'
    if entry.action == "pause" and entry.lowest in (None, watch.lowest) and entry.highest in (None, watch.highest):
        yield f'{why}: "pause" needs a limit of its own that comes before it'
    if (entry.polls or 1) > rule.polls or (entry.persistence_s or 0.0) > rule.persistence_s:
        yield f"{why}: it acts at once, without polls or persistence_s"


def _stricter(rule: Interlock, entry: InterlockEntry) -> Interlock:
    watch = rule.watch
    lowest = watch.lowest if entry.lowest is None else entry.lowest
    highest = watch.highest if entry.highest is None else min(entry.highest, watch.highest)
    if (lowest, highest) != (watch.lowest, watch.highest):
        watch = replace(watch, lowest=lowest, highest=highest, reason="the bench file")
    return replace(
        rule,
        watch=watch,
        polls=rule.polls if entry.polls is None else entry.polls,
        persistence_s=rule.persistence_s if entry.persistence_s is None else entry.persistence_s,
        action=entry.action or rule.action,
        # A pause comes before the trip and does not take its place.
        own=rule if entry.action == "pause" and watch != rule.watch else None,
    )


#: A second sensor of the chamber, which is no place of its own.
SECOND_SENSOR = "second sensor"

#: Places of which a rule needs one or another; a rule that is not listed needs none.
_SUPPLY, _BOARD, _AIR = {"supply"}, {"board_thermometer"}, {"chamber"}
_NEEDS: dict[InterlockName, set[str]] = {
    "supply current": _SUPPLY | {"current_meter"},
    "supply voltage": _SUPPLY,
    "mode current": _SUPPLY,
    "mode voltage": _SUPPLY,
    "current limit": _SUPPLY,
    "bias off": _SUPPLY,
    "supply protection": _SUPPLY,
    "current drift": _SUPPLY,
    "board temperature": _BOARD,
    "board stray": _BOARD,
    "board to air": _BOARD,
    "board rate": _BOARD,
    "board stuck": _BOARD,
    "sensor temperature": {SECOND_SENSOR},
    "chamber alarm": _AIR,
    "source off": {"tone_1", "tone_2"},
    "source unlevelled": {"tone_1", "tone_2"},
    "analyzer overload": {"analyzer"},
}

_RATED: dict[InterlockName, str] = {
    "supply current": "supply_current_a",
    "supply voltage": "supply_voltage_v",
    "board temperature": "board_temperature_c",
    "air temperature": "air_temperature_c",
    "sensor temperature": "sensor_temperature_c",
}

#: What is so or is not; 0 is allowed and 1 is not.
_SO_OR_NOT: dict[InterlockName, str] = {
    "current limit": "a supply gives what the unit draws",
    "bias off": "a run has switched it on",
    "supply protection": "it switches off what draws or gets too much",
    "chamber alarm": "a chamber that has stopped itself knows why",
    "source off": "a run has switched it on",
    "source unlevelled": "a source gives the level that it is set to",
    "analyzer overload": "an analyzer reads what it is given",
}

#: Of these, what an instrument does to protect something.
_PROTECTIONS = ("supply protection", "chamber alarm")
