"""A replay from its beginning to what came of it: ``replay`` is what commands and tests call."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.clocks import RealClock
from bench.recording import VOICES
from bench.replay.differences import Difference, gathered, of_mismatch
from bench.replay.sessions import Replayed, drivers_beside, replay_sessions
from bench.resuming import driver_changes
from bench.setups import setup_of
from bench.store.store import open_store
from bench.version import tool_version
from drivers.score import Mismatch, text_of

if TYPE_CHECKING:
    from bench.events import Listener
    from bench.store.records import RunLine, RunTexts
    from bench.store.store import Store
    from reports.summary import Report


@dataclass(frozen=True)
class Replay:
    """What came of a replay.

    Attributes:
        line: The run.
        recorded_by: Versions of the tool that made its sessions, without repeats.
        replayed_by: Version that replayed it.
        tolerant: Whether the order was kept.
        differences: What differs; empty for nothing.
        sessions: As they were done again.
        conditions, exchanges, readings, events, decisions: How many were compared.
        recorded: How many exchanges the recording has.
        notes: What a reader of the result must know, such as what a recording that was cut off leaves open.
        elapsed_s: How long it took, in real seconds.
        report: The replayed run, derived and decided; None if it did not come to its end.
    """

    line: RunLine
    recorded_by: tuple[str, ...]
    replayed_by: str
    tolerant: bool
    differences: tuple[Difference, ...]
    sessions: tuple[Replayed, ...]
    conditions: int
    exchanges: int
    recorded: int
    readings: int
    events: int
    decisions: int
    notes: tuple[str, ...]
    elapsed_s: float
    report: Report | None = field(repr=False)

    @property
    def sentence(self) -> str:
        """The result in one line."""
        count = sum(one.times for one in self.differences)
        result = "no difference" if count == 0 else f"{count:,} difference{'s' if count > 1 else ''}"
        if self.exchanges < self.recorded:
            result = f"ended by the first difference after {self.exchanges:,} of {self.recorded:,} exchanges"
        compared = ", ".join(
            f"{number:,} {noun if number != 1 else noun.removesuffix('s')}"
            for number, noun in (
                (self.conditions, "conditions"),
                (self.exchanges, "exchanges"),
                (self.readings, "readings"),
                (self.events, "events"),
                (self.decisions, "decisions"),
            )
        )
        began = f"{self.line.began:%Y-%m-%d %H:%M} UTC"
        return (
            f"{compared}: {result} (recorded by {' and '.join(self.recorded_by)} on {began}, "
            f"replayed by {self.replayed_by} in {self.elapsed_s:.1f} s)"
        )


def replay(store: Store, run: str, listener: Listener, *, tolerant: bool = False) -> Replay:
    """Do a run again from its recording and compare. Reads ``store`` only.

    Raises BenchError for a run without a whole recording, NoSuchRun, StoreFault.
    """
    with _apart() as apart:
        return replay_into(store, run, apart, listener, tolerant=tolerant)


@contextmanager
def _apart() -> Iterator[Store]:
    """A store in memory, gone afterwards."""
    with open_store("sqlite://") as made:
        yield made


def replay_into(store: Store, run: str, into: Store, listener: Listener, *, tolerant: bool = False) -> Replay:
    """As ``replay``, and the replayed run stays in ``into``."""
    from bench.replay.comparison import FROM_OUTSIDE, Scope, derived_differences, differences, event_differences
    from bench.reporting import report_of

    clock = RealClock()
    sessions = replay_sessions(store, run, into, listener, tolerant=tolerant)
    line = store.run(run)
    recorded_by = tuple(dict.fromkeys(one.session.record.tool_version for one in sessions))
    same_version = recorded_by == (tool_version(),) and not any(one.is_silent for one in sessions)
    found = _messages(store, run, sessions)
    is_whole = tolerant or not found
    scope = Scope(is_whole, sessions[-1].is_open)
    found += differences(store, into, run, scope)
    for one in sessions if is_whole else ():
        was, now = list(one.told), list(one.kept_events)
        number, cut = one.session.number, one.is_open
        found += event_differences(was, now, number, is_cut=cut, same_version=same_version)
    frames = into.frames(run)
    report: Report | None = None
    if is_whole and len(frames.conditions):
        report = report_of(into, run)
        found += derived_differences(report_of(store, run), report)
    return Replay(
        line=line,
        recorded_by=recorded_by,
        replayed_by=tool_version(),
        tolerant=tolerant,
        differences=gathered(found),
        sessions=sessions,
        conditions=len(frames.conditions),
        exchanges=sum(one.compared for one in sessions),
        recorded=sum(len(one.exchanges) for one in sessions),
        readings=len(frames.readings),
        events=sum(event.kind not in FROM_OUTSIDE for one in sessions for event in one.told) if is_whole else 0,
        decisions=0 if report is None else len(report.limits),
        notes=(*_notes(sessions), *_changed_drivers(store, run)),
        elapsed_s=clock.elapsed_s(),
        report=report,
    )


def _changed_drivers(store: Store, run: str) -> list[str]:
    """What has changed in folders of own drivers since the run began, whether or not they say the same still."""
    texts, bench = store.run_texts(run), setup_of(store, run).bench.model
    beside = drivers_beside(bench, texts.bench.folder)
    return [f"own drivers have changed since: {change}" for change in driver_changes(texts.attachments, beside)]


def _messages(store: Store, run: str, sessions: tuple[Replayed, ...]) -> list[Difference]:
    conditions = [item.condition for item in store.planned_conditions(run)]
    texts, changed = store.run_texts(run), _changed_drivers(store, run)
    return [
        of_mismatch(one, mismatch, conditions, _cause(one, mismatch, texts, changed))
        for one in sessions
        for mismatch in one.mismatches
    ]


def _cause(one: Replayed, mismatch: Mismatch, texts: RunTexts, changed: list[str]) -> str:
    """A word on what a difference may come from, the likeliest first."""
    files = (texts.part, texts.bench, texts.sequence)
    edited = [file.name for file in files if _fingerprint(file.text) != file.fingerprint]
    if edited:
        return f"the run's copy of {', '.join(edited)} is not what it was: its fingerprint does not fit any more"
    if changed:
        return changed[0]
    gap = _gap(one, mismatch)
    if gap:
        return gap
    version = one.session.record.tool_version
    if version != tool_version():
        return f"another version of this tool: recorded by {version}, replayed by {tool_version()}"
    if one.is_silent:
        return "the recording is of a version that kept neither waits nor wishes of people"
    if mismatch.instrument in VOICES or (mismatch.recorded is not None and mismatch.recorded.instrument in VOICES):
        return "the run waits, or looks out for people, its disk or its guard, at another place than it did"
    if mismatch.recorded is not None and mismatch.recorded.instrument == mismatch.instrument:
        return f"the driver of {mismatch.instrument}, or what the run asks of it, has changed"
    return "what the run asks for, or the order of it, has changed"


def _gap(one: Replayed, mismatch: Mismatch) -> str:
    """Whether the recording itself lacks something up to here: each instrument's exchanges count up one by one."""
    counts: dict[str, int] = {}
    for exchange in one.exchanges[: mismatch.place + 1]:
        before = counts.get(exchange.instrument, 0)
        if exchange.number != before + 1:
            return (
                f"the recording is damaged: exchange {before + 1} of {exchange.instrument} is not there, "
                f"{exchange.number} follows {before}"
            )
        counts[exchange.instrument] = exchange.number
    return ""


def _fingerprint(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _notes(sessions: tuple[Replayed, ...]) -> Iterator[str]:
    for one in sessions:
        if one.was_cut:
            yield (
                f"session {one.session.number} has no end, as if it was killed: what it did after its last commit, "
                "at most a condition or a soak, was not recorded"
            )
        elif one.beyond is not None:
            yield (
                f"session {one.session.number} is of an older version, which ended here; this one goes on: "
                f"{text_of(one.beyond)}"
            )
        if any(exchange.instrument == "person" for exchange in one.exchanges) and one.is_silent:
            yield (
                f"session {one.session.number} was stopped by a person, of which an older version recorded no more "
                "than the event: the stop was put where the messages say that the run took notice"
            )
