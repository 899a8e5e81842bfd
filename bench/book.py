"""How the runner's facts become rows: the ``RunBook`` over the store."""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Sequence as SequenceOf
from datetime import datetime

from bench.events import PROGRESS_ONLY, Event
from bench.hazard import Hazard
from bench.recording import kept
from bench.store.curves import Curve
from bench.store.records import InstrumentRecord, RunState, SessionRecord
from bench.store.run_writer import RunWriter
from drivers.messages import Exchange
from drivers.roles import Identity
from drivers.timing import Clock
from reports.frames import HazardNote
from sequences.conditions import Condition
from sequences.read_files import Setup


class StoreBook:
    """Writes one run into the store; see ``bench.runner.RunBook`` for what each method promises."""

    def __init__(self, writer: RunWriter, setup: Setup, clock: Clock) -> None:
        self._writer = writer
        self._bench = setup.bench.model
        self._clock = clock
        self._level = setup.sequence.model.sequence.recording

    def session(self, record: SessionRecord) -> None:
        """Keep that a session begins, before anything is powered."""
        self._writer.session(record)

    def plan(self, conditions: tuple[Condition, ...], hazards: tuple[Hazard, ...]) -> None:
        """Keep what the run is going to do and what was said about its hazards, before power-up."""
        self._writer.conditions(conditions)
        self.hazards(hazards)

    def hazards(self, hazards: tuple[Hazard, ...]) -> None:
        """Keep what was said about hazards; of a run that goes on, what is new."""
        self._writer.hazards(
            HazardNote(item.severity, item.title, item.cause, item.consequence, item.action, item.source, item.name)
            for item in hazards
        )

    def acknowledged(self, hazards: tuple[Hazard, ...], operator: str) -> None:
        """Keep who acknowledged which hazards, before power-up; nothing where there were none."""
        names = tuple(hazard.name for hazard in hazards)
        self._writer.acknowledgements(names, operator, self._clock.now())

    def instruments(self, identities: Mapping[str, Identity]) -> None:
        """Keep who answered at each place."""
        entries = self._bench.instrument.present
        self._writer.instruments(
            InstrumentRecord(
                place=place,
                resource=entries[place].resource,
                driver=entries[place].driver,
                maker=identity.maker,
                model=identity.model,
                serial=identity.serial,
                firmware=identity.firmware,
                calibration_due=entries[place].calibration_due,
            )
            for place, identity in identities.items()
        )

    def complete_condition(
        self,
        number: int,
        readings: SequenceOf[Mapping[str, float]],
        exchanges: SequenceOf[Exchange],
        flag: str,
        curves: SequenceOf[Curve] = (),
    ) -> None:
        """Commit one condition."""
        at = self._clock.now()
        heard = kept(exchanges, self._level, of_condition=True)
        self._writer.complete_condition(number, at, tuple(enumerate(readings)), heard, flag, curves)

    def skip_condition(self, number: int, reason: str) -> None:
        """Commit that a condition was left out."""
        self._writer.skip_condition(number, reason)

    def recheck(
        self, number: int, readings: SequenceOf[Mapping[str, float]], exchanges: SequenceOf[Exchange]
    ) -> dict[str, list[float]]:
        """Commit what a complete condition reads once more, apart; returns what it read before, repeat by repeat."""
        heard = kept(exchanges, self._level, of_condition=True)
        return self._writer.recheck(number, self._clock.now(), tuple(enumerate(readings)), heard)

    def now(self) -> datetime:
        """Time by the run's clock."""
        return self._clock.now()

    def exchanges(self, exchanges: SequenceOf[Exchange]) -> None:
        """Commit exchanges that belong to no condition."""
        self._writer.exchanges(kept(exchanges, self._level))

    def event(self, event: Event) -> None:
        """Commit one event, unless the condition's own row says the same."""
        if event.kind not in PROGRESS_ONLY:
            self._writer.event(event.at, event.kind, event.text, event.facts)

    def finish(self, state: RunState, exchanges: SequenceOf[Exchange]) -> None:
        """Commit the end."""
        self._writer.exchanges(kept(exchanges, self._level))
        self._writer.finish(state, self._clock.now())
