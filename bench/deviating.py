"""Tables of deviations meet drivers: what a table means for the driver of its place, and what it must not do.

Rule: a table translates. It must not take away what makes the bench safe, and it must not speak of headers that the
driver never sends, as a misspelt one would silently change nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from bench.places import ROLE_OF_PLACE
from drivers.catalogue import CatalogueError, DriverClass, driver_class
from drivers.deviations import (
    ERROR_QUEUE,
    EVENT_REGISTER,
    IDENTITY,
    TO_EVERY_INSTRUMENT,
    WITHOUT,
    BlockForm,
    Completion,
    Deviation,
    Deviations,
)
from drivers.sent_headers import SentHeaders, sent_by
from sequences.bench_file import Bench
from sequences.chamber_entry import MODBUS, ChamberEntry
from sequences.deviation_file import CompletionEntry, DeviationTable, HeaderEntry
from sequences.errors import FileFault, nearest_word
from sequences.instrument_entry import InstrumentEntry
from sequences.read_files import Loaded, deviation_tables

#: Header that switches an output, of whatever role.
OUTPUT = ":OUTP:STAT"


def deviations_of(table: DeviationTable) -> Deviations:
    """A table as the message layer takes it."""
    facts = table.deviations
    headers = {name: _deviation(entry) for name, entry in table.header.items()}
    for name, query in (
        (IDENTITY, facts.identity),
        (EVENT_REGISTER, facts.event_register),
        (ERROR_QUEUE, facts.error_queue),
    ):
        if query is False:
            headers[name] = Deviation(not_asked=True, assume=WITHOUT[name])
        elif query is not True:
            headers[name] = Deviation(ask=query, is_identity=name == IDENTITY)
    return Deviations(headers, _completion(facts.operation_complete), facts.gap_s)


def bench_faults(bench: Loaded[Bench]) -> tuple[FileFault, ...]:
    """Drivers that a bench file names and that cannot be had, and tables that do not fit them."""
    folder = own_folder(bench)
    if folder is not None and not folder.is_dir():
        return (FileFault("no file", str(bench.path), "[bench]", "drivers", problem=f"there is no folder {folder}"),)
    tables = deviation_tables(bench)
    faults: list[FileFault] = []
    for place, entry in bench.model.instrument.present.items():
        where = f"[instrument.{place}]"
        if isinstance(entry, ChamberEntry) and entry.driver == MODBUS:
            continue  # it has a register table instead, and one driver
        try:
            made = driver_class(ROLE_OF_PLACE[place], entry.driver, folder)
        except CatalogueError as error:
            faults.append(FileFault("not allowed", str(bench.path), where, "driver", problem=str(error)))
            continue
        if place in tables:
            faults += _entry_faults(str(bench.path), where, entry, tables[place].model)
            faults += table_faults(tables[place], made, entry.driver)
    return tuple(dict.fromkeys(faults))


def not_read_back(bench: Loaded[Bench]) -> frozenset[str]:
    """Places of which nobody can ask whether their output is on, by their tables: the word last sent is answered."""
    return frozenset(
        place
        for place, table in deviation_tables(bench).items()
        for name, entry in table.model.header.items()
        if name.removesuffix("?") == OUTPUT and entry.not_asked
    )


def own_folder(bench: Loaded[Bench]) -> Path | None:
    """The folder of own drivers that a bench file names, as a path; None if it names none."""
    named = bench.model.bench.drivers
    return None if named is None else (bench.path.parent / named).absolute()


def table_faults(table: Loaded[DeviationTable], made: DriverClass, word: str) -> Iterator[FileFault]:
    """What a table says that does not fit a driver, named ``word`` in the bench file."""
    file = str(table.path)
    sent = sent_by(made)
    if sent is None:
        problem = f"driver {word!r} has words of its own; a table of deviations is for this project's drivers"
        yield FileFault("contradiction", file, problem=problem)
        return
    known = (*sorted(sent.every), *TO_EVERY_INSTRUMENT)
    for name, entry in table.model.header.items():
        where = f'[header."{name}"]'
        if name not in known and f"{name}?" not in known:
            problem = f"driver {word!r} never sends this header"
            yield FileFault("unknown key", file, where, problem=problem, nearest=_nearest(name, known))
            continue
        yield from (FileFault("contradiction", file, where, problem=text) for text in _misfits(name, entry, sent))
        if name in TO_EVERY_INSTRUMENT and not _plain_facts(table.model, name):
            problem = "[deviations] says already what is asked instead of it"
            yield FileFault("key twice", file, where, problem=problem)


def _misfits(name: str, entry: HeaderEntry, sent: SentHeaders) -> Iterator[str]:
    command = name.removesuffix("?")
    if name in TO_EVERY_INSTRUMENT:
        if entry.missing:
            yield "say so in [deviations]: identity, event_register or error_queue = false"
        return
    if name in sent.safe and entry.not_sent:
        yield (
            "it cannot be missing: it is what makes the instrument safe, and without it a run could not take the "
            "energy away. If the instrument has other words for it, say them with send; if it cannot do it at all, "
            "another instrument is needed at this place"
        )
    carries_value = f"{command}?" in sent.every and command in sent.every
    if carries_value and entry.messages is not None and not any("{value}" in text for text in entry.messages):
        yield "send must hold {value}, or every value would be sent as the same"
    if "#" in name and entry.messages is not None and not any("{number}" in text for text in entry.messages):
        yield "send must hold {number}, or every number would be sent as the same"
    if entry.not_asked and entry.assume is None and command not in sent.every:
        yield "the driver never sets it, so no value was sent last: say what to assume"
    if name.endswith("?") and (entry.send is not None or entry.missing == "send"):
        yield f"it is a query; what is sent belongs under {command}"


def _entry_faults(file: str, where: str, entry: InstrumentEntry, table: DeviationTable) -> Iterator[FileFault]:
    if entry.serial is not None and not table.has_identity:
        problem = f"it cannot be checked, as {entry.deviations} says that the instrument has no identity: leave it out"
        yield FileFault("contradiction", file, where, "serial", problem=problem)


def _plain_facts(table: DeviationTable, name: str) -> bool:
    facts = table.deviations
    return {IDENTITY: facts.identity, EVENT_REGISTER: facts.event_register, ERROR_QUEUE: facts.error_queue}[
        name
    ] is True


def _nearest(name: str, known: Iterable[str]) -> str:
    found = nearest_word(name, known)
    return f'"{found}"' if found else ""


def _deviation(entry: HeaderEntry) -> Deviation:
    block = entry.block
    return Deviation(
        send=entry.messages,
        ask=entry.ask,
        scale=entry.scale,
        decimals=entry.decimals,
        words=entry.words,
        reads=entry.reads,
        field=entry.field,
        prefix=entry.prefix,
        unit=entry.unit,
        pattern=entry.pattern or "",
        not_sent=entry.not_sent,
        not_asked=entry.not_asked,
        assume=entry.assume,
        settle_s=entry.settle_s,
        block=None if block is None else BlockForm(block.form, block.bits, block.order),
    )


def _completion(entry: CompletionEntry | str) -> Completion:
    if not isinstance(entry, CompletionEntry):
        return Completion()
    if entry.ask is None:
        return Completion(joined=False, wait_s=entry.wait_s)
    return Completion(entry.ask, False, entry.mask, entry.done, entry.every_s)
