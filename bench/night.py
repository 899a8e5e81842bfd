"""Starting and resuming runs: the one place where files, bench, store and runner meet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.assemble import OpenBench, open_bench
from bench.book import StoreBook
from bench.events import Listener
from bench.plan import Plan, acquisition_for, make_plan, plan_for
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
        record = RunRecord.of(setup, unit=unit, operator=operator, began=bench.clock.now(), tool_version=tool_version())
        book = StoreBook(store.begin_run(record), setup, bench.clock)
        book.plan(plan.conditions, plan.hazards)
        on_begin(record.id, plan)
        _run(Job(record.id, setup, acquisition_for(setup), plan.conditions), bench, book, listener, stop)
        return Night(record.id, len(plan.conditions), bench.clock.elapsed_s())


def resume_run(store: Store, run: str, listener: Listener, stop: StopSwitch, on_begin: OnBegin) -> Night:
    """Go on with a run that was stopped, tripped or cut off, with the files that it began with.

    ``on_begin`` is told the plan of what is left. Raises StoreFault if the run is done, otherwise as ``start_run``.
    """
    setup = setup_of(store, run)
    planned = store.planned_conditions(run)
    conditions = tuple(item.condition for item in planned)
    done = frozenset(item.number for item in planned if item.completed is not None)
    unit = store.run(run).unit
    # A process that was killed has noted no event since its last soak, but many conditions.
    told = [event.at for event in store.events(run)]
    last = max(told + [item.completed for item in planned if item.completed is not None], default=None)
    writer = store.reopen_run(run)
    with open_bench(setup.bench, setup.part.model, unit, goes_on_from=last) as bench:
        book = StoreBook(writer, setup, bench.clock)
        job = Job(run, setup, acquisition_for(setup), conditions, done)
        on_begin(run, plan_for(setup, tuple(condition for _, condition in job.left())))
        _run(job, bench, book, listener, stop)
        return Night(run, len(conditions), bench.clock.elapsed_s())


def _run(job: Job, bench: OpenBench, book: StoreBook, listener: Listener, stop: StopSwitch) -> None:
    Runner(job, bench.places, bench.clock, book, listener, stop, bench.log.take).run()
