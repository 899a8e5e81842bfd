"""A recording as a small text file: JSON Lines, for a driver's author to keep beside the driver's test.

The first line is a header: ``nightbench recording`` with the form's version, and who and what was recorded. Each
further line is one exchange, a list: condition or null, instrument, number, when (s), message sent, reply or null, how
long it took (s), failure or null. Messages and replies are text of printable ASCII, with ``\\n``, ``\\r``, ``\\t``,
``\\\\`` and ``\\xhh`` for the rest, before JSON has its own way with the backslash.

    driver = RelayBox(recorded_messages("relay-box.recording.jsonl", "load_switch"))
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from drivers.conversation import Exchange
from drivers.messages import Messages
from drivers.printable import from_printable, printable
from drivers.recorded import RecordedLink
from drivers.score import Score

#: Version of the form; a reader takes this one and those before.
FORM = 1

#: Key of the header that says what the file is, and holds the version of its form.
KIND = "nightbench recording"


class NotARecording(ValueError):
    """A file is no recording of this form; the text says which line, and why."""


@dataclass(frozen=True, slots=True)
class RecordingFile:
    """What such a file holds.

    Attributes:
        header: What was recorded: names, version of the tool, when.
        exchanges: In order.
        conditions: Of each exchange the number of its condition; None for none.
    """

    header: Mapping[str, Any]
    exchanges: tuple[Exchange, ...]
    conditions: tuple[int | None, ...] = field(repr=False)

    def of(self, instrument: str) -> tuple[Exchange, ...]:
        """The exchanges with one instrument. Raises NotARecording if there is none."""
        found = tuple(one for one in self.exchanges if one.instrument == instrument)
        if not found:
            known = ", ".join(dict.fromkeys(one.instrument for one in self.exchanges))
            raise NotARecording(f"nothing of {instrument!r} in this recording; it has {known}")
        return found


def recorded_messages(file: Path | str, instrument: str) -> Messages:
    """Messages to one instrument of a recording, for a driver that is to be tested.

    What the driver sends must be what was sent then, in that order, or RecordingDiffers is raised; it receives what
    came then, and meets the same failures. Nothing is waited for. Raises NotARecording, or OSError.
    """
    line = recorded_line(read_recording(Path(file).read_text("utf-8")), instrument)
    return Messages(line, instrument, JumpingClock())


def recorded_line(recording: RecordingFile, instrument: str) -> RecordedLink:
    """The line below that, for who wants it alone. Raises NotARecording."""
    return RecordedLink(Score(recording.of(instrument)), instrument)


class JumpingClock:
    """A clock on which a wait takes no time."""

    def __init__(self) -> None:
        self._elapsed_s = 0.0

    def now(self) -> datetime:
        """Some day, and what has been waited since."""
        return datetime(2000, 1, 1, tzinfo=UTC) + timedelta(seconds=self._elapsed_s)

    def elapsed_s(self) -> float:
        """What has been waited."""
        return self._elapsed_s

    def sleep(self, duration_s: float) -> None:
        """Jump ahead."""
        self._elapsed_s += max(duration_s, 0.0)


def read_recording(text: str) -> RecordingFile:
    """The recording of a file's text. Raises NotARecording."""
    lines = text.split("\n")  # and at nothing else that a text of Unicode may break at
    header = _header(lines[0] if lines else "")
    rows = [_row(number, line) for number, line in enumerate(lines[1:], 2) if line.strip()]
    return RecordingFile(header, tuple(one for one, _ in rows), tuple(condition for _, condition in rows))


def recording_text(header: Mapping[str, Any], rows: Iterable[tuple[int | None, Exchange]]) -> str:
    """Text of a recording; ``rows`` are exchanges with the number of their condition."""
    lines = [json.dumps({KIND: FORM, **header}, ensure_ascii=False)]
    for condition, one in rows:
        received = None if one.received is None else printable(one.received)
        times = round(one.at_s, 6), round(one.duration_s, 6)
        values = condition, one.instrument, one.number, times[0], printable(one.sent), received, times[1], one.error
        lines.append(json.dumps(values))
    return "\n".join(lines) + "\n"


def _header(line: str) -> Mapping[str, Any]:
    try:
        header = json.loads(line)
    except json.JSONDecodeError as error:
        raise NotARecording(f"line 1 is no header: {error}") from error
    if not isinstance(header, dict) or KIND not in header:
        raise NotARecording(f"line 1 is no header: it lacks {KIND!r}")
    if header[KIND] not in range(1, FORM + 1):
        raise NotARecording(f"form {header[KIND]!r} is not known here, only up to {FORM}; update nightbench")
    return header


def _row(number: int, line: str) -> tuple[Exchange, int | None]:
    try:
        values: SequenceOf[Any] = json.loads(line)
        condition, instrument, count, at_s, sent, received, duration_s, error = values
        reply = None if received is None else from_printable(received)
        return Exchange(count, instrument, at_s, from_printable(sent), reply, duration_s, error), condition
    except (ValueError, TypeError, AttributeError) as fault:
        raise NotARecording(f"line {number} is no exchange: {fault}") from fault
