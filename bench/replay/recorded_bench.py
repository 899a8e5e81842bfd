"""A bench whose instruments are made of a recording; drivers, tables of deviations and messages are as for any run."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from typing import Any

from bench.assemble import OpenBench, Seat, take_seats
from bench.deviating import own_folder
from bench.hearing import NotedClock
from bench.modbus import registers_of
from bench.replay.recorded_log import RecordedClock, RecordedLog
from drivers.link import Link
from drivers.own_drivers import importable_from
from drivers.score import Score
from sequences.bench_file import Bench
from sequences.chamber_entry import MODBUS
from sequences.instrument_entry import InstrumentEntry
from sequences.modbus_address import ModbusTcp, parse_modbus
from sequences.read_files import Loaded, deviation_gaps, register_table

#: Bytes before each message of Modbus/TCP that only count messages (transaction identifier).
COUNTED_BYTES = 2


def bytes_that_count(bench: Bench) -> dict[str, int]:
    """How many leading bytes of messages, by place, need not be as they were: they only count messages."""
    return {"chamber": COUNTED_BYTES} if _is_modbus_tcp(bench) else {}


def _is_modbus_tcp(bench: Bench) -> bool:
    """Whether the chamber's messages were framed as for TCP: a rig in the run's own process always answers there."""
    entry = bench.instrument.chamber
    if entry is None or entry.driver != MODBUS:
        return False
    return bench.is_in_process or isinstance(parse_modbus(entry.resource), ModbusTcp)


@contextmanager
def recorded_bench(
    loaded: Loaded[Bench], score: Score, began: datetime, *, is_silent: bool = False
) -> Iterator[OpenBench]:
    """Instruments made of a recording, on a clock that began then. Raises NotThere for a driver that cannot be had.

    ``is_silent``: the recording is of before waits were kept.
    """
    from drivers.recorded_devices import RecordedInstruments

    log = RecordedLog(score, is_silent=is_silent)
    clock = NotedClock(RecordedClock(began, log), log)
    spoken_to = {place: entry for place, entry in loaded.model.instrument.present.items() if entry.driver != MODBUS}
    instruments = RecordedInstruments(score, {place: entry.resource for place, entry in spoken_to.items()})

    def open_line(place: str, entry: InstrumentEntry) -> Link:
        return instruments.line(place)

    seats: dict[str, Seat] = {}
    with ExitStack() as stack:
        stack.callback(instruments.close)
        stack.enter_context(importable_from(own_folder(loaded)))
        places = take_seats(loaded, open_line, clock, log, seats, None, _modbus_chamber(loaded, score, clock, log))
        yield OpenBench(places, clock, log, None, deviation_gaps(loaded), seats)
        for seat in seats.values():
            seat.link.close()


def _modbus_chamber(loaded: Loaded[Bench], score: Score, clock: NotedClock, log: RecordedLog) -> dict[str, Any]:
    entry, table = loaded.model.instrument.chamber, register_table(loaded)
    if entry is None or table is None:
        return {}
    from drivers.modbus_chamber import ModbusChamber
    from drivers.recorded_modbus import RecordedModbusLine

    unit, over_tcp = parse_modbus(entry.resource).unit, _is_modbus_tcp(loaded.model)
    line = RecordedModbusLine(score, unit, "chamber", entry.resource, clock.true, log.note, over_tcp=over_tcp)
    return {"chamber": ModbusChamber(line, registers_of(table.model))}
