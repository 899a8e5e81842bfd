"""When bias and RF come on and go off, seen from the unit: what reaches it between two conditions, and at the end."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import bench.assemble
import bench.night
from bench.assemble import OpenBench, open_bench
from bench.bring_up import WakeUp, bring_up
from bench.change import Changer
from bench.errors import UnsafeBench
from bench.events import Event
from bench.job import StopSwitch
from bench.night import start_run
from bench.places import Places
from bench.safe_state import make_safe, unconfirmed
from bench.store.store import Store, open_store
from drivers.errors import TimedOut
from drivers.link import Link
from drivers.roles import QueueEntry
from drivers.visa import open_resource
from sequences.conditions import Condition, expand
from sequences.read_files import Setup, demo_file, parse_setup

if TYPE_CHECKING:
    from drivers.simulated.rig import JournalEntry, Rig

Make = Callable[..., Setup]
#: Any: the FakeBench of conftest.py, which a test cannot import.
MakeBench = Callable[..., Any]
MakePlaces = Callable[[Any], Places]

UNIT = "VG2-0007"
SMALL = {
    'channel = "all"': 'channel = "A"',
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = 30",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
}

#: The input path of channel A loses 3 dB at 40 MHz and 15 dB at 120 MHz, and sources that can make up for it.
STEEP = {
    "[7.15, 7.19, 7.23, 7.26, 7.28, 7.33, 7.36, 7.39, 7.47]": "[3, 3, 3, 15, 15, 15, 15, 15, 15]",
    'serial = "NS-101"\ncalibration_due = 2027-05-31\nhighest_level_dbm = 19': 'serial = "NS-101"\n'
    "calibration_due = 2027-05-31\nhighest_level_dbm = 30",
    'serial = "NS-102"\ncalibration_due = 2027-05-31\nhighest_level_dbm = 19': 'serial = "NS-102"\n'
    "calibration_due = 2027-05-31\nhighest_level_dbm = 30",
    "tone_level_dbm = 3\nfrequency_mhz = 60": "tone_level_dbm = 14\nfrequency_mhz = [40, 120]",
    "spacing_mhz = 1": 'spacing_mhz = 1\nlevel_at = "input"',
}


@contextlib.contextmanager
def brought_up(setup: Setup) -> Iterator[tuple[OpenBench, Rig, Changer, tuple[Condition, ...]]]:
    """The simulated bench after bring-up, what changes it, and the conditions of the sequence."""
    part, files, sequence = setup.part.model, setup.bench.model, setup.sequence.model
    conditions = expand(sequence, part, files)
    with open_bench(setup.bench, part, UNIT) as opened:
        assert opened.rig is not None
        bring_up(WakeUp(opened.places, part, files, conditions, opened.clock, {}), lambda text: None)
        changer = Changer(opened.places, part, files, sequence, setup.path_losses)
        yield opened, opened.rig, changer, conditions


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(str(tmp_path / "night.db")) as opened:
        yield opened


@pytest.fixture
def rigs(monkeypatch: pytest.MonkeyPatch) -> list[Rig]:
    """The rig of each night that is run after this, as it is opened."""
    kept: list[Rig] = []

    @contextlib.contextmanager
    def keep(*arguments: Any, **named: Any) -> Iterator[OpenBench]:  # Any: as open_bench takes them
        with open_bench(*arguments, **named) as opened:
            assert opened.rig is not None
            kept.append(opened.rig)
            yield opened

    monkeypatch.setattr(bench.night, "open_bench", keep)
    return kept


def night(setup: Setup, store: Store, hear: Callable[[Event], None] = lambda event: None) -> None:
    start_run(setup, UNIT, "Ada", store, hear, StopSwitch(), lambda run, plan: None)


def changer_on(bench: Any, places: Places) -> Changer:
    """A changer over fakes."""
    setup = bench.setup
    return Changer(places, setup.part.model, setup.bench.model, setup.sequence.model, setup.path_losses)


# --- What reaches the unit while it is retuned


def together_dbm(rig: Rig) -> float:
    """Level of all tones together at the input of the channel that is connected, dBm."""
    tones = [rig.input_tone(place, rig.channel or "") for place in rig.tones]
    return 10 * math.log10(sum(10 ** (tone[0] / 10) for tone in tones if tone is not None))


@pytest.mark.parametrize("way", [(120e6, 40e6), (40e6, 120e6)], ids=["to less loss", "to more loss"])
def test_a_retune_with_rf_on_never_drives_the_unit_harder_than_both_ends(
    make_setup: Make, monkeypatch: pytest.MonkeyPatch, way: tuple[float, float]
) -> None:
    """At the old level 29 dBm would reach the unit at 40 MHz, 11 dB above its rating."""
    with brought_up(make_setup({**SMALL, **STEEP})) as (_, rig, changer, conditions):
        first, second = (next(item for item in conditions if item.frequency_hz == at) for at in way)
        changer.apply(None, first)
        changer.rf_on()
        ends, between = [together_dbm(rig)], []
        monkeypatch.setattr(rig, "check_input", lambda: between.append(together_dbm(rig)))
        changer.apply(first, second)
        ends.append(together_dbm(rig))

    # 14 dBm in each tone, within what source and path may be off.
    assert ends == pytest.approx([17.0, 17.0], abs=0.4)
    # Two frequencies and two levels; each setting of a source has an error of its own within 0.04 dB.
    assert len(between) == 4
    assert max(between) <= max(ends) + 2 * 0.04


def test_the_rig_notes_a_retune_that_passes_the_input_rating(make_setup: Make) -> None:
    """What the simulated unit would not have survived is seen, whatever message did it."""
    with brought_up(make_setup({**SMALL, **STEEP})) as (opened, rig, changer, conditions):
        changer.apply(None, next(item for item in conditions if item.frequency_hz == 120e6))
        changer.rf_on()
        before = dict(rig.exceeded)
        assert opened.places.tone_1 is not None
        opened.places.tone_1.set_frequency(40e6)

    assert before == {}
    assert rig.exceeded["input level"] == pytest.approx(26.3, abs=0.5)  # 26 dBm and 14 dBm together


def test_a_night_with_a_steep_input_path_passes_no_rating(make_setup: Make, store: Store, rigs: list[Rig]) -> None:
    """Up and down in frequency at two temperatures, from bring-up to the end."""
    night(make_setup({**SMALL, **STEEP, "temperature_c = [-40, 25, 85]": "temperature_c = [25, 60]"}), store)

    assert rigs[0].exceeded == {}


# --- On


#: Seconds that a change needs before RF, of the sequence and of the instrument: supply mode, load and channel.
SETTLES_S = {"code_port": 1.0 + 0.2, "load_switch": 0.1 + 0.05, "channel_switch": 0.05 + 0.05}


def test_rf_comes_on_only_after_supply_and_relays_have_settled(make_setup: Make, store: Store, rigs: list[Rig]) -> None:
    """After every change of mode, load and channel, by the rig's own journal."""
    edits = {
        **SMALL,
        'channel = "all"': 'channel = ["A", "B"]',
        'supply_mode = "nominal"\nload_ohm = 200': 'supply_mode = "all"\nload_ohm = [100, 200]',
    }
    night(make_setup(edits), store)
    moved: dict[str, float] = {}
    waits: dict[str, list[float]] = {place: [] for place in SETTLES_S}
    for entry in rigs[0].journal:
        if entry.what.endswith("closed") or entry.what.startswith("mode word"):
            moved[entry.place] = entry.at_s
        elif (entry.place, entry.what) == ("tone_1", "rf on"):
            for place, at_s in moved.items():
                waits[place].append(entry.at_s - at_s)
            moved.clear()

    assert all(waits.values())
    for place, settle_s in SETTLES_S.items():
        assert min(waits[place]) >= settle_s, place


def test_the_loads_and_the_channels_relays_are_closed_before_bias(
    make_setup: Make, store: Store, rigs: list[Rig]
) -> None:
    """An amplifier that is biased into an open output may oscillate (common practice, no source)."""
    night(make_setup(SMALL), store)
    whats = [(entry.place, entry.what) for entry in rigs[0].journal]
    bias = whats.index(("supply", "bias on"))

    assert ("load_switch", "200 Ω closed") in whats[:bias]
    assert ("channel_switch", "A closed") in whats[:bias]


def test_until_the_pins_have_moved_the_current_limit_is_the_larger_of_both_modes(
    make_setup: Make, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """With the limit of the mode to come the supply would fold back before the unit is in it."""
    lower = "plausible_current_ma = { min = 115, max = 185 }\ncurrent_limit_ma = 300"
    fakes = make_bench(make_setup({lower: lower.replace("300", "190")}))
    changer = changer_on(fakes, make_places(fakes))
    nominal = Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)
    low = replace(nominal, supply_mode="low power")
    changer.apply(None, nominal)
    begun = len(fakes.journal)
    changer.apply(nominal, low)
    changer.apply(low, nominal)
    calls = [call for call in fakes.journal[begun:] if call[:2] in (("supply", "output"), ("code_port", "port 3"))]

    assert calls == [
        ("supply", "output", (4.75, 0.3)),
        ("code_port", "port 3", 1),
        ("supply", "output", (4.75, 0.19)),
        ("supply", "output", (5.0, 0.3)),
        ("code_port", "port 3", 0),
    ]


@pytest.mark.parametrize("serial", ["NS-101", "NS-102"])
def test_the_settling_time_of_the_slower_source_counts(
    make_setup: Make, make_bench: MakeBench, make_places: MakePlaces, serial: str
) -> None:
    """0.5 s of the one source and the sequence's 0.02 s, whichever it is."""
    fakes = make_bench(make_setup({f'serial = "{serial}"': f'serial = "{serial}"\nsettle_s = 0.5'}))
    changer = changer_on(fakes, make_places(fakes))
    first = Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)
    changer.apply(None, first)

    assert changer.apply(first, replace(first, tone_level_dbm=0.0)).settle_s == pytest.approx(0.52)
    assert changer.rf_settle_s == pytest.approx(0.52)


def test_compression_is_measured_on_a_bench_with_one_source(store: Store, rigs: list[Rig]) -> None:
    """Nothing but compression is asked for, and that needs one tone."""
    sequence, part, bench_text = (
        demo_file(name).read_text("utf-8") for name in ("quick.sequence.toml", "virga-2.part.toml", "nimbus.bench.toml")
    )
    for old, new in SMALL.items():
        sequence = sequence.replace(old, new)
    only = "[measure]\ntwo_tone = false\nharmonics = false\ncompression = true\n\n[soak]"
    begins, ends = bench_text.index("[instrument.tone_2]"), bench_text.index("[instrument.noise_source]")
    night(parse_setup(sequence.replace("[soak]", only), part, bench_text[:begins] + bench_text[ends:]), store)

    assert [line.state for line in store.runs()] == ["done"]
    assert list(rigs[0].tones) == ["tone_1"]
    assert ("tone_1", "rf on") in [(entry.place, entry.what) for entry in rigs[0].journal]


# --- Off


class SilentLink:
    """A link that takes every message and from some moment on answers none, each for as long as its time-out."""

    def __init__(self, link: Link, timeout_s: float, rigs: list[Rig], begun: list[float]) -> None:
        self._link = link
        self._timeout_s = timeout_s
        self._rigs = rigs
        self._begun = begun

    @property
    def resource(self) -> str:
        return self._link.resource

    def send(self, data: bytes) -> None:
        self._link.send(data)

    def receive(self, timeout_s: float | None = None) -> bytes:
        if self._begun:
            self._rigs[0].clock.sleep(self._timeout_s if timeout_s is None else timeout_s)
            raise TimedOut("no reply", resource=self.resource)
        return self._link.receive(timeout_s)

    def clear(self) -> None:
        self._link.clear()

    def close(self) -> None:
        self._link.close()


def ending(
    monkeypatch: pytest.MonkeyPatch, setup: Setup, store: Store, rigs: list[Rig], place: str
) -> tuple[UnsafeBench, list[JournalEntry], list[Event]]:
    """How a night ends whose instrument falls silent after its first condition: error, journal since, and events."""
    begun: list[float] = []
    events: list[Event] = []
    silent = setup.bench.model.instrument.present[place].resource

    def opened(manager: Any, name: str, timeout_s: float, *settings: Any) -> Link:  # Any: handed on to pyvisa
        link = open_resource(manager, name, timeout_s, *settings)
        return SilentLink(link, timeout_s, rigs, begun) if name == silent else link

    def hear(event: Event) -> None:
        events.append(event)
        if event.kind == "condition done":
            begun.append(rigs[0].clock.elapsed_s())

    monkeypatch.setattr(bench.assemble, "open_resource", opened)
    with pytest.raises(UnsafeBench) as caught:
        night(setup, store, hear)
    return caught.value, [entry for entry in rigs[0].journal if entry.at_s >= begun[0]], events


TWO_CODES = {**SMALL, "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]"}


@pytest.mark.parametrize("place", ["tone_1", "tone_2", "supply"])
def test_a_silent_output_does_not_delay_switching_off_of_the_others(
    monkeypatch: pytest.MonkeyPatch, make_setup: Make, store: Store, rigs: list[Rig], place: str
) -> None:
    """All are told before any is asked: from the first to the last a few messages, and no time-out of 5 s."""
    error, journal, _ = ending(monkeypatch, make_setup(TWO_CODES), store, rigs, place)
    off = [entry for entry in journal if entry.what in ("rf off", "bias off")]

    assert [(entry.place, entry.what) for entry in off] == [
        ("tone_1", "rf off"),
        ("tone_2", "rf off"),
        ("supply", "bias off"),
    ]
    assert off[-1].at_s - off[0].at_s < 0.1
    assert len(error.unconfirmed) == 1
    assert "no reply" in error.unconfirmed[0]


def test_a_chamber_that_does_not_answer_is_not_called_confirmed(
    monkeypatch: pytest.MonkeyPatch, make_setup: Make, store: Store, rigs: list[Rig]
) -> None:
    """It may heat on through the night, so a person is sent to it; the steps before it are confirmed."""
    error, _, events = ending(monkeypatch, make_setup(TWO_CODES), store, rigs, "chamber")
    said = {event.text.partition(":")[0]: event.facts["confirmed"] for event in events if event.kind == "safe state"}

    assert said["chamber to idle"] is False
    assert all(confirmed for name, confirmed in said.items() if name != "chamber to idle")
    assert [text.partition(":")[0] for text in error.unconfirmed] == ["chamber to idle"]


@pytest.mark.parametrize(
    ("entry", "left"),
    [
        (QueueEntry(-222, "Data out of range"), ("chamber to idle: -222, Data out of range",)),
        (QueueEntry(-410, "Query INTERRUPTED"), ()),
    ],
)
def test_a_chamber_that_refuses_its_idle_setting_is_not_called_confirmed(
    make_bench: MakeBench, make_places: MakePlaces, entry: QueueEntry, left: tuple[str, ...]
) -> None:
    """A reply that was broken off is a query error and none of the setting (SCPI-1999, volume 2, 21.8, from memory)."""
    fakes = make_bench()
    fakes.queues["chamber"] = [entry]

    assert unconfirmed(make_safe(make_places(fakes), sleep=fakes.clock.sleep)) == left
