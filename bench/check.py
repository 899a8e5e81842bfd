"""Looking at a bench without switching anything on: who answers, what stands in the queues, what is due.

Every instrument is asked for its identity, its error queue is read, and the readings that cost nothing are taken. What
was tried and how it answered is returned for each, so that a person can act on it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date

from bench.assemble import Missing, OpenBench
from bench.clocks import RealClock
from bench.places import Places
from drivers.errors import InstrumentError
from drivers.roles import Instrument
from sequences.bench_file import Bench
from sequences.instrument_entry import InstrumentEntry

#: A calibration that ends within this many days is worth a word before a long run.
SOON_DAYS = 30


@dataclass(frozen=True, slots=True)
class Finding:
    """What one instrument answered.

    Attributes:
        place: Place on the bench.
        resource: Resource string.
        answer: Its identity, or what went wrong.
        works: Whether it answered everything that was asked, as expected.
        remarks: What a person should know: calibration, old queue entries, readings.
        link_s: Time that the identity query took on the machine's clock.
    """

    place: str
    resource: str
    answer: str
    works: bool
    remarks: tuple[str, ...]
    link_s: float


def check_bench(bench: Bench, opened: OpenBench, missing: Missing) -> tuple[Finding, ...]:
    """Look at every instrument of an open bench, and name those that are ``missing``; never raises for one of them."""
    today = opened.clock.now().date()
    readings = _harmless_readings(opened.places)
    drivers = dict(opened.places.present())
    return tuple(
        Finding(place, entry.resource, missing[place].problem, False, (), 0.0)
        if place in missing
        else _look(place, drivers[place], entry, today, readings.get(place))
        for place, entry in bench.instrument.present.items()
    )


def _look(
    place: str, instrument: Instrument, entry: InstrumentEntry, today: date, reading: Callable[[], str] | None
) -> Finding:
    watch = RealClock()
    try:
        identity = instrument.identify()
        link_s = watch.elapsed_s()
        remarks = [f"queue held {item.number}, {item.text!r}" for item in instrument.drain_errors()]
        if reading is not None:
            remarks.append(reading())
    except InstrumentError as error:
        return Finding(place, entry.resource, error.problem, False, (), watch.elapsed_s())
    answer = f"{identity.maker} {identity.model}, serial {identity.serial}"
    works = entry.serial is None or entry.serial == identity.serial
    if not works:
        remarks.insert(0, f"the bench file expects serial {entry.serial}")
    return Finding(place, entry.resource, answer, works, (*remarks, *_calibration(entry, today)), link_s)


def _calibration(entry: InstrumentEntry, today: date) -> Iterator[str]:
    if entry.calibration_due is None:
        # Relays and logic lines have no accuracy, and nothing that could be calibrated.
        if "accuracy" in type(entry).model_fields:
            yield "no calibration date in the bench file"
        return
    left = (entry.calibration_due - today).days
    if left < 0:
        yield f"CALIBRATION PAST DUE since {entry.calibration_due.isoformat()}"
    elif left <= SOON_DAYS:
        yield f"calibration due {entry.calibration_due.isoformat()}, in {left} days"


def _harmless_readings(places: Places) -> dict[str, Callable[[], str]]:
    """Queries that move nothing and need no preparation, by place."""
    readings: dict[str, Callable[[], str]] = {}
    for place, source in places.sources():
        readings[place] = lambda source=source: f"RF is {_on(source.output_is_on())}"  # type: ignore[misc]  # the default binds this turn's source
    noise_source = places.noise_source
    if noise_source is not None:
        readings["noise_source"] = lambda: f"noise is {_on(noise_source.output_is_on())}"
    network_analyzer = places.network_analyzer
    if network_analyzer is not None:
        readings["network_analyzer"] = lambda: f"RF is {_on(network_analyzer.output_is_on())}"
    supply, chamber = places.supply, places.chamber
    if supply is not None:
        readings["supply"] = lambda: f"output is {_on(supply.output_is_on())}, {supply.read_voltage_v():.3f} V"
    if chamber is not None:
        readings["chamber"] = lambda: (
            f"conditioning is {_on(chamber.conditioning_is_on())}, air {chamber.read_air_c():.1f} °C"
        )
    return readings


def _on(state: bool) -> str:
    return "on" if state else "off"
