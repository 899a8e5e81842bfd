"""Starting and resuming runs: the one place where files, bench, store and runner meet."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from uuid import uuid4

from bench.assemble import Missing, OpenBench, open_bench
from bench.book import StoreBook
from bench.errors import StoreFault, UnsafeBench
from bench.events import Event, Listener
from bench.job import Job, StopSwitch
from bench.locks import Holder, hold_bench, hold_run
from bench.plan import Plan, acquisition_for, make_plan, plan_for, through_plan
from bench.runner import Runner
from bench.safe_state import make_safe, unconfirmed
from bench.setups import setup_of
from bench.store.records import RunRecord
from bench.version import tool_version
from sequences.read_files import Setup
from sequences.through import NO_UNIT, WITHOUT_UNIT

if TYPE_CHECKING:
    from bench.store.store import Store


@dataclass(frozen=True, slots=True)
class Night:
    """A session that is over: the run's id, how many conditions it holds and were measured now, and the bench time."""

    run: str
    conditions: int
    measured: int
    bench_time_s: float


OnBegin = Callable[[str, Plan], None]


def start_run(
    setup: Setup, unit: str, operator: str, store: Store, listener: Listener, stop: StopSwitch, on_begin: OnBegin
) -> Night:
    """Run a sequence on a unit. Raises what ``Runner.run`` raises, after the safe state has been sought.

    ``on_begin`` is told the run's id and plan before anything is powered.
    """
    plan = make_plan(setup)
    run = str(uuid4())
    with (
        _ours(setup, run, operator) as died,
        open_bench(setup.bench, setup.part.model, unit) as bench,
    ):
        record = RunRecord.of(
            setup, unit=unit, operator=operator, began=bench.clock.now(), tool_version=tool_version(), run=run
        )
        book = StoreBook(store.begin_run(record), setup, bench.clock)
        book.plan(plan.conditions, plan.hazards)
        _say_taken_over(died, bench, book, listener)
        on_begin(record.id, plan)
        _run(Job(record.id, setup, acquisition_for(setup), plan.conditions), bench, book, listener, stop)
        return Night(record.id, len(plan.conditions), len(plan.conditions), bench.clock.elapsed_s())


def start_through(
    setup: Setup, operator: str, store: Store, listener: Listener, stop: StopSwitch, on_begin: OnBegin
) -> Night:
    """Run a sequence with a through in the unit's place; see ``start_run``.

    The whole bench is made safe first, and confirmed; then only sources, switches and analyzer are used, so that bias
    stays off. Raises FileFaults if the sources cannot give the levels without a unit's gain.
    """
    plan = through_plan(setup)
    run = str(uuid4())
    with (
        _ours(setup, run, operator) as died,
        open_bench(setup.bench, setup.part.model, NO_UNIT, through=True) as bench,
    ):
        began, version = bench.clock.now(), tool_version()
        record = RunRecord.of(
            setup, unit=NO_UNIT, operator=operator, began=began, tool_version=version, kind="through", run=run
        )
        book = StoreBook(store.begin_run(record), setup, bench.clock)
        book.plan(plan.conditions, plan.hazards)
        _say_taken_over(died, bench, book, listener)
        on_begin(record.id, plan)
        # The acquisition of a run with a unit, so that the analyzer stands as it does there.
        job = Job(record.id, plan.setup, acquisition_for(setup), plan.conditions)
        _run(job, _without_unit(bench), book, listener, stop)
        return Night(record.id, len(plan.conditions), len(plan.conditions), bench.clock.elapsed_s())


@contextmanager
def _ours(setup: Setup, run: str, operator: str) -> Iterator[tuple[Holder, ...]]:
    """Pen and bench are this run's until the end of the block. Yields who had either and died."""
    holder = Holder.here("run", run, operator)
    with hold_run(run, holder) as wrote, hold_bench(setup.bench.model, holder) as had:
        yield tuple(dict.fromkeys((*wrote, *had)))


def _say_taken_over(died: tuple[Holder, ...], bench: OpenBench, book: StoreBook, listener: Listener) -> None:
    for holder in died:
        event = Event(
            bench.clock.now(), "taken over", f"from {holder}, which did not end by itself", {"pid": holder.pid}
        )
        book.event(event)
        listener(event)


def _without_unit(bench: OpenBench) -> OpenBench:
    """The bench with what a unit needs made safe and left alone. Raises UnsafeBench."""
    left = unconfirmed(make_safe(bench.places, sleep=bench.clock.sleep))
    if left:
        raise UnsafeBench(left)
    return replace(bench, places=replace(bench.places, **dict.fromkeys(WITHOUT_UNIT)))


def resume_run(store: Store, run: str, listener: Listener, stop: StopSwitch, on_begin: OnBegin) -> Night:
    """Go on with a run that was stopped, tripped or cut off, with the files that it began with.

    ``on_begin`` is told the plan of what is left. Raises StoreFault if the run is done, otherwise as ``start_run``.
    """
    setup = setup_of(store, run)
    planned = store.planned_conditions(run)
    conditions = tuple(item.condition for item in planned)
    done = frozenset(item.number for item in planned if item.completed is not None)
    line = store.run(run)
    through = line.kind == "through"
    # A process that was killed has noted no event since its last soak, but many conditions.
    told = [event.at for event in store.events(run)]
    last = max(told + [item.completed for item in planned if item.completed is not None], default=None)
    if line.state == "done":
        raise StoreFault(f"run {run} is done; there is nothing to resume")
    if not planned:
        raise StoreFault(f"run {run} was cut off before its plan was stored; begin it anew")
    # The instruments that a through leaves alone are on the bench all the same, and are made safe.
    whole = setup_of(store, run, with_unit=True)
    missing: Missing = {}
    with open_bench(
        whole.bench, setup.part.model, line.unit, goes_on_from=last, through=through, missing=missing
    ) as bench:
        if missing:
            # A process that was killed has left everything on: what can be reached is switched off.
            first = next(iter(missing.values()))
            left = unconfirmed(make_safe(bench.places, sleep=bench.clock.sleep))
            if left:
                first.add_note(str(UnsafeBench(left, run)))
            raise first
        book = StoreBook(store.reopen_run(run), whole, bench.clock)
        job = Job(run, setup, acquisition_for(whole), conditions, done)
        on_begin(run, plan_for(setup, tuple(condition for _, condition in job.left())))
        _run(job, _without_unit(bench) if through else bench, book, listener, stop)
        return Night(run, len(conditions), len(conditions) - len(done), bench.clock.elapsed_s())


def _run(job: Job, bench: OpenBench, book: StoreBook, listener: Listener, stop: StopSwitch) -> None:
    Runner(job, bench.places, bench.clock, book, listener, stop, bench.log.take).run()
