"""What differs between a run and its replay, as data and as text, each with what a person needs to find the cause."""

from __future__ import annotations

from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

from bench.recording import VOICES
from bench.replay.sessions import Replayed
from drivers.conversation import Exchange
from drivers.printable import printable
from drivers.score import Kind, Mismatch, said
from sequences.conditions import Condition
from sequences.units import quantity_text

What = Literal[
    "message", "order", "condition", "reading", "curve", "recheck", "skipped", "instrument", "event", "state", "value",
    "decision",
]  # fmt: skip

#: How many exchanges before a difference are shown.
SHOWN_BEFORE = 3

#: Longest message that is shown whole; a sweep is thousands of bytes.
_LONGEST = 120


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that the replay says otherwise than the run.

    Attributes:
        what: What kind of thing.
        where: Which one, for people.
        recorded, replayed: What the run has, and what the replay.
        times: How often it is found so.
        condition: Number of the condition in whose course it is, from 0; None for none.
        session: Number of the session, from 1; None where that does not matter.
        instrument: Who speaks; empty for what is no message.
        number: Its number among those of this instrument; None for what is no message, or was not recorded.
        sent: The message that is sent now, or is not sent any more; empty for what is no message.
        kind: How a message differs; see ``drivers.score.Mismatch``.
        at: When, by the run's clock.
        before: The exchanges before it, oldest first.
        cause: What it may come from; empty for nothing to say.
    """

    what: What
    where: str
    recorded: str
    replayed: str
    times: int = 1
    condition: int | None = None
    session: int | None = None
    instrument: str = ""
    number: int | None = None
    sent: str = ""
    kind: Kind | None = None
    at: datetime | None = None
    before: tuple[str, ...] = ()
    cause: str = ""

    def __str__(self) -> str:
        often = f" ({self.times} times)" if self.times > 1 else ""
        lines = [f"{self.what}, {self.where}{often}", f"  recorded: {self.recorded}", f"  replayed: {self.replayed}"]
        lines += [f"  before:   {one}" for one in self.before]
        lines += [f"  likely:   {self.cause}"] if self.cause else []
        return "\n".join(lines)


def exchange_text(exchange: Exchange) -> str:
    """An exchange in one line."""
    if exchange.instrument in VOICES:
        told = "" if exchange.received is None else f" {_shortened(printable(exchange.received))}"
        return f"{exchange.instrument}: {printable(exchange.sent)}{told}"
    came = "" if exchange.received is None else f" → '{_shortened(printable(exchange.received))}'"
    failed = f" ✗ {exchange.error}" if exchange.error else ""
    return f"{exchange.instrument} #{exchange.number}: {_shortened(said(exchange.sent))}{came}{failed}"


def of_mismatch(one: Replayed, mismatch: Mismatch, conditions: SequenceOf[Condition], cause: str) -> Difference:
    """A message that differs, with where in the night that is."""
    exchanges = one.exchanges
    recorded = mismatch.recorded
    at = _time(one, mismatch.place)
    number, where = _condition_at(one, mismatch.place)
    place = f"{where} ({short_text(conditions[number])})" if number is not None else where
    night = f"session {one.session.number}, {at:%Y-%m-%d %H:%M:%S} UTC"
    replayed = "nothing, it came to its end" if mismatch.kind == "left" else _now(mismatch)
    return Difference(
        "message",
        f"{mismatch.instrument}, {place}; {night}; exchange {mismatch.place + 1} of {len(exchanges)}",
        "nothing, it has ended" if recorded is None else exchange_text(recorded),
        replayed,
        condition=number,
        session=one.session.number,
        instrument=mismatch.instrument,
        number=None if recorded is None else recorded.number,
        sent=printable(mismatch.sent),
        kind=mismatch.kind,
        at=at,
        before=tuple(map(exchange_text, exchanges[max(0, mismatch.place - SHOWN_BEFORE) : mismatch.place])),
        cause=cause,
    )


def _now(mismatch: Mismatch) -> str:
    if mismatch.instrument in VOICES:
        return f"{mismatch.instrument}: {printable(mismatch.sent)}"
    return f"{mismatch.instrument}: {_shortened(said(mismatch.sent))}"


def _time(one: Replayed, place: int) -> datetime:
    exchanges = one.exchanges
    at_s = exchanges[min(place, len(exchanges) - 1)].at_s if exchanges else 0.0
    return one.session.record.began + timedelta(seconds=at_s)


def _condition_at(one: Replayed, place: int) -> tuple[int | None, str]:
    """The condition in whose commit an exchange stands, and how that is called."""
    passed, newest = 0, None
    for chunk in one.chunks:
        passed += len(chunk.exchanges)
        if place < passed:
            if chunk.condition is not None:
                return chunk.condition, f"condition {chunk.condition}"
            break
        newest = chunk.condition if chunk.condition is not None else newest
    return None, "before the first condition" if newest is None else f"after condition {newest}, before the next"


def short_text(condition: Condition) -> str:
    """A condition in one line."""
    return (
        f"channel {condition.channel}, code {condition.gain_code}, {condition.temperature_c:g} °C, "
        f"{condition.supply_mode}, {quantity_text(condition.frequency_hz, 'Hz')}"
    )


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}… ({len(text)} characters)"


def gathered(differences: SequenceOf[Difference]) -> tuple[Difference, ...]:
    """The same with those of one instrument and message together, in order of their first."""
    found: dict[tuple[str, ...], list[Difference]] = {}
    for number, one in enumerate(differences):
        key = (one.what, one.instrument, str(one.kind), one.sent) if one.what == "message" else (one.what, str(number))
        found.setdefault(key, []).append(one)
    return tuple(replace(alike[0], times=sum(one.times for one in alike)) for alike in found.values())
