"""A loopback on the simulated bench: a sound one has nothing wrong, and each fault of the wiring is named."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.assemble import open_bench
from bench.errors import Stopped, UnsafeBench
from bench.job import StopSwitch
from bench.loopback import Outcome, loop_back
from bench.loopback_levels import Deviation, Trial, causes_of, gain_within_db, load_within_db, step_within_db
from bench.loopback_plan import LoopPlan, loop_plan
from drivers.errors import TimedOut
from edited_demo import edited_demo
from sequences.errors import FileFaults

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig

UNIT = "VG2-0007"

#: Any: what stands in front of a driver hands on whatever it does not change.
Tamper = Callable[[Any], Any]

#: Declared losses of output path A, 200 Ω, and of input path B in the demo's bench file.
OUTPUT_A_200 = "[10.88, 10.94, 11.01, 11.06, 11.11, 11.20, 11.28, 11.36, 11.57]"
INPUT_B = "[7.20, 7.24, 7.28, 7.31, 7.33, 7.38, 7.41, 7.44, 7.52]"


def moved(losses: str, by_db: float) -> str:
    """A list of losses, all of them changed by as much."""
    return str([round(float(loss) + by_db, 2) for loss in losses.strip("[]").split(",")])


@dataclass(frozen=True)
class Looped:
    """What a loopback ended with."""

    plan: LoopPlan
    outcome: Outcome
    rig: Rig

    @property
    def wrong(self) -> list[Trial]:
        return [trial for trial in self.outcome.trials if trial.verdict == "WRONG"]


def looped(
    declared: Mapping[str, str] | None = None,
    *,
    through: bool = False,
    tamper: Mapping[str, Tamper] | None = None,
    tell: Callable[[Trial], None] = lambda trial: None,
    stop: StopSwitch | None = None,
    rigs: list[Rig] | None = None,
) -> Looped:
    """Loop back on the demo's bench, with files that declare something else and drivers that do something else."""
    built, files = edited_demo({}), edited_demo(declared or {})
    plan = loop_plan(files.bench, files.part, through=through)
    with open_bench(built.bench, built.part.model, UNIT, through=through) as opened:
        assert opened.rig is not None
        if rigs is not None:
            rigs.append(opened.rig)
        changed = {place: make(getattr(opened.places, place)) for place, make in (tamper or {}).items()}
        bench = replace(opened, places=replace(opened.places, **changed))
        outcome = loop_back(plan, bench, lambda text: None, tell, stop or StopSwitch())
        return Looped(plan, outcome, opened.rig)


class InFrontOf:
    """A driver's stand-in that hands everything on; tests change one method."""

    def __init__(self, driver: Any) -> None:
        self._driver = driver

    def __getattr__(self, name: str) -> Any:
        return getattr(self._driver, name)


def on(rig: Rig) -> dict[str, bool]:
    """What gives power, by place."""
    assert rig.bias is not None
    return {place: tone.on for place, tone in rig.tones.items()} | {"supply": rig.bias.on}


# --- A sound bench


@pytest.fixture(scope="module")
def sound() -> Looped:
    return looped()


def test_a_sound_bench_has_nothing_wrong(sound: Looped) -> None:
    """Both sources, both channels, four loads, five code lines each, the current, and the queues."""
    assert sound.wrong == []
    assert sound.outcome.good
    assert sound.outcome.causes == ()
    whats = " | ".join(trial.what for trial in sound.outcome.trials)
    for said in ("tone_1: frequency", "tone_2, 200 Ω: level", "400 Ω", "(line 4)", "supply current", "error queues"):
        assert whats.count(said) == (1 if said == "error queues" else 2), said


def test_the_level_is_small_and_the_one_that_was_said(sound: Looped) -> None:
    """Nothing stronger than announced reaches the unit, its output stays far below saturation, no rating is passed."""
    plan = sound.plan
    part = plan.part.absolute_maximum

    assert plan.highest_source_dbm() < -50
    assert plan.level_dbm + max(plan.part.gain_codes.nominal_gain_db) < part.saturated_output_dbm - 30
    assert sound.rig.exceeded == {}
    assert max(tone.level_dbm for tone in sound.rig.tones.values()) <= plan.highest_source_dbm() + 0.005


def test_it_ends_in_the_safe_state_confirmed(sound: Looped) -> None:
    """RF off, bias off, chamber stopped."""
    assert on(sound.rig) == {"tone_1": False, "tone_2": False, "supply": False}
    assert "bias off" in sound.outcome.safe
    assert not any(item.place == "chamber" for item in sound.rig.journal), "the chamber is left alone"


def test_one_source_is_on_at_a_time_and_none_while_a_relay_moves(sound: Looped) -> None:
    """Seen from the rig's own journal."""
    radiating: set[str] = set()
    count = 0
    for item in sound.rig.journal:
        if item.what in ("rf on", "rf off"):
            (radiating.add if item.what == "rf on" else radiating.discard)(item.place)
            count += item.what == "rf on"
        assert len(radiating) <= 1, item
        if item.place in ("load_switch", "channel_switch"):
            assert not radiating, item
    assert count >= 2 * (2 + 3), "both sources in each channel, and one again for each load"


# --- Faults of the bench


@pytest.mark.parametrize("by_db", [6.0, -6.0])
def test_a_wrong_loss_of_one_output_path_is_named_with_its_size(by_db: float) -> None:
    """Declared 6 dB off what the rig has at one channel and load."""
    found = looped({OUTPUT_A_200: moved(OUTPUT_A_200, by_db)})

    assert {trial.what for trial in found.wrong} == {
        f"channel A, {tone}, 200 Ω: level" for tone in ("tone_1", "tone_2")
    }
    (cause,) = found.outcome.causes
    assert cause.startswith("channel A into 200 Ω: its output path")
    assert ("dB too strong" if by_db > 0 else "dB too weak") in cause
    size = re.search(r"([0-9.]+) dB too", cause)
    assert size is not None
    assert float(size[1]) == pytest.approx(6, abs=1.0)


def test_a_wrong_loss_of_an_input_path_is_named_for_its_channel() -> None:
    """Every load of the channel is off alike, and the other channel is not."""
    # The sources are set by what is declared: 6 dB too little is given where 6 dB too little is declared.
    found = looped({INPUT_B: moved(INPUT_B, -6.0)})

    assert {trial.what.split(",")[0] for trial in found.wrong} == {"channel B"}
    (cause,) = found.outcome.causes
    assert cause.startswith("every level of channel B: its input path or its relays")
    assert "too weak" in cause


@pytest.mark.parametrize(
    ("declared", "place"),
    [("channels = { A = 202, B = 201 }", "channel_switch"), ("channels = { A = 2, B = 1 }", "code_port")],
)
def test_exchanged_channels_are_named(declared: str, place: str) -> None:
    """At the relays or at the code port: the other channel, which rests at its lowest gain, answers."""
    shipped = "channels = { A = 201, B = 202 }" if place == "channel_switch" else "channels = { A = 1, B = 2 }"
    found = looped({shipped: declared})
    hints = {trial.what: trial.hint for trial in found.wrong}

    assert "another channel answers for A" in hints["channel A, tone_1, 200 Ω: level"]
    assert hints["channel A, code of channel B to 0: change"] == (
        "the code of channel B moves what is selected as channel A"
    )
    assert not any("frequency" in what for what in hints), "a weak tone is a tone"
    exchanged = "channels A and B are exchanged: relays of channel_switch, or ports of code_port"
    assert found.outcome.causes == (exchanged,)


def test_swapped_sources_are_named() -> None:
    """One place sets the frequency of its own source and switches the other's output."""

    class Crossed(InFrontOf):
        other: Any = None

        def switch_output(self, *, on: bool) -> None:
            self.other.switch_output(on=on)

        def output_is_on(self) -> bool:
            return bool(self.other.output_is_on())

    first, second = Crossed(None), Crossed(None)

    def put(stand_in: Crossed, elsewhere: Crossed) -> Tamper:
        def make(driver: Any) -> Crossed:
            stand_in._driver = elsewhere.other = driver
            return stand_in

        return make

    found = looped(tamper={"tone_1": put(first, second), "tone_2": put(second, first)})
    frequencies = [trial for trial in found.wrong if "frequency" in trial.what]

    assert len(frequencies) == 4
    assert frequencies[0].hint == "a tone arrives at the frequency of tone_2: the two sources are swapped"
    assert found.outcome.causes == ("tone_1 and tone_2 are swapped: their cables, or their addresses",)


def test_a_source_whose_cable_is_off_is_named() -> None:
    """Its output switches, and nothing arrives."""

    class Unplugged(InFrontOf):
        on = False

        def switch_output(self, *, on: bool) -> None:
            self.on = on

        def output_is_on(self) -> bool:
            return self.on

    found = looped(tamper={"tone_2": Unplugged})

    assert all("tone_2" in trial.what for trial in found.wrong)
    assert [trial.hint for trial in found.wrong if "frequency" in trial.what] == [
        "no tone arrives: cables, relays, the unit, or the source's output"
    ] * 2
    (cause,) = found.outcome.causes
    assert cause.startswith("every level from tone_2: its cable")


def test_a_load_switch_that_is_stuck_is_named() -> None:
    """It answers as told and moves no more after the first time."""

    class Stuck(InFrontOf):
        moved = False

        def select(self, route: int) -> None:
            if not self.moved:
                self._driver.select(route)
            self.moved = True

    found = looped(tamper={"load_switch": Stuck})
    stuck = [trial for trial in found.wrong if "is its relay stuck?" in trial.hint]

    assert {trial.what.split(", ")[-1] for trial in stuck} == {f"{load} Ω: level" for load in (100, 150, 400)}


def test_a_code_line_that_does_not_arrive_is_named() -> None:
    """Line 3 of channel B stays low; every other line of both channels is good."""

    class Broken(InFrontOf):
        words: dict[int, int]

        def write_word(self, port: int, word: int) -> None:
            self.__dict__.setdefault("words", {})[port] = word
            self._driver.write_word(port, word & ~8 if port == 2 else word)

        def read_word(self, port: int) -> int:
            return self.words[port]

    found = looped(tamper={"code_port": Broken})

    assert [trial.hint for trial in found.wrong] == ["line 3 of the code port does not reach channel B"]


def test_a_current_that_is_not_plausible_is_wrong() -> None:
    """The part file expects more than this unit draws in its mode, and no other mode would be taken for it."""
    found = looped(
        {"plausible_current_ma = { min = 175, max = 250 }": "plausible_current_ma = { min = 210, max = 250 }"}
    )

    assert [trial.what for trial in found.wrong] == [f"channel {name}, mode nominal: supply current" for name in "AB"]
    assert found.wrong[0].expected == "210 … 250"


# --- With a through


def test_a_sound_through_shows_what_the_bench_makes_and_bias_stays_off() -> None:
    """Levels within half a decibel, products within what the file declares; no supply, no code."""
    found = looped(through=True)

    assert found.wrong == []
    products = [trial for trial in found.outcome.trials if "third-order product" in trial.what]
    assert len(products) == 2
    assert all(float(trial.found.split()[0]) < -80 for trial in products)
    assert not any(item.place in ("supply", "code_port") for item in found.rig.journal)
    assert found.rig.exceeded == {}


def test_a_combiner_that_makes_more_than_is_declared_is_named() -> None:
    """The rig has an intercept of 70 dBm; a file that declares none and an analyzer of 46 dBm expects far less."""
    found = looped({"intercept3_dbm = 26": "intercept3_dbm = 46"}, through=True)

    assert {trial.what.split(": ")[1].split(" product")[0] for trial in found.wrong} == {
        "lower third-order",
        "upper third-order",
    }
    assert "more than the bench file declares" in found.wrong[0].hint


# --- Before and after


def test_it_is_refused_before_anything_is_on_when_no_level_is_allowed() -> None:
    """An analyzer that the unit's saturated output could destroy is refused as before a run."""
    files = edited_demo({"highest_input_dbm = 30": "highest_input_dbm = 15"})
    with pytest.raises(FileFaults, match="highest_input_dbm"):
        loop_plan(files.bench, files.part)


def test_a_bench_without_a_supply_can_only_loop_a_through() -> None:
    """The fault names what is missing."""
    files = edited_demo({})
    places = files.bench.model.instrument.model_copy(update={"supply": None})
    places.__dict__.pop("present", None)
    bench = replace(files.bench, model=files.bench.model.model_copy(update={"instrument": places}))
    with pytest.raises(FileFaults, match=r"\[instrument.supply\]: a loopback needs it"):
        loop_plan(bench, files.part)


@pytest.mark.parametrize("after", [0, 3, 12])
def test_a_stop_ends_in_the_safe_state(after: int) -> None:
    """Whenever it comes."""
    stop, rigs = StopSwitch(), list["Rig"]()
    seen: list[Trial] = []

    def tell(trial: Trial) -> None:
        seen.append(trial)
        if len(seen) > after:
            stop.ask()

    with pytest.raises(Stopped, match="stopped safely") as ended:
        looped(tell=tell, stop=stop, rigs=rigs)

    assert len(seen) == after + 1
    assert not any(on(rigs[0]).values())
    assert "safe state confirmed: RF of tone_1 off" in ended.value.__notes__[0]


def test_an_instrument_that_fails_ends_in_the_safe_state() -> None:
    """The error is the instrument's own, and a note says that the bench is safe."""

    class Fails(InFrontOf):
        readings = 0

        def begin_power(self, frequency_hz: float) -> None:
            self.readings += 1
            if self.readings > 4:
                raise TimedOut("no reply", instrument="analyzer")
            self._driver.begin_power(frequency_hz)

    rigs: list[Rig] = []
    with pytest.raises(TimedOut) as ended:
        looped(tamper={"analyzer": Fails}, rigs=rigs)

    assert not any(on(rigs[0]).values())
    assert "bias off" in ended.value.__notes__[0]


def test_a_supply_that_cannot_be_confirmed_off_is_the_error_that_counts() -> None:
    """A person must go to the bench, whatever else was found."""

    class StaysOn(InFrontOf):
        been_on = False

        def switch_output(self, *, on: bool) -> None:
            self.been_on |= on
            self._driver.switch_output(on=on)

        def output_is_on(self) -> bool:
            return self.been_on or bool(self._driver.output_is_on())

    with pytest.raises(UnsafeBench, match="bias off: it reads back as still on"):
        looped(tamper={"supply": StaysOn})


# --- What is expected, and what wrong levels point to


def test_a_unit_may_be_off_as_far_as_its_limits_say() -> None:
    """Gain 23 … 25 dB at code 0; steps ±0.25 dB between neighbours, ±0.6 dB in sum; output resistance at most 20 Ω."""
    files = edited_demo({})
    part = files.part.model
    condition = loop_plan(files.bench, files.part).condition("A")

    assert gain_within_db(part, condition) == pytest.approx(1.0)
    assert (step_within_db(part, 0, 1), step_within_db(part, 0, 16)) == (0.25, 0.6)
    # 20·log10((1 + 20/100) / (1 + 20/200)), by hand: 20·log10(1.0909) = 0.756.
    assert load_within_db(part, 100) == pytest.approx(0.756, abs=5e-4)
    assert load_within_db(part, 200) == 0


Place = tuple[str, str, float]
PLACES: list[Place] = [(s, c, r) for s in ("tone_1", "tone_2") for c in ("A", "B") for r in (100.0, 200.0, 400.0)]
WORDS: dict[str, Callable[[Place], bool]] = {
    "every level:": lambda place: True,
    "every level from tone_2": lambda place: place[0] == "tone_2",
    "every level of channel B": lambda place: place[1] == "B",
    "every level into 400 Ω": lambda place: place[2] == 400.0,
    "channel B into 400 Ω": lambda place: place[1:] == ("B", 400.0),
}


@pytest.mark.parametrize("words", WORDS)
@settings(max_examples=25)
@given(off_db=st.floats(3, 60), strong=st.booleans(), noise=st.lists(st.floats(-0.4, 0.4), min_size=12, max_size=12))
def test_a_single_cause_is_named_alone(words: str, off_db: float, strong: bool, noise: list[float]) -> None:
    """Whatever its size and sign, and whatever each reading is off by itself."""
    off_db = off_db if strong else -off_db
    deviations = [
        Deviation(*place, off_db=extra + off_db * WORDS[words](place), within_db=1.2)
        for place, extra in zip(PLACES, noise, strict=True)
    ]
    (cause,) = causes_of(deviations)

    assert cause.startswith(words)
    assert ("too strong" in cause) is strong


def test_levels_that_are_all_within_bounds_have_no_cause() -> None:
    """Also with none at all."""
    assert causes_of([Deviation(*place, off_db=1.0, within_db=1.2) for place in PLACES]) == ()
    assert causes_of([]) == ()
