"""Starting and resuming runs: the one place where files, bench, store and runner meet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.assemble import open_bench
from bench.book import StoreBook, texts_of
from bench.events import Listener
from bench.plan import Plan, acquisition_for, make_plan
from bench.runner import Job, Runner, StopSwitch
from bench.setups import setup_of
from bench.store.records import RunRecord
from bench.version import tool_version
from sequences.read_files import Setup

if TYPE_CHECKING:
    from bench.store.store import Store


@dataclass(frozen=True, slots=True)
class Night:
    """A run that is over: its id, how many conditions it holds, and the bench time that it took."""

    run: str
    conditions: int
    bench_time_s: float


OnBegin = Callable[[str, Plan], None]


def start_run(
    setup: Setup, unit: str, operator: str, store: Store, listener: Listener, stop: StopSwitch, on_begin: OnBegin
) -> Night:
    """Run a sequence on a unit. Raises what ``Runner.run`` raises, after the safe state has been sought.

    ``on_begin`` is told the run's id and plan before anything is powered.
    """
    plan = make_plan(setup)
    with open_bench(setup.bench, setup.part.model, unit) as bench:
        record = RunRecord(
            unit=unit,
            part=setup.part.model.part.name,
            bench=setup.bench.model.bench.name,
            sequence=setup.sequence.model.sequence.name,
            operator=operator,
            began=bench.clock.now(),
            tool_version=tool_version(),
            texts=texts_of(setup),
        )
        book = StoreBook(store.begin_run(record), setup, bench.clock)
        book.plan(plan.conditions, plan.hazards)
        on_begin(record.id, plan)
        job = Job(record.id, setup, acquisition_for(setup), plan.conditions)
        Runner(job, bench.places, bench.clock, book, listener, stop, bench.log.take).run()
        return Night(record.id, len(plan.conditions), bench.clock.elapsed_s())


def resume_run(store: Store, run: str, listener: Listener, stop: StopSwitch, on_begin: OnBegin) -> Night:
    """Go on with a run that was stopped, tripped or cut off, with the files that it began with.

    Raises StoreFault if it is done, otherwise as ``start_run``.
    """
    setup = setup_of(store, run)
    unit = store.run(run).unit
    plan = make_plan(setup)
    done = frozenset(store.done_conditions(run))
    planned = tuple(item.condition for item in store.planned_conditions(run))
    book_writer = store.reopen_run(run)
    with open_bench(setup.bench, setup.part.model, unit) as bench:
        book = StoreBook(book_writer, setup, bench.clock)
        on_begin(run, plan)
        job = Job(run, setup, acquisition_for(setup), planned, done)
        Runner(job, bench.places, bench.clock, book, listener, stop, bench.log.take).run()
        return Night(run, len(planned), bench.clock.elapsed_s())
