"""Going on with a run whose end was none: in the heat or the cold, after a kill, with an instrument missing."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import bench.assemble
import bench.night
from bench.assemble import OpenBench, open_bench
from bench.book import StoreBook
from bench.errors import RunDone, Stopped, StoreFault
from bench.events import Event
from bench.guard_words import append_words, word_file
from bench.job import StopSwitch
from bench.night import Night, resume_run, start_run
from bench.plan import Plan
from bench.store.records import RunRecord
from bench.store.store import Store, open_store
from bench.version import tool_version
from drivers.errors import NotThere
from drivers.link import Link
from drivers.visa import open_resource
from edited_demo import NOT_RECORDED
from sequences.read_files import Setup

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig

Make = Callable[..., Setup]

UNIT = "VG2-0007"
SMALL = {
    **NOT_RECORDED,
    'channel = "all"': 'channel = "A"',
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
}


class Resumer:
    """A small night that is stopped after its first condition, and its resumption on a bench that was left somehow."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, store: Store) -> None:
        self.monkeypatch = monkeypatch
        self.store = store
        self.run = ""
        self.rigs: list[Rig] = []
        self.plans: list[Plan] = []
        self.left: Callable[[Rig], None] = lambda rig: None
        monkeypatch.setattr(bench.night, "open_bench", self._open)

    @contextlib.contextmanager
    def _open(self, *arguments: Any, **named: Any) -> Iterator[OpenBench]:  # Any: as open_bench takes them
        with open_bench(*arguments, **named) as opened:
            assert opened.rig is not None
            self.rigs.append(opened.rig)
            self.left(opened.rig)
            yield opened

    def _begun(self, run: str, plan: Plan) -> None:
        self.run = run
        self.plans.append(plan)

    def whole(self, setup: Setup) -> None:
        """A night to its end."""
        start_run(setup, UNIT, "Ada", self.store, lambda event: None, StopSwitch(), self._begun)

    def stopped(self, setup: Setup) -> None:
        """A night that a person stops after its first condition."""
        stop = StopSwitch()

        def hear(event: Event) -> None:
            if event.kind == "condition done":
                stop.ask()

        with pytest.raises(Stopped):
            start_run(setup, UNIT, "Ada", self.store, hear, stop, self._begun)

    def resume(self) -> Night:
        return resume_run(self.store, self.run, lambda event: None, StopSwitch(), self._begun)

    def killed_at_the_end(self, setup: Setup) -> None:
        """A night that is killed between its last commit and the writing down of its end."""
        with self.monkeypatch.context() as killing:
            killing.setattr(StoreBook, "finish", lambda book, state, exchanges: None)
            self.whole(setup)


@pytest.fixture
def resumer(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Resumer]:
    with open_store(str(tmp_path / "night.db")) as store:
        yield Resumer(monkeypatch, store)


# --- In the heat and in the cold


@pytest.mark.parametrize("air_c", [83.0, -39.0], ids=["hot", "cold"])
def test_a_run_is_resumed_while_the_chamber_is_hot_or_cold(resumer: Resumer, make_setup: Make, air_c: float) -> None:
    """Limits around 25 °C alone would shut out the air as it is, and the chamber would stop itself."""
    resumer.stopped(make_setup(SMALL))

    def left(rig: Rig) -> None:
        rig.thermal.air_c = rig.thermal.board_c = air_c
        rig.thermal.set_target_c(air_c)

    resumer.left = left
    night = resumer.resume()

    assert night.measured == 1
    assert resumer.store.run(resumer.run).state == "done"
    assert resumer.rigs[-1].thermal.is_conditioning
    assert resumer.rigs[-1].exceeded == {}


def test_conditioning_has_the_first_target_before_it_is_switched_on(resumer: Resumer, make_setup: Make) -> None:
    """It would go where somebody else has sent it last."""
    resumer.stopped(make_setup(SMALL))
    resumer.left = lambda rig: rig.thermal.set_target_c(85.0)
    resumer.resume()
    chamber = [entry.what for entry in resumer.rigs[-1].journal if entry.place == "chamber"]

    assert chamber.index("target 25 °C") < chamber.index("conditioning on")


# --- After a kill


def test_a_run_that_was_killed_after_its_last_commit_is_resumed_to_done(resumer: Resumer, make_setup: Make) -> None:
    """Nothing is left to measure: nothing is switched on, and all is made safe."""
    resumer.killed_at_the_end(make_setup(SMALL))
    assert resumer.store.run(resumer.run).state == "running"

    def left(rig: Rig) -> None:
        assert rig.bias is not None
        rig.bias.on = rig.tones["tone_1"].on = True

    resumer.left = left
    night = resumer.resume()
    rig = resumer.rigs[-1]

    assert night.measured == 0
    assert (resumer.plans[-1].conditions, resumer.plans[-1].hazards) == ((), ())
    assert resumer.store.run(resumer.run).state == "done"
    assert resumer.store.done_conditions(resumer.run) == {0, 1}
    assert rig.bias is not None
    assert not rig.bias.on
    assert not rig.tones["tone_1"].on
    assert {"bias on", "rf on"}.isdisjoint(entry.what for entry in rig.journal)


def test_a_run_that_was_killed_before_its_plan_was_stored_is_refused_in_one_line(
    resumer: Resumer, make_setup: Make
) -> None:
    """It would be a run of no conditions, and done."""
    setup, began = make_setup(SMALL), datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
    record = RunRecord.of(setup, unit=UNIT, operator="Ada", began=began, tool_version=tool_version())
    resumer.store.begin_run(record)
    resumer.run = record.id
    with pytest.raises(StoreFault) as caught:
        resumer.resume()

    assert str(caught.value) == f"run {record.id} was cut off before its plan was stored; begin it anew"
    assert resumer.rigs == []


def test_a_run_that_is_done_is_refused_in_one_line_and_no_instrument_is_opened(
    resumer: Resumer, make_setup: Make
) -> None:
    """The bench may be another run's by now."""
    resumer.whole(make_setup(SMALL))
    with pytest.raises(RunDone) as caught:
        resumer.resume()

    assert str(caught.value) == f"run {resumer.run[:8]} is done; there is nothing to resume"
    assert len(resumer.rigs) == 1


# --- With an instrument missing


@pytest.mark.parametrize("place", ["tone_2", "analyzer", "chamber"])
def test_with_one_instrument_missing_what_can_be_reached_is_switched_off_and_the_run_keeps_its_state(
    resumer: Resumer, make_setup: Make, place: str
) -> None:
    """A process that was killed has left everything on, and nobody knows why the instrument is not there."""
    setup = make_setup(SMALL)
    resumer.stopped(setup)
    before = resumer.store.run(resumer.run)
    gone = setup.bench.model.instrument.present[place].resource

    def opened(manager: Any, name: str, *settings: Any) -> Link:  # Any: handed on to pyvisa
        if name == gone:
            raise NotThere("no such resource", resource=name)
        return open_resource(manager, name, *settings)

    def left(rig: Rig) -> None:
        assert rig.bias is not None
        rig.bias.on = rig.noise_on = True
        for tone in rig.tones.values():
            tone.on = True

    resumer.monkeypatch.setattr(bench.assemble, "open_resource", opened)
    resumer.left = left
    with pytest.raises(NotThere) as caught:
        resumer.resume()
    rig = resumer.rigs[-1]

    assert caught.value.instrument == place
    assert rig.bias is not None
    assert not rig.bias.on
    assert not rig.noise_on
    assert {name for name, tone in rig.tones.items() if tone.on} == {place} & set(rig.tones)
    assert resumer.store.run(resumer.run) == before
    assert before.state == "stopped"


# --- With words that a guard left beside the store


def test_what_a_guard_wrote_while_the_store_took_nothing_becomes_events_once(
    resumer: Resumer, make_setup: Make
) -> None:
    """The disk was full in the middle of the last word; a session that died here has taken one in already."""
    resumer.stopped(make_setup(SMALL))
    at = datetime(2026, 11, 2, 22, 0, tzinfo=UTC)
    said = [
        Event(at, "guard", "the run's process has ended without a word; making the bench safe", {"cause": "ended"}),
        Event(at, "guard", "made safe at 2026-11-02 22:00:00 UTC", {"confirmed": True, "attempts": 1}),
    ]
    path = word_file(resumer.store.url, resumer.run)
    append_words(path, said)
    with path.open("a", encoding="utf-8") as file:
        file.write('{"at": "2026-11-02T22:00:00+00:00", "kin')
    resumer.store.note(resumer.run, said[0])

    resumer.resume()
    found = [event for event in resumer.store.events(resumer.run) if event.kind == "guard"]

    assert found[:2] == said
    assert found[2].text == 'a line that was cut off: {"at": "2026-11-02T22:00:00+00:00", "kin'
    assert len(found) == 3
    assert not path.exists()
