"""What goes into the store and comes out of it, as frozen values.

Rule: nothing here knows a database; times are timezone-aware UTC. Swept values are ``sequences.conditions.Condition``,
facts of a run's course ``bench.events.Event``,
messages and replies ``drivers.messages.Exchange``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Literal, Self
from uuid import uuid4

if TYPE_CHECKING:
    from drivers.messages import Exchange
    from sequences.conditions import Condition
    from sequences.read_files import Loaded, Setup

#: A run that is incomplete has done all that it could; conditions that it skipped can be tried again.
RunState = Literal["running", "done", "incomplete", "tripped", "stopped", "interrupted"]

#: How a session of a run begins.
SessionKind = Literal["start", "resume"]

#: How much of what a run hears is kept; ``bench.recording`` says what.
RecordingLevel = Literal["whole", "failures", "none"]

#: What stood in the unit's place.
RunKind = Literal["unit", "through"]


@dataclass(frozen=True, slots=True)
class FileText:
    """A file that a person wrote, as it was when the run began.

    Attributes:
        name: File name without its folder.
        text: The whole text.
        fingerprint: SHA-256 of the file in hexadecimal.
        folder: Where it lay, whole; empty if that is not known.
    """

    name: str
    text: str
    fingerprint: str
    folder: str = ""

    @classmethod
    def of(cls, loaded: Loaded[Any]) -> Self:
        """The text of a file that has been read."""
        # A text that was parsed has a name, but no folder.
        folder = str(loaded.path.resolve().parent) if loaded.path.is_file() else ""
        return cls(loaded.path.name, loaded.text, loaded.fingerprint, folder)


@dataclass(frozen=True, slots=True)
class RunTexts:
    """Everything that is needed to build part, bench, sequence and path losses again without their files.

    Attributes:
        part, bench, sequence: The three files.
        attachments: Touchstone texts by the file name that the bench file calls them.
    """

    part: FileText
    bench: FileText
    sequence: FileText
    attachments: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, setup: Setup) -> Self:
        """The texts of a setup that has been read."""
        return cls(
            part=FileText.of(setup.part),
            bench=FileText.of(setup.bench),
            sequence=FileText.of(setup.sequence),
            attachments=setup.bench.attachments,
        )


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A run as it begins.

    Attributes:
        unit: Serial of the specimen.
        part, bench, sequence: The names that the three files give themselves.
        operator: Who started it.
        began: Start of the run, UTC.
        tool_version: Version of this tool.
        texts: The files.
        kind: What stands in the unit's place.
        id: UUID, so that runs of several stores can be put together without a clash.
    """

    unit: str
    part: str
    bench: str
    sequence: str
    operator: str
    began: datetime
    tool_version: str
    texts: RunTexts
    kind: RunKind = "unit"
    id: str = field(default_factory=lambda: str(uuid4()))

    @classmethod
    def of(
        cls,
        setup: Setup,
        *,
        unit: str,
        operator: str,
        began: datetime,
        tool_version: str,
        kind: RunKind = "unit",
        run: str = "",
    ) -> Self:
        """Record of a run of ``setup`` on a unit, with the id ``run``, or a fresh one."""
        return cls(
            unit=unit,
            part=setup.part.model.part.name,
            bench=setup.bench.model.bench.name,
            sequence=setup.sequence.model.sequence.name,
            operator=operator,
            began=began,
            tool_version=tool_version,
            texts=RunTexts.of(setup),
            kind=kind,
            id=run or str(uuid4()),
        )


@dataclass(frozen=True, slots=True)
class RunLine:
    """A run as the list of runs shows it; ``done`` of ``total`` conditions are complete."""

    id: str
    unit: str
    part: str
    bench: str
    sequence: str
    operator: str
    state: RunState
    began: datetime
    ended: datetime | None
    tool_version: str
    done: int
    total: int
    kind: RunKind = "unit"


@dataclass(frozen=True, slots=True)
class InstrumentRecord:
    """An instrument as it identified itself at one place of the bench."""

    place: str
    resource: str
    driver: str
    maker: str
    model: str
    serial: str
    firmware: str
    calibration_due: date | None


@dataclass(frozen=True, slots=True)
class PlannedCondition:
    """A condition of a run's plan, complete or not.

    Attributes:
        number: Place in run order, from 0.
        condition: The swept values.
        completed: When its readings were committed; None while it is still to be done.
        flag: What a reader of its readings must know, e.g. that the soak timed out; empty for none.
        skipped: Why it was left out, its instruments having failed in every attempt; empty if it was not.
    """

    number: int
    condition: Condition
    completed: datetime | None
    flag: str
    skipped: str = ""


@dataclass(frozen=True, slots=True)
class ExchangeChunk:
    """Exchanges that were committed together.

    Attributes:
        number: Place in the recording, from 0.
        condition: Number of the condition they belong to; None for bring-up, soak and shut-down.
        exchanges: In the order in which they happened.
    """

    number: int
    condition: int | None
    exchanges: tuple[Exchange, ...]


@dataclass(frozen=True, slots=True)
class SessionRecord:
    """A session of a run as it begins.

    Attributes:
        began: When its clock stood at 0, UTC; times of its exchanges count from there.
        tool_version: Version of this tool.
        kind: Whether it began the run or went on with it.
        recording: How much of what it hears is kept.
        options: What it was asked for beyond the run's files, by name: ``rechecks``, numbers of conditions to measure
            once more; ``accepted``, changes that somebody has accepted, in words; ``planned_s``, how long what is left
            should take.
    """

    began: datetime
    tool_version: str
    kind: SessionKind
    recording: RecordingLevel = "whole"
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class RecordedSession:
    """A session of a run with its recording.

    Attributes:
        number: Place among the run's sessions, from 1.
        record: How it began. Of one from before sessions were kept, as far as the run's events tell.
        done: Numbers of the conditions that were complete when it began.
        chunks: Its recording, in the order of its commits; read anew at each call, so the store must be open.
    """

    number: int
    record: SessionRecord
    done: frozenset[int]
    chunks: Callable[[], Iterator[ExchangeChunk]]

    @property
    def exchanges(self) -> tuple[Exchange, ...]:
        """Everything it heard, in order; see ``bench.recording`` for what is no exchange with an instrument."""
        return tuple(exchange for chunk in self.chunks() for exchange in chunk.exchanges)


@dataclass(frozen=True, slots=True)
class RecordingSize:
    """How long a run's recording is.

    Attributes:
        exchanges: Exchanges with instruments, and whatever else it heard.
        bytes: What they take in the store.
    """

    exchanges: int
    bytes: int


@dataclass(frozen=True, slots=True)
class Derivation:
    """A result that other inputs than the run's own gave, or another version of the tool.

    Attributes:
        run: Id of the run.
        number: From 1, in the order in which they were noted.
        at: When, UTC.
        tool_version: Version that derived it.
        operator: Who asked for it; empty if not told.
        inputs: What was other than the run's own, as ``bench.inputs`` keeps it; empty for nothing.
        decision: Worst of all limits.
        digest: SHA-256 of summary.json, hexadecimal.
    """

    run: str
    number: int
    at: datetime
    tool_version: str
    operator: str
    inputs: Mapping[str, Any]
    decision: str
    digest: str
