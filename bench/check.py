"""Looking at a bench without switching anything on: who answers, how each stands, what is due, how fast the lines are.

Every instrument is asked for its identity, its error queue is read, and the harmless queries of its role are put. What
was asked and what it said is returned for each, so that a person can act on it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from statistics import median

from bench.advice import advice
from bench.assemble import Missing, OpenBench
from bench.clocks import RealClock
from bench.harmless import queries_of
from bench.places import ROLE_OF_PLACE
from drivers.errors import InstrumentError, LinkLost, NotThere, TimedOut
from drivers.messages import Exchange
from drivers.roles import Identity, Instrument
from sequences.bench_file import Bench
from sequences.instrument_entry import InstrumentEntry

#: A calibration that ends within this many days is worth a word before a long run.
SOON_DAYS = 30

#: How often the identity is asked to time a line: enough for a median that one slow reply does not move.
TIMED_REPEATS = 5

#: After these an instrument is asked no more: each further question would wait for its time-out too.
_GONE = (NotThere, TimedOut, LinkLost)

#: What stands for a serial number that an instrument does not know (IEEE 488.2, 10.14).
_NO_SERIAL = ("", "0")


@dataclass(frozen=True, slots=True)
class Answer:
    """One question and what came back: the reading in words, or the failure."""

    asked: str
    said: str
    failed: bool = False


@dataclass(frozen=True, slots=True)
class Calibration:
    """When a calibration ends.

    Attributes:
        due: Its last day; None if the bench file does not say.
        state: ``"none"`` is for what has no accuracy, and so nothing that could be calibrated.
        days_left: Days until ``due``, negative when it is past.
    """

    state: str
    due: date | None = None
    days_left: int = 0

    @property
    def warning(self) -> str:
        """What a person must know; empty while the calibration holds for long enough."""
        if self.due is None:
            return "no calibration date in the bench file" if self.state == "no date" else ""
        if self.state == "past due":
            return f"CALIBRATION PAST DUE since {self.due.isoformat()}"
        return f"calibration due {self.due.isoformat()}, in {self.days_left} days" if self.state == "soon" else ""


@dataclass(frozen=True, slots=True)
class LinkTime:
    """How long the identity query took in real time, over ``repeats``; s."""

    median_s: float
    worst_s: float
    repeats: int


@dataclass(frozen=True, slots=True)
class Finding:
    """What one instrument answered.

    Attributes:
        place: Place on the bench.
        resource: Resource string.
        driver: Driver as the bench file names it.
        answer: Its identity, or what went wrong.
        works: Whether it answered everything that was asked, as expected.
        answers: What else was asked, in order.
        warnings: What a person should know.
        advice: What would be right, for one that does not work.
        calibration: When it is due.
        link: Time of the line; None where the instrument did not answer, or is simulated in this process.
        exchanges: Every message and reply.
    """

    place: str
    resource: str
    driver: str
    answer: str
    works: bool
    calibration: Calibration
    answers: tuple[Answer, ...] = ()
    warnings: tuple[str, ...] = ()
    advice: str = ""
    link: LinkTime | None = None
    exchanges: tuple[Exchange, ...] = field(default=(), repr=False)

    @property
    def role(self) -> str:
        """Role of its place."""
        return ROLE_OF_PLACE[self.place]


def check_bench(bench: Bench, opened: OpenBench, missing: Missing) -> tuple[Finding, ...]:
    """Look at every instrument of an open bench, and name those that are ``missing``; never raises for one of them."""
    drivers = dict(opened.places.present())
    look = _Look(bench, opened)
    return tuple(
        look.of_missing(place, entry, missing[place]) if place in missing else look.at(place, entry, drivers[place])
        for place, entry in bench.instrument.present.items()
    )


class _Look:
    """Looks at one instrument after the other."""

    def __init__(self, bench: Bench, opened: OpenBench) -> None:
        self._bench = bench
        self._log = opened.log
        self._gaps = opened.gaps
        self._today = opened.clock.now().date()
        self._place_of_serial: dict[str, str] = {}
        entries = bench.instrument.present
        self._expected_at = {entry.serial: place for place, entry in entries.items() if entry.serial is not None}
        self._expected_often = Counter(entry.serial for entry in entries.values())

    def of_missing(self, place: str, entry: InstrumentEntry, error: InstrumentError) -> Finding:
        """What is known of one that could not be opened."""
        return self._broken(place, entry, error, (), ())

    def at(self, place: str, entry: InstrumentEntry, instrument: Instrument) -> Finding:
        """Ask one instrument."""
        self._log.take()
        answers: list[Answer] = []
        warnings: list[str] = []
        try:
            identity = instrument.identify()
            link = None if self._bench.is_in_process else _timed(instrument)
            warnings += [f"queue held {item.number}, {item.text!r}" for item in instrument.drain_errors()]
            answers.append(Answer("error queue", f"{len(warnings)} old entries, read out" if warnings else "empty"))
        except InstrumentError as error:
            return self._broken(place, entry, error, tuple(answers), tuple(warnings))
        told = tuple(self._ask(place, entry, instrument, warnings))
        wrong = tuple(self._identity_warnings(place, entry, identity))
        calibration = calibration_of(entry, self._today)
        return Finding(
            place=place,
            resource=entry.resource,
            driver=entry.driver,
            answer=_identity_text(identity),
            works=not wrong and not any(answer.failed for answer in told),
            calibration=calibration,
            answers=(*answers, *told),
            warnings=(
                *wrong,
                *self._twice(place, identity),
                *warnings,
                *(f"by its table of deviations, {gap}" for gap in self._gaps.get(place, ())),
                *filter(None, (calibration.warning,)),
            ),
            link=link,
            exchanges=tuple(self._log.take()),
        )

    def _ask(self, place: str, entry: InstrumentEntry, instrument: Instrument, warnings: list[str]) -> Iterator[Answer]:
        for query in queries_of(place):
            try:
                told = query.ask(instrument, entry)
            except InstrumentError as error:
                yield Answer(query.asked, str(error), failed=True)
                if isinstance(error, _GONE):
                    return
            except Exception as error:  # noqa: BLE001 - a mistake in one driver must not keep the rest from being seen
                yield Answer(query.asked, f"a mistake in its driver: {type(error).__name__}: {error}", failed=True)
            else:
                if told.warning:
                    warnings.append(told.warning)
                yield Answer(query.asked, told.text)

    def _broken(
        self,
        place: str,
        entry: InstrumentEntry,
        error: InstrumentError,
        answers: tuple[Answer, ...],
        warnings: tuple[str, ...],
    ) -> Finding:
        calibration = calibration_of(entry, self._today)
        sent = f"to {error.message!r}: " if error.message else ""
        return Finding(
            place=place,
            resource=entry.resource,
            driver=entry.driver,
            answer=sent + error.problem,
            works=False,
            calibration=calibration,
            answers=answers,
            warnings=(*warnings, *filter(None, (calibration.warning,))),
            advice=advice(error, entry),
            exchanges=tuple(self._log.take()),
        )

    def _identity_warnings(self, place: str, entry: InstrumentEntry, identity: Identity) -> Iterator[str]:
        if entry.serial is None or entry.serial == identity.serial:
            return
        yield f"the bench file expects serial {entry.serial}"
        other = self._expected_at.get(identity.serial)
        if other is not None and other != place and self._expected_often[identity.serial] == 1:
            yield f"{identity.serial} is what it expects at {other}: have the two changed places, or addresses?"

    def _twice(self, place: str, identity: Identity) -> Iterator[str]:
        """Two addresses of one instrument would be two lines to it, and each takes the other's replies."""
        if identity.serial in _NO_SERIAL:
            return
        whole = _identity_text(identity)
        first = self._place_of_serial.setdefault(whole, place)
        if first != place:
            yield f"the same instrument answers at {first}: one of the two addresses is wrong"


def _timed(instrument: Instrument) -> LinkTime:
    """Time of the identity query, asked again: it is repeatable, and every driver has it."""
    watch = RealClock()
    times_s = []
    for _ in range(TIMED_REPEATS):
        began_s = watch.elapsed_s()
        instrument.identify()
        times_s.append(watch.elapsed_s() - began_s)
    return LinkTime(median(times_s), max(times_s), TIMED_REPEATS)


def _identity_text(identity: Identity) -> str:
    return f"{identity.maker} {identity.model}, serial {identity.serial}, firmware {identity.firmware}"


def calibration_of(entry: InstrumentEntry, today: date) -> Calibration:
    """How a calibration stands on a day; the due day itself is not past due."""
    if entry.calibration_due is None:
        # Relays and logic lines have no accuracy, and nothing that could be calibrated.
        return Calibration("no date" if "accuracy" in type(entry).model_fields else "none")
    left = (entry.calibration_due - today).days
    state = "past due" if left < 0 else "soon" if left <= SOON_DAYS else "valid"
    return Calibration(state, entry.calibration_due, left)
