"""The only place that builds real clocks, links, drivers and rigs from the files.

The simulated bench and the real one go the same way and run the same driver code: they differ in the VISA library and
in the resource strings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from bench.clocks import RealClock, ScaledClock, SimulatedClock
from bench.code_lines import with_latches
from bench.deviating import deviations_of, own_folder, table_faults
from bench.hearing import NotedClock
from bench.modbus import open_chamber, served
from bench.places import ROLE_OF_PLACE, Places
from bench.recording import ExchangeLog
from drivers.catalogue import CatalogueError, DriverClass, driver_class
from drivers.deviations import Deviations
from drivers.errors import InstrumentError, NotThere
from drivers.link import Link, LinkSettings, SerialLine
from drivers.messages import Exchange, Messages
from drivers.own_drivers import importable_from
from drivers.timing import Clock
from drivers.visa import open_resource, resource_manager
from sequences.bench_file import Bench, CodePortEntry, SupplyEntry
from sequences.chamber_entry import MODBUS
from sequences.deviation_file import DeviationTable
from sequences.errors import FileFaults
from sequences.instrument_entry import InstrumentEntry
from sequences.part_file import Part
from sequences.read_files import Loaded, deviation_gaps, deviation_tables, register_table

if TYPE_CHECKING:
    import pyvisa

    from drivers.simulated.front_end import FrontEnd
    from drivers.simulated.rig import Rig


#: An instrument that has let its time-out pass is waited for no longer than this when it is asked why: until then
#: everything is still on. Ours: what can answer at all does so within a second.
WHY_WITHIN_S = 2.0


@dataclass(frozen=True, slots=True)
class Seat:
    """An open line at a place, and how its driver is made.

    Attributes:
        place: Place on the bench.
        entry: What the bench file says of it.
        link: The open line.
        make: The driver's class.
        deviations: Where the instrument's words differ.
        clock: Clock that dates the exchanges.
        waits: Clock that the line waits on and decides by; None for ``clock``.
    """

    place: str
    entry: InstrumentEntry
    link: Link
    make: DriverClass
    deviations: Deviations | None
    clock: Clock
    waits: Clock | None = None

    def messages(self, note: Callable[[Exchange], None]) -> Messages:
        """New messages over the line; each exchange goes to ``note``."""
        within_s = min(WHY_WITHIN_S, self.entry.timeout_s)
        return Messages(self.link, self.place, self.clock, note, self.deviations, within_s, self.waits)

    def driver(self, note: Callable[[Exchange], None]) -> Any:
        """A new driver, wired as the bench file says; sends nothing."""
        return self.driver_on(self.messages(note))

    def driver_on(self, messages: Messages) -> Any:
        """The same on messages that are there already."""
        # Any: ``driver_class`` has checked that each driver has its role's methods.
        made: Any = self.make(messages)
        if isinstance(self.entry, SupplyEntry) and self.entry.output is not None:
            made.use_output(self.entry.output)
        return with_latches(made, self.entry) if isinstance(self.entry, CodePortEntry) else made


@dataclass(frozen=True, slots=True)
class OpenBench:
    """Instruments that have been opened, and the clock that they live by.

    Attributes:
        places: Drivers by place.
        clock: The run's clock, which ticks with the log.
        log: Every exchange since it was last taken, and each wait.
        rig: The simulated rig, whose truth tests may ask for; None on a real bench.
        gaps: What tables of deviations leave unchecked, in clauses, by place.
        seats: Lines and classes by place, for who wants a driver of his own beside those of ``places``.
    """

    places: Places
    clock: NotedClock
    log: ExchangeLog
    rig: Rig | None
    gaps: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    seats: Mapping[str, Seat] = field(default_factory=dict)


def clock_of(bench: Bench, goes_on_from: datetime | None = None) -> Clock:
    """A new clock as the bench file asks for it; one that is not real starts as given, where the file says, or now."""
    if bench.bench.clock == "real":
        return RealClock()
    starts = goes_on_from
    if starts is None and bench.simulation is not None:
        starts = bench.simulation.starts
    if bench.bench.speed is not None:
        return ScaledClock(bench.bench.speed, starts)
    return SimulatedClock(RealClock().now() if starts is None else starts)


Missing = dict[str, InstrumentError]


@contextmanager
def open_bench(
    loaded: Loaded[Bench],
    part: Part,
    unit: str,
    *,
    missing: Missing | None = None,
    goes_on_from: datetime | None = None,
    through: bool = False,
) -> Iterator[OpenBench]:
    """Open every instrument of a bench; close them at the end.

    A simulated bench gets ``unit``, a specimen of ``part``, or a through; a real one has whatever a person put there.
    Opening sends nothing. Raises InstrumentError for the first instrument that cannot be opened; where ``missing`` is
    given, each such place is noted there instead and left empty. A simulated clock starts at ``goes_on_from`` where
    that is given, so that a resumed night does not happen before its beginning.
    """
    bench = loaded.model
    true = clock_of(bench, goes_on_from)
    log = ExchangeLog()
    clock = NotedClock(true, log)
    rig: Rig | None = None
    with ExitStack() as stack:
        modbus_at: int | None = None
        if bench.is_in_process:
            rig, ends, manager = _simulated(loaded, part, unit, true, through=through)
            modbus_at = stack.enter_context(served(bench.instrument.chamber, ends))
        else:
            manager = resource_manager(bench.bench.visa_library)
        stack.callback(manager.close)
        seats: dict[str, Seat] = {}
        stack.callback(_close, seats)
        stack.enter_context(importable_from(own_folder(loaded)))
        modbus = _modbus_chamber(loaded, clock, log, stack, modbus_at, missing)

        def open_line(place: str, entry: InstrumentEntry) -> Link:
            return open_resource(manager, entry.resource, entry.timeout_s, link_settings(entry))

        places = take_seats(loaded, open_line, clock, log, seats, missing, modbus)
        yield OpenBench(places, clock, log, rig, deviation_gaps(loaded), seats)


def _close(seats: Mapping[str, Seat]) -> None:
    for seat in seats.values():
        seat.link.close()


def _modbus_chamber(
    loaded: Loaded[Bench],
    clock: NotedClock,
    log: ExchangeLog,
    stack: ExitStack,
    at: int | None,
    missing: Missing | None,
) -> dict[str, Any]:
    """The chamber by its place if it speaks Modbus; nothing else does."""
    entry, table = loaded.model.instrument.chamber, register_table(loaded)
    if entry is None or table is None:
        return {}
    try:
        chamber, line = open_chamber(entry, table.model, clock.true, log.note, at)
    except NotThere as error:
        if missing is None:
            raise
        missing["chamber"] = error
        return {}
    stack.callback(line.close)
    return {"chamber": chamber}


def _simulated(
    loaded: Loaded[Bench], part: Part, unit: str, clock: Clock, *, through: bool
) -> tuple[Rig, dict[str, FrontEnd], pyvisa.ResourceManager]:
    from bench.simulated_bench import rig_setup
    from drivers.simulated.front_ends import front_ends
    from drivers.simulated.pyvisa_bridge import simulated_manager
    from drivers.simulated.rig import Rig

    rig = Rig(rig_setup(part, loaded, unit, through=through), clock)
    ends = front_ends(rig)
    entries = loaded.model.instrument.present
    spoken_to = {place: entry for place, entry in entries.items() if entry.driver != MODBUS}
    return rig, ends, simulated_manager({entry.resource: ends[place] for place, entry in spoken_to.items()})


def take_seats(
    loaded: Loaded[Bench],
    open_line: Callable[[str, InstrumentEntry], Link],
    clock: NotedClock,
    log: ExchangeLog,
    seats: dict[str, Seat],
    missing: Missing | None,
    modbus: Mapping[str, Any],
) -> Places:
    """Put a driver on each place of a bench, over the line that ``open_line`` opens there, and note it in ``seats``.

    ``modbus`` holds the driver of a chamber that speaks that. Raises, or notes in ``missing``, as ``open_bench`` does.
    """
    # Any: dataclass fields by name; ``driver_class`` has checked that each driver has its role's methods.
    drivers: dict[str, Any] = dict(modbus)
    bench, tables = loaded.model, deviation_tables(loaded)
    for place, entry in bench.instrument.present.items():
        if entry.driver == MODBUS and place == "chamber":
            continue
        try:
            make = _driver_class(loaded, place, entry)
            deviations = _deviations(tables.get(place), make, place, entry)
            link = open_line(place, entry)
        except InstrumentError as error:
            # A link knows its address, and only here the place is known.
            error.instrument = place
            if missing is None:
                raise
            missing[place] = error
            continue
        seats[place] = Seat(place, entry, link, make, deviations, clock.true, clock)
        drivers[place] = seats[place].driver(log.note)
    return Places(**drivers)


_TERMINATORS = {"LF": b"\n", "CR LF": b"\r\n", "CR": b"\r"}


def link_settings(entry: InstrumentEntry) -> LinkSettings:
    """What an entry of the bench file says about the line, as the link takes it."""
    line = entry.serial_line
    return LinkSettings(
        open_timeout_s=entry.open_timeout_s,
        terminator=_TERMINATORS[entry.terminator],
        reply_terminator=None if entry.reply_terminator is None else _TERMINATORS[entry.reply_terminator],
        serial_line=SerialLine() if line is None else SerialLine(**line.model_dump()),
    )


def _deviations(
    table: Loaded[DeviationTable] | None, make: DriverClass, place: str, entry: InstrumentEntry
) -> Deviations | None:
    """A table for the message layer. Raises NotThere for one that must not be used with the driver."""
    if table is None:
        return None
    for fault in table_faults(table, make, entry.driver):
        raise NotThere(str(fault), instrument=place, resource=entry.resource) from FileFaults([fault])
    return deviations_of(table.model)


def _driver_class(loaded: Loaded[Bench], place: str, entry: InstrumentEntry) -> DriverClass:
    try:
        return driver_class(ROLE_OF_PLACE[place], entry.driver, own_folder(loaded))
    except CatalogueError as error:
        raise NotThere(str(error), instrument=place, resource=entry.resource) from error
