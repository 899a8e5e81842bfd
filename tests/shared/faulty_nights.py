"""Short nights over a served rig that are struck by a fault: what strikes, when, and all that can be seen afterwards.

Shared by the tests of single faults and of their whole matrix.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import pytest

import bench.assemble
import bench.night
import drivers.spectrum_analyzer
from bench.errors import BenchError
from bench.events import Event
from bench.exit_codes import of_error
from bench.guarding import UNGUARDED
from bench.job import StopSwitch
from bench.night import start_run
from bench.places import ROLE_OF_PLACE
from bench.recording import ExchangeLog
from bench.store.store import Store
from drivers.errors import InstrumentError
from drivers.messages import Exchange
from sequences.read_files import Setup, demo_file, parse_setup
from served_rig import ServedRig, served_rig

UNIT = "VG2-0007"

#: The demo bench as it is wired for tones has every instrument but these.
PLACES = tuple(place for place in ROLE_OF_PLACE if place not in ("network_analyzer", "power_meter"))


#: The overnight sequence's shape in small: four conditions of two channels and two codes, one soak of a minute.
SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 35",
    "hold_min = 3": "hold_s = 30\npoll_s = 30",
    "shortest_min = 5": "shortest_min = 1\ndrift_k_per_min = 0.3",
    "longest_min = 90": "longest_min = 40",
}
COUNT = 4

#: Real seconds: a reply over loopback comes within a few milliseconds, on a busy machine within a few hundred.
TIME_OUT_S = 0.4

#: Where the chamber idles, about.
ROOM_C = 25.0

Policy = Literal["trip", "retry, and the fault stays", "retry, and the fault passes"]


@dataclass(frozen=True)
class Strike:
    """A fault as the control line takes it, at one place, once so many messages have been exchanged."""

    place: str
    fault: str
    after: int

    def __str__(self) -> str:
        return f"{self.fault} at {self.place} after {self.after} messages"


@dataclass
class Night:
    """What came of one night."""

    strike: Strike
    policy: Policy
    run: str = ""
    done: list[int] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    exchanges: int = 0
    struck_at_s: float | None = None
    error: Exception | None = None
    seconds: float = 0.0
    truth: Mapping[str, Any] = field(default_factory=dict)
    log: list[tuple[float, str, str]] = field(default_factory=list)
    sent: list[tuple[str, str]] = field(default_factory=list)
    stood_still: bool = False
    told: int = 0
    told_while_measuring: int = 0
    readings: dict[tuple[int, str], float] = field(default_factory=dict)

    @property
    def exit_code(self) -> int | None:
        """What the shell would be told of the run itself; None for a traceback."""
        return 0 if self.error is None else of_error(self.error)

    @property
    def notes(self) -> str:
        """The error with what was added to it, as it is shown."""
        return "\n".join([str(self.error), *getattr(self.error, "__notes__", ())])

    def left_on(self) -> set[str]:
        """Outputs that are on at the rig, whatever anybody says."""
        on = {place for place, is_on in self.truth["rf_on"].items() if is_on}
        on |= {"noise_source"} if self.truth["noise_on"] else set()
        return on | ({"supply"} if self.truth["bias_on"] else set())

    def of_kind(self, kind: str) -> list[Event]:
        """Events of one kind, in order."""
        return [event for event in self.events if event.kind == kind]


class FaultyNights:
    """Runs short nights on one served rig, one after the other.

    Args:
        rig: The rig.
        store: Where all of them are kept.
        monkeypatch: Counts the messages of each night; undone by the test.
    """

    def __init__(self, rig: ServedRig, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        self._rig = rig
        self._store = store
        self._monkeypatch = monkeypatch
        self._setups: dict[Policy, Setup] = {}
        # The guard has tests of its own; beside hundreds of nights its processes would only take time.
        monkeypatch.setattr(bench.night, "guarded", lambda _: nullcontext(UNGUARDED))
        # A sweep lasts no time on this clock; the time-out of its reply is real.
        monkeypatch.setattr(drivers.spectrum_analyzer, "WAIT_EXTRA_S", TIME_OUT_S)
        monkeypatch.setattr(drivers.spectrum_analyzer.ScpiSpectrumAnalyzer, "_wait_s", TIME_OUT_S)

    def undisturbed(self) -> Night:
        """A night without a fault."""
        return self.night(Strike("supply", "none", 10**9), "trip")

    def night(self, strike: Strike, policy: Policy) -> Night:
        """One night; whatever it raises is in the answer, unless it is a mistake of ours.

        Replies of a healthy instrument run into their time-out only if this machine stood still for so long. That is
        no fault of the night; it is spent again, and what it tells stands the third time in any case.
        """
        for _ in range(2):
            night = self._spend(strike, policy)
            if not night.stood_still:
                return night
        return self._spend(strike, policy)

    def _spend(self, strike: Strike, policy: Policy) -> Night:
        for place in PLACES:
            self._rig.control(f"fault {place} none")
        self._calm_down()
        night = Night(strike, policy)
        before = len(self._rig.log())
        self._monkeypatch.setattr(bench.assemble, "ExchangeLog", lambda: _StrikingLog(self._rig, night))
        begun = time.monotonic()
        try:
            start_run(
                self._setup(policy),
                UNIT,
                "Ada",
                self._store,
                lambda event: self._hear(night, event),
                StopSwitch(),
                lambda run, plan: setattr(night, "run", run),
            )
        except (InstrumentError, BenchError) as error:
            night.error = error
        night.seconds = time.monotonic() - begun
        night.truth = self._rig.truth()
        night.log = self._rig.log()[before:]
        night.readings = self._readings(night)
        return night

    def _readings(self, night: Night) -> dict[tuple[int, str], float]:
        """What has been stored, by condition and quantity."""
        if not night.done:
            return {}
        table = self._store.frames(night.run).readings
        return {
            (int(number), str(quantity)): float(value)
            for number, quantity, value in zip(table["condition"], table["quantity"], table["value"], strict=True)
        }

    def _calm_down(self) -> None:
        """Let a chamber that ran away forget its alarm and come back to the room; on this clock that is a moment."""
        with socket.create_connection(("127.0.0.1", self._rig.ports["chamber"]), 10.0) as line:
            line.sendall(b":SOUR:TEMP:PROT:CLE\n:OUTP:STAT 0\n*IDN?\n")
            assert line.recv(200)
        until = time.monotonic() + 10.0
        while abs(self._rig.truth()["board_c"] - ROOM_C) > 12.0:
            assert time.monotonic() < until, "the chamber does not come back"

    def _hear(self, night: Night, event: Event) -> None:
        night.events.append(event)
        if event.kind == "condition done":
            night.done.append(int(event.facts["number"]))
            night.told_while_measuring = night.told
        if event.kind == "retrying" and night.policy == "retry, and the fault passes":
            self._rig.control(f"fault {night.strike.place} none")

    def _setup(self, policy: Policy) -> Setup:
        if policy not in self._setups:
            fate = 'on_fault = "trip"' if policy == "trip" else 'on_fault = "retry"\nretries = 1\nretry_after_s = 5'
            edits = {**SMALL, "reference_temperature_c = 25": f"reference_temperature_c = 25\n{fate}"}
            text = demo_file("quick.sequence.toml").read_text("utf-8")
            for old, new in edits.items():
                assert text.count(old) == 1, old
                text = text.replace(old, new)
            part = demo_file("virga-2.part.toml").read_text("utf-8")
            self._setups[policy] = parse_setup(text, part, self._rig.bench_file.read_text("utf-8"))
        return self._setups[policy]


class _StrikingLog(ExchangeLog):
    """Counts the exchanges of a night, and lets the fault strike after one of them."""

    def __init__(self, rig: ServedRig, night: Night) -> None:
        super().__init__()
        self._rig = rig
        self._night = night

    def note(self, exchange: Exchange) -> None:
        super().note(exchange)
        night = self._night
        night.exchanges += 1
        if exchange.error and exchange.error.startswith("TimedOut") and exchange.instrument != night.strike.place:
            night.stood_still = True
        night.sent.append((exchange.instrument, exchange.sent.decode("ascii")))
        if (
            night.struck_at_s is not None
            and exchange.instrument == night.strike.place
            and exchange.sent
            and b"?" not in exchange.sent
        ):
            night.told += 1
        if night.exchanges == night.strike.after:
            night.struck_at_s = self._rig.truth()["at_s"]
            self._rig.control(f"fault {night.strike.place} {night.strike.fault}")


@contextmanager
def faulty_nights(folder: Path, monkeypatch: pytest.MonkeyPatch, speed: float = 6000) -> Iterator[FaultyNights]:
    """A served rig with short time-outs, and nights on it that are kept in one store."""
    from bench.store.store import open_store

    edits = {"timeout_s = 20": f"timeout_s = {TIME_OUT_S}"}
    with served_rig(edits, UNIT, speed) as rig, open_store(str(folder / "nights.db")) as store:
        text = rig.bench_file.read_text("utf-8")
        for place in PLACES:
            if place != "analyzer":
                text = text.replace(f"[instrument.{place}]\n", f"[instrument.{place}]\ntimeout_s = {TIME_OUT_S}\n")
        rig.bench_file.write_text(text, "utf-8")
        yield FaultyNights(replace(rig), store, monkeypatch)
