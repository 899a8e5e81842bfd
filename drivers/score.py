"""A recording that is played again: whoever speaks must say what was said then.

Who speaks is an instrument, or a voice that a run hears besides (see ``bench.recording``). ``Score`` holds everybody to
the order of the recording and stops at the first that differs; ``TolerantScore`` finds for each message the nearest
one of the same instrument, and keeps what differed.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass
from typing import Literal

from drivers.conversation import Exchange
from drivers.printable import printable

Kind = Literal["another", "too many", "left"]

#: How many of an instrument's exchanges a tolerant score looks ahead and back. Ours: more than a condition has.
REACH = 400


@dataclass(frozen=True, slots=True)
class Mismatch:
    """One place where what is said differs from the recording.

    Attributes:
        kind: "another": something else was recorded; "too many": nothing more was; "left": recorded, but not said.
        place: Where in the recording, from 0; its length at the end.
        instrument: Who speaks now; of what is left, who spoke then.
        sent: What it says, or said.
        recorded: What stands there; None at the end.
    """

    kind: Kind
    place: int
    instrument: str
    sent: bytes
    recorded: Exchange | None


class RecordingDiffers(BaseException):  # not an Exception: nothing that catches those may go on
    """What is said differs from the recording.

    Args:
        mismatch: Where, and what.
    """

    def __init__(self, mismatch: Mismatch) -> None:
        super().__init__(text_of(mismatch))
        self.mismatch = mismatch


def text_of(mismatch: Mismatch) -> str:
    """The two messages in one line."""
    now = f"{mismatch.instrument} {said(mismatch.sent)}"
    if mismatch.recorded is None:
        return f"sent now: {now}; the recording has ended"
    then = f"{mismatch.recorded.instrument} {said(mismatch.recorded.sent)}"
    if mismatch.kind == "left":
        return f"recorded and not sent now: {then}"
    if mismatch.kind == "too many":
        return f"sent now: {now}; not in the recording around here"
    return f"recorded: {then}; sent now: {now}"


def said(message: bytes) -> str:
    """A message for people; an empty one is a wait for the reply to one before."""
    return f"'{printable(message)}'" if message else "(waits for a reply)"


def ends_us(exchange: Exchange) -> int:
    """When an exchange was over, in whole microseconds."""
    return round((exchange.at_s + exchange.duration_s) * 1e6)


class Score:
    """A recording in strict order.

    Attributes:
        exchanges: The recording.
        front: Place of the next that nobody has said yet.
        newest: By who has spoken, what was taken last.
        stopped_at: The difference that it stopped at; None for none.

    Args:
        exchanges: The recording.
        cut: By instrument, how many leading bytes of its messages count and need not be the same.
    """

    def __init__(self, exchanges: SequenceOf[Exchange], cut: Mapping[str, int] | None = None) -> None:
        self.exchanges = exchanges
        self.front = 0
        self.newest: dict[str, Exchange] = {}
        self.stopped_at: Mismatch | None = None
        self._cut = dict(cut or {})

    @property
    def is_over(self) -> bool:
        """Whether everything has been said."""
        return self.front >= len(self.exchanges)

    def due(self, instrument: str) -> Exchange | None:
        """The next of the recording if it is for ``instrument``; None if it is for somebody else, or all is over."""
        if self.is_over or self.stopped_at is not None or self.exchanges[self.front].instrument != instrument:
            return None
        return self.exchanges[self.front]

    def take(self, instrument: str, sent: bytes) -> Exchange:
        """What was recorded when ``instrument`` was sent this. Raises RecordingDiffers, now and from now on."""
        if self.stopped_at is not None:
            raise RecordingDiffers(self.stopped_at)
        found = None if self.is_over else self.exchanges[self.front]
        if found is None or found.instrument != instrument or not self.same(instrument, found.sent, sent):
            raise self.differs("too many" if found is None else "another", instrument, sent, found)
        self.front += 1
        self.newest[instrument] = found
        return found

    def differs(self, kind: Kind, instrument: str, sent: bytes, recorded: Exchange | None) -> RecordingDiffers:
        """Stop here; makes the error to raise."""
        self.stopped_at = Mismatch(kind, self.front, instrument, sent, recorded)
        return RecordingDiffers(self.stopped_at)

    def same(self, instrument: str, recorded: bytes, sent: bytes) -> bool:
        """Whether two messages are one and the same."""
        cut = self._cut.get(instrument)
        return recorded == sent if cut is None else recorded[cut:] == sent[cut:]


class TolerantScore(Score):
    """A recording in whatever order: each message takes the nearest of its instrument that nobody has taken.

    Attributes:
        mismatches: What differed, in order.
    """

    def __init__(self, exchanges: SequenceOf[Exchange], cut: Mapping[str, int] | None = None) -> None:
        super().__init__(exchanges, cut)
        self.mismatches: list[Mismatch] = []
        self._places: dict[str, list[int]] = {}
        self._alike: dict[tuple[str, bytes], list[int]] = {}
        for place, one in enumerate(exchanges):
            own = self._places.setdefault(one.instrument, [])
            self._alike.setdefault((one.instrument, self._key(one.instrument, one.sent)), []).append(len(own))
            own.append(place)
        self._at: dict[str, int] = dict.fromkeys(self._places, 0)
        self._taken = bytearray(len(exchanges))

    @property
    def is_over(self) -> bool:
        """Whether the end of the recording has been reached."""
        return self.front >= len(self.exchanges)

    def due(self, instrument: str) -> Exchange | None:
        """The next of ``instrument`` if everything before it has been reached."""
        own = self._places.get(instrument, [])
        at = self._at.get(instrument, 0)
        while at < len(own) and self._taken[own[at]]:
            at += 1
        return self.exchanges[own[at]] if at < len(own) and own[at] <= self.front else None

    def take(self, instrument: str, sent: bytes) -> Exchange:
        """The nearest of that message; the last once more if there is none, or an empty one if there never was."""
        own, at = self._places.get(instrument, []), self._at.get(instrument, 0)
        found = self._nearest(own, self._alike.get((instrument, self._key(instrument, sent)), []), at)
        if found is None:
            recorded = self.exchanges[own[at]] if at < len(own) else None
            self.mismatches.append(Mismatch("too many", self.front, instrument, sent, recorded))
            return self._invented(instrument, sent)
        place = own[found]
        self._taken[place] = True
        self._at[instrument] = max(at, found + 1)
        self.front = max(self.front, place + 1)
        self.newest[instrument] = self.exchanges[place]
        return self.exchanges[place]

    def left(self) -> list[Mismatch]:
        """What was recorded and nobody has said."""
        return [
            Mismatch("left", place, one.instrument, one.sent, one)
            for place, (one, taken) in enumerate(zip(self.exchanges, self._taken, strict=True))
            if not taken
        ]

    def _nearest(self, own: list[int], alike: list[int], at: int) -> int | None:
        """The nearest of ``alike`` to ``at`` that is free, as numbers among the instrument's own."""
        middle = bisect_left(alike, at)
        ahead = next((one for one in alike[middle : middle + REACH] if not self._taken[own[one]]), None)
        behind = next(
            (one for one in reversed(alike[max(middle - REACH, 0) : middle]) if not self._taken[own[one]]), None
        )
        near = [one for one in (ahead, behind) if one is not None and abs(one - at) <= REACH]
        return min(near, key=lambda one: abs(one - at), default=None)

    def _invented(self, instrument: str, sent: bytes) -> Exchange:
        alike, own = self._alike.get((instrument, self._key(instrument, sent)), []), self._places.get(instrument, [])
        middle = bisect_left(alike, self._at.get(instrument, 0))
        model = self.exchanges[own[alike[max(middle - 1, 0)]]] if alike else None
        received = None if model is None else model.received
        made = Exchange(0, instrument, 0.0, sent, received, 0.0, None)
        self.newest[instrument] = made
        return made

    def _key(self, instrument: str, message: bytes) -> bytes:
        return message[self._cut.get(instrument, 0) :]
