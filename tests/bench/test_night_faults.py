"""Lines that fail in the middle of a night, below drivers and messages: what is left on, and what is said of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from faulty_nights import PLACES, UNIT

import bench.assemble
import bench.night
from bench.assemble import OpenBench
from bench.errors import UnsafeBench
from bench.events import Event
from bench.job import StopSwitch
from bench.night import resume_run, start_run
from bench.store.store import Store, open_store
from drivers.errors import InstrumentError, LinkLost, TimedOut
from drivers.link import Link
from drivers.visa import open_resource
from edited_demo import EIGHT_CONDITIONS, NOT_RECORDED, SELDOM_LOOKED_AT
from sequences.read_files import Setup

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig


#: The fault comes after this many conditions; in the middle of the second channel or temperature.
AFTER = 3


class Fault:
    """What happens to one instrument's line once it has begun."""

    def __init__(self, place: str, kind: str) -> None:
        self.place = place
        self.kind = kind
        self.begun = False


class FailingLink:
    """A link that stops answering ("silent"), or takes no message either ("cut"), when its fault begins."""

    def __init__(self, link: Link, fault: Fault) -> None:
        self._link = link
        self._fault = fault

    @property
    def resource(self) -> str:
        return self._link.resource

    def send(self, data: bytes) -> None:
        self._refuse_if_cut()
        self._link.send(data)

    def receive(self, timeout_s: float | None = None) -> bytes:
        self._refuse_if_cut()
        if self._fault.begun:
            raise TimedOut("no reply", resource=self.resource)
        return self._link.receive(timeout_s)

    def clear(self) -> None:
        self._refuse_if_cut()
        self._link.clear()

    def close(self) -> None:
        self._link.close()

    def _refuse_if_cut(self) -> None:
        if self._fault.begun and self._fault.kind == "cut":
            raise LinkLost("the line broke", resource=self.resource)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(str(tmp_path / "night.db")) as opened:
        yield opened


class Failing:
    """Runs the small night with one line that fails after some conditions."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, setup: Setup, store: Store) -> None:
        self.monkeypatch = monkeypatch
        self.setup = setup
        self.store = store
        self.rig: Rig | None = None
        self.run = ""
        self.done = 0

    def night(self, fault: Fault) -> None:
        resource = self.setup.bench.model.instrument.present[fault.place].resource

        def opened(manager: Any, name: str, *settings: Any) -> Link:
            link = open_resource(manager, name, *settings)
            return FailingLink(link, fault) if name == resource else link

        def hear(event: Event) -> None:
            if event.kind == "condition done":
                self.done += 1
                fault.begun = self.done >= AFTER

        self.monkeypatch.setattr(bench.assemble, "open_resource", opened)
        open_bench = bench.assemble.open_bench

        def keep(*arguments: Any, **named: Any) -> Any:
            return _Kept(open_bench(*arguments, **named), self)

        self.monkeypatch.setattr(bench.night, "open_bench", keep)
        start_run(self.setup, UNIT, "Ada", self.store, hear, StopSwitch(), self._begun)

    def _begun(self, run: str, _: object) -> None:
        self.run = run

    def left_on(self) -> set[str]:
        """Outputs that are on at the rig, whatever anybody says."""
        assert self.rig is not None
        assert self.rig.bias is not None
        on = {place for place, tone in self.rig.tones.items() if tone.on}
        on |= {"noise_source"} if self.rig.noise_on else set()
        return on | ({"supply"} if self.rig.bias.on else set())


class _Kept:
    """An open bench whose rig is remembered."""

    def __init__(self, opening: Any, failing: Failing) -> None:
        self._opening = opening
        self._failing = failing

    def __enter__(self) -> OpenBench:
        opened: OpenBench = self._opening.__enter__()
        self._failing.rig = opened.rig
        return opened

    def __exit__(self, *reason: Any) -> bool | None:
        result: bool | None = self._opening.__exit__(*reason)
        return result


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch, make_setup: Callable[..., Setup], store: Store) -> Failing:
    return Failing(monkeypatch, make_setup(EIGHT_CONDITIONS | SELDOM_LOOKED_AT | NOT_RECORDED), store)


#: Places that are asked on the way to the safe state: outputs for their state, the others for their error queue.
READ_BACK = ("tone_1", "tone_2", "noise_source", "supply", "chamber", "analyzer")


@pytest.mark.parametrize("place", PLACES)
def test_when_an_instrument_falls_silent_everything_is_switched_off(failing: Failing, place: str) -> None:
    """It still listens, so it is off too; but an output that cannot be read back is not said to be."""
    with pytest.raises((InstrumentError, UnsafeBench)) as caught:
        failing.night(Fault(place, "silent"))

    assert failing.left_on() == set()
    assert failing.store.run(failing.run).state == "tripped"
    assert failing.store.done_conditions(failing.run) == set(range(AFTER))
    if place in READ_BACK:
        assert isinstance(caught.value, UnsafeBench)
        assert len(caught.value.unconfirmed) == 1
        assert "no reply" in caught.value.unconfirmed[0]
    else:
        assert isinstance(caught.value, TimedOut)
        assert caught.value.instrument == place


@pytest.mark.parametrize("place", PLACES)
def test_when_a_line_is_cut_everything_else_is_switched_off_and_the_rest_is_named(failing: Failing, place: str) -> None:
    """Only what hangs on the cut line can be left on, and then a person is sent to the bench for it."""
    with pytest.raises((InstrumentError, UnsafeBench)) as caught:
        failing.night(Fault(place, "cut"))
    must_be_made_safe = (*READ_BACK, "chamber", "analyzer")

    assert failing.left_on() <= {place}
    assert failing.store.run(failing.run).state == "tripped"
    assert failing.store.done_conditions(failing.run) == set(range(AFTER))
    assert isinstance(caught.value, UnsafeBench) == (place in must_be_made_safe)


def test_a_night_that_a_cut_line_ended_is_resumed_to_its_end(failing: Failing) -> None:
    """With the line mended, the rest is measured and nothing twice."""
    with pytest.raises(InstrumentError):
        failing.night(Fault("board_thermometer", "cut"))
    failing.monkeypatch.undo()
    stop = StopSwitch()
    night = resume_run(failing.store, failing.run, lambda event: None, stop, lambda run, plan: None)

    assert night.conditions == 8
    assert failing.store.done_conditions(failing.run) == set(range(8))
    assert failing.store.run(failing.run).state == "done"
