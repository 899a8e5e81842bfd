"""What can go wrong with chamber, sensor and supply, over a served rig, with the interlocks as they are shipped.

Each fault strikes a run of its own. What the unit really goes through is asked of the rig the whole time: from the
instant at which what an interlock watches has left its range it takes no longer than stated until bias and RF are off,
and nothing comes near what the unit stands at most.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from killed_nights import CLOCK, PATIENCE_S, KilledNight, Process, ended, served_night, wait_for_conditions

from bench.exit_codes import ExitCode
from sequences.read_files import demo_file, read_bench, read_part

pytestmark = [
    pytest.mark.slow,
    pytest.mark.waits,
    pytest.mark.skipif(os.name == "nt", reason="the rig is ended by a POSIX signal"),
]

#: The bench stands at its temperature from the start, so that the soak is short; conditions enough for all faults.
AT_ONCE = {"room_c = 23": "room_c = 25"}
LONG = {"gain_code = [0, 15, 30]": 'gain_code = "all"', "temperature_c = [25, 35]": "temperature_c = 25"}
TO_THE_HEAT = {"gain_code = [0, 15, 30]": "gain_code = 0", "temperature_c = [25, 35]": "temperature_c = [25, 60]"}

#: Between two looks of the interlocks, as shipped, and what a look itself, an exchange that goes on and the way to
#: safety may take; seconds of the bench.
LOOKS_S = 10.0
EXCHANGES_S = 5.0

#: Real seconds that this machine may keep processes waiting that have to do it; ten times what was measured.
BUSY_S = 1.0

#: How far the instruments may read beyond what is so: an interlock may see its limit crossed as much earlier.
AIR_WITHIN_K = 0.4
CURRENT_WITHIN_PERCENT = 0.6

Truth = dict[str, Any]  # Any: JSON of the control line


@dataclass
class Struck:
    """What was seen of one run.

    Attributes:
        interlock: Which tripped it.
        stated_s: From crossing to trip at most, as stated, in seconds of the bench.
        took_s: What it really took.
        samples: What was so, from the fault on.
        text: The trip's cause.
        exceeded: Ratings that the rig saw exceeded.
    """

    interlock: str = ""
    stated_s: float = 0.0
    took_s: float = 0.0
    samples: list[Truth] = field(default_factory=list)
    text: str = ""
    exceeded: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault, and when what its interlock watches has left its range.

    Attributes:
        command: For the control line.
        interlocks: One of which trips the run.
        has_left: Whether a sample lies outside; takes the sample, the first one and the facts of the broken rule.
        polls: Looks in a row that the interlock takes.
        speed: How much faster than real time the bench runs.
        smaller: Edits of the sequence.
        when_soaking: Whether it strikes in the soak instead of among the conditions.
    """

    command: str
    interlocks: tuple[str, ...]
    has_left: Callable[[Truth, Truth, dict[str, Any]], bool]
    polls: int = 1
    speed: float = 15.0
    smaller: dict[str, str] = field(default_factory=lambda: LONG)
    when_soaking: bool = False


def air_has_left(now: Truth, first: Truth, facts: dict[str, Any]) -> bool:
    if facts["interlock"] == "air rate":
        return now is not first
    return bool(abs(now["air_c"] - 25.0) > facts["highest"] - AIR_WITHIN_K)


def sensor_has_left(now: Truth, first: Truth, facts: dict[str, Any]) -> bool:
    """The board itself stays where it is; its reading rises by 1 K/s."""
    return bool(now["at_s"] - first["at_s"] > facts["highest"])


def has_stood_still(now: Truth, first: Truth, facts: dict[str, Any]) -> bool:
    """The last time that the air was seen to move may have been up to a look before the fault."""
    return bool(now["at_s"] - first["at_s"] > facts["highest"] - LOOKS_S)


def is_in_limit(now: Truth, first: Truth, facts: dict[str, Any]) -> bool:
    return bool(now["supply_a"] < 0.06)


def current_has_left(now: Truth, first: Truth, facts: dict[str, Any]) -> bool:
    if facts["unit"] == "%":
        return bool(100 * (now["supply_a"] / first["supply_a"] - 1) > facts["highest"] - CURRENT_WITHIN_PERCENT)
    return bool(now["supply_a"] > facts["highest"] * (1 - CURRENT_WITHIN_PERCENT / 100))


IN_LIMIT = ("current limit", "mode voltage", "mode current")

FAULTS = {
    "chamber runaway": Fault("chamber runaway 30", ("air stray", "air rate", "board to air"), air_has_left, 2),
    "stuck chamber": Fault("chamber stuck", ("air stuck",), has_stood_still, 2, 60.0, TO_THE_HEAT, when_soaking=True),
    "sensor offset": Fault("board_thermometer drifting-sensor 60", ("board stray", "board rate"), sensor_has_left, 2),
    "supply in limit": Fault("supply supply-limit 0.05", IN_LIMIT, is_in_limit),
    "drifting current": Fault("supply drifting-current 40", ("current drift", "mode current"), current_has_left),
}


def test_a_physical_fault_trips_the_run_in_the_stated_time_and_the_unit_never_meets_a_maximum(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All at once, each on a rig of its own: they mostly wait."""
    assert read_bench(demo_file("sockets.bench.toml")).model.bench.watch_every_s == LOOKS_S
    folders = {name: tmp_path / name.replace(" ", "-") for name in FAULTS}
    for folder in folders.values():
        folder.mkdir()
    with ThreadPoolExecutor(len(FAULTS)) as pool:
        found = dict(zip(FAULTS, pool.map(lambda name: struck(FAULTS[name], folders[name]), FAULTS), strict=True))
    with capsys.disabled():
        print(f"\n{table_of(found)}")  # noqa: T201 - for the record
    for name, run in found.items():
        assert run.interlock in FAULTS[name].interlocks, name
        assert run.exceeded == {}, name
        assert run.took_s <= run.stated_s + BUSY_S * FAULTS[name].speed, name
        assert run.text, name


def struck(fault: Fault, folder: Path) -> Struck:
    with served_night(folder, fault.speed, None, AT_ONCE, fault.smaller) as night:
        process = night.run()
        try:
            if fault.when_soaking:
                wait_until(lambda: "soak began: to 60 " in log_of(night), process)
            else:
                wait_for_conditions(night, 1, process)
            found = Struck()
            night.rig.control(f"fault {fault.command}")
            since_s = night.rig_s()
            while process.poll() is None:
                truth = night.rig.truth()
                if truth["bias_on"]:
                    found.samples.append(truth)
                CLOCK.sleep(0.02)
            code, said = ended(process)
        finally:
            process.kill()
            process.communicate()
        assert code == ExitCode.TRIPPED, said
        (trip,) = night.events("tripped")
        facts: dict[str, Any] = dict(night.events("interlock")[0].facts)
        assert trip.facts["interlock"] == facts["interlock"]
        found.text, found.interlock = trip.text, facts["interlock"]
        found.exceeded = night.rig.truth()["exceeded"]
        first = found.samples[0]
        crossed_s = [now["at_s"] for now in found.samples if fault.has_left(now, first, facts)]
        assert crossed_s, f"{trip.text} {facts}: first {first}, last {found.samples[-1]}"
        off_s = next(at_s for at_s, _, what in night.rig.log() if what == "bias off" and at_s > since_s)
        found.took_s = off_s - crossed_s[0]
        found.stated_s = fault.polls * LOOKS_S + EXCHANGES_S
        return found


def wait_until(holds: Callable[[], bool], process: Process) -> None:
    ends_s = CLOCK.elapsed_s() + PATIENCE_S
    while not holds():
        assert process.poll() is None, process.communicate()
        assert CLOCK.elapsed_s() < ends_s
        CLOCK.sleep(0.05)


def log_of(night: KilledNight) -> str:
    return "".join(path.read_text("utf-8") for path in night.folder.glob("night-logs/*.log"))


def table_of(found: dict[str, Struck]) -> str:
    """One line for each fault."""
    most = read_part(demo_file("virga-2.part.toml")).model.absolute_maximum
    span = most.temperature_c
    lines = [
        f"{'fault':17} {'interlock':14} {'crossing to trip':>16}  {'stated':>6}  worst truth against absolute maximum"
    ]
    for name, run in found.items():
        worst = {key: max(now[key] for now in run.samples) for key in ("supply_v", "supply_a", "board_c")}
        least_c = min(now["board_c"] for now in run.samples)
        lines.append(
            f"{name:17} {run.interlock:14} {run.took_s:14.1f} s  {run.stated_s:4.0f} s  "
            f"{worst['supply_v']:.2f} of {most.supply_v:g} V, {1e3 * worst['supply_a']:.0f} of "
            f"{1e3 * most.supply_current_a:.0f} mA, board {least_c:.1f} … {worst['board_c']:.1f} of "
            f"{span.min:g} … {span.max:g} °C"
        )
        lines.append(f"{'':17} {run.text}")
    return "\n".join(lines)
