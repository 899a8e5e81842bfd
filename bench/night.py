"""Starting and resuming runs: the one place where files, bench, store and runner meet."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from uuid import uuid4

from bench.acknowledgements import NOTHING, Acknowledged, accept, with_machine
from bench.assemble import Missing, OpenBench, clock_of, open_bench
from bench.book import StoreBook
from bench.errors import HazardsRefused, RunDone, StoreFault, UnsafeBench
from bench.events import Event, Listener
from bench.guard_words import word_file, words_in
from bench.guarding import Guarded, guarded
from bench.hazard import Hazard
from bench.hearing import HeardWishes, heard_disk
from bench.interlock_rules import interlocks_of
from bench.job import Job, RunBook, StopSwitch
from bench.locks import Holder, hold_bench, hold_run
from bench.plan import Plan, acquisition_for, for_a_through, make_plan, plan_for, through_plan
from bench.rechecks import RecheckBook, chosen
from bench.resuming import Compared, Comparison
from bench.runner import Runner
from bench.safe_state import make_safe, unconfirmed
from bench.setups import setup_of
from bench.store.records import RunRecord, SessionKind, SessionRecord
from bench.version import tool_version
from sequences.read_files import Setup
from sequences.through import NO_UNIT, WITHOUT_UNIT

if TYPE_CHECKING:
    from bench.store.store import Store


@dataclass(frozen=True, slots=True)
class Night:
    """A session that is over: the run's id, how many conditions it holds and were measured now, and the bench time.

    ``skipped`` conditions were left out, as their instruments failed in every attempt.
    """

    run: str
    conditions: int
    measured: int
    bench_time_s: float
    skipped: int = 0


OnBegin = Callable[[str, Plan], None]


def start_run(
    setup: Setup,
    unit: str,
    operator: str,
    store: Store,
    listener: Listener,
    stop: StopSwitch,
    on_begin: OnBegin,
    acknowledged: tuple[str, ...] = (),
) -> Night:
    """Run a sequence on a unit. Raises what ``Runner.run`` raises, after the safe state has been sought.

    ``on_begin`` is told the run's id and plan before anything is powered. Raises HazardsRefused, with nothing opened,
    if a hazard is blocking, or not among those that ``operator`` has ``acknowledged`` by name.
    """
    plan = with_machine(make_plan(setup), store.file)
    said = Acknowledged(acknowledged, operator)
    taken = accept(plan.hazards, said)
    run = str(uuid4())
    with (
        _ours(setup, run, operator) as died,
        guarded(setup.bench.model) as guard,
        open_bench(setup.bench, setup.part.model, unit) as bench,
    ):
        record = RunRecord.of(
            setup, unit=unit, operator=operator, began=bench.clock.now(), tool_version=tool_version(), run=run
        )
        book = StoreBook(store.begin_run(record), setup, bench.clock)
        book.session(_session(bench, "start", plan))
        book.plan(plan.conditions, plan.hazards)
        _say_acknowledged(taken, said, bench, book, listener)
        _say_taken_over(died, bench, book, listener)
        on_begin(record.id, plan)
        guard.watch(setup, run, store, bench.clock.true)
        takes_s = plan.estimate.total_s
        job = Job(record.id, setup, acquisition_for(setup), plan.conditions, planned_s=takes_s, store_file=store.file)
        skipped = _run(job, bench, book, listener, stop, guard)
        count = len(plan.conditions)
        return Night(record.id, count, count - skipped, bench.clock.elapsed_s(), skipped)


def start_through(
    setup: Setup,
    operator: str,
    store: Store,
    listener: Listener,
    stop: StopSwitch,
    on_begin: OnBegin,
    acknowledged: tuple[str, ...] = (),
) -> Night:
    """Run a sequence with a through in the unit's place; see ``start_run``.

    The whole bench is made safe first, and confirmed; then only sources, switches and analyzer are used, so that bias
    stays off. Raises FileFaults if the sources cannot give the levels without a unit's gain.
    """
    plan = with_machine(through_plan(setup), store.file)
    said = Acknowledged(acknowledged, operator)
    taken = accept(plan.hazards, said)
    run = str(uuid4())
    with (
        _ours(setup, run, operator) as died,
        guarded(setup.bench.model) as guard,
        open_bench(setup.bench, setup.part.model, NO_UNIT, through=True) as bench,
    ):
        began, version = bench.clock.now(), tool_version()
        record = RunRecord.of(
            setup, unit=NO_UNIT, operator=operator, began=began, tool_version=version, kind="through", run=run
        )
        book = StoreBook(store.begin_run(record), setup, bench.clock)
        book.session(_session(bench, "start", plan))
        book.plan(plan.conditions, plan.hazards)
        _say_acknowledged(taken, said, bench, book, listener)
        _say_taken_over(died, bench, book, listener)
        on_begin(record.id, plan)
        # The acquisition of a run with a unit, so that the analyzer stands as it does there.
        takes_s = plan.estimate.total_s
        job = Job(
            record.id, plan.setup, acquisition_for(setup), plan.conditions, planned_s=takes_s, store_file=store.file
        )
        guard.watch(setup, run, store, bench.clock.true)
        skipped = _run(job, _without_unit(bench), book, listener, stop, guard)
        count = len(plan.conditions)
        return Night(record.id, count, count - skipped, bench.clock.elapsed_s(), skipped)


def _session(bench: OpenBench, kind: SessionKind, plan: Plan, **options: object) -> SessionRecord:
    level, planned = plan.setup.sequence.model.sequence.recording, {"planned_s": plan.estimate.total_s}
    return SessionRecord(bench.clock.began, tool_version(), kind, level, planned | options)


@contextmanager
def _ours(setup: Setup, run: str, operator: str) -> Iterator[tuple[Holder, ...]]:
    """Pen and bench are this run's until the end of the block. Yields who had either and died."""
    holder = Holder.here("run", run, operator)
    with hold_run(run, holder) as wrote, hold_bench(setup.bench.model, holder) as had:
        yield tuple(dict.fromkeys((*wrote, *had)))


def _say_taken_over(died: tuple[Holder, ...], bench: OpenBench, book: StoreBook, listener: Listener) -> None:
    for holder in died:
        text = f"from {holder}, which did not end by itself"
        _tell(Event(bench.clock.now(), "taken over", text, {"pid": holder.pid}), book, listener)


def _say_acknowledged(
    taken: tuple[Hazard, ...], said: Acknowledged, bench: OpenBench, book: StoreBook, listener: Listener
) -> None:
    book.acknowledged(taken, said.by)
    for hazard in taken:
        facts = {"hazard": hazard.name, "operator": said.by}
        _tell(Event(bench.clock.now(), "acknowledged", f"{hazard.name}, by {said.by}", facts), book, listener)


def _without_unit(bench: OpenBench) -> OpenBench:
    """The bench with what a unit needs made safe and left alone. Raises UnsafeBench."""
    left = unconfirmed(make_safe(bench.places, sleep=bench.clock.sleep))
    if left:
        raise UnsafeBench(left)
    return replace(bench, places=replace(bench.places, **dict.fromkeys(WITHOUT_UNIT)))


def resume_run(
    store: Store,
    run: str,
    listener: Listener,
    stop: StopSwitch,
    on_begin: OnBegin,
    comparison: Comparison | None = None,
    said: Acknowledged = NOTHING,
) -> Night:
    """Go on with a run that was stopped, tripped or cut off, with the files that it began with.

    ``on_begin`` is told the plan of what is left. ``comparison`` says what the files and the unit are now, and whether
    a change is accepted; without it only calibration dates are looked at. ``said``: as for ``start_run``, anew.

    Raises:
        RunDone: There is nothing left.
        StoreFault: The run has no plan.
        RunInUse: It is being written.
        Changed: What the run rests on has changed since it began, and nobody has accepted that.

    Otherwise as ``start_run``.
    """
    holder = Holder.here("run", run, store.run(run).operator)
    with hold_run(run, holder) as wrote:
        company = _Company(listener, stop, on_begin, said)
        return _resume(store, run, holder, wrote, comparison or Comparison(), company)


@dataclass(frozen=True, slots=True)
class _Company:
    """Who is told of a run, who may stop it, and who has acknowledged its hazards."""

    listener: Listener
    stop: StopSwitch
    on_begin: OnBegin
    said: Acknowledged


def _resume(
    store: Store, run: str, holder: Holder, wrote: tuple[Holder, ...], comparison: Comparison, company: _Company
) -> Night:
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
        raise RunDone(run)
    if not planned:
        raise StoreFault(f"run {run} was cut off before its plan was stored; begin it anew")
    # The instruments that a through leaves alone are on the bench all the same, and are made safe.
    whole = setup_of(store, run, with_unit=True)
    today = clock_of(whole.bench.model, last).now().date()
    compared = comparison.accepted(line, store.run_texts(run), whole.bench.model, today)
    remaining = tuple(item.condition for item in planned if item.completed is None)
    wanted = setup.sequence.model.sequence.recheck if comparison.recheck is None else comparison.recheck
    again = chosen(conditions, done, remaining[0] if remaining else None, wanted)
    plan = plan_for(setup, (*(conditions[number] for number in again), *remaining))
    plan = with_machine(for_a_through(plan) if through else plan, store.file, last)
    try:
        taken = accept(plan.hazards, company.said)
    except HazardsRefused as error:
        if line.state in ("running", "interrupted"):
            error.add_note("the run ended without a word: what it had switched on may be on; look at the bench")
        raise
    missing: Missing = {}
    with (
        hold_bench(whole.bench.model, holder) as had,
        guarded(whole.bench.model) as guard,
        open_bench(
            whole.bench, setup.part.model, line.unit, goes_on_from=last, through=through, missing=missing
        ) as bench,
    ):
        _refuse_missing(missing, bench, run)
        book = StoreBook(store.reopen_run(run), whole, bench.clock)
        accepted = [str(change) for change in compared.changes]
        book.session(_session(bench, "resume", plan, rechecks=list(again), accepted=accepted))
        job = Job(
            run, setup, acquisition_for(whole), conditions, done, plan.estimate.total_s, again, store_file=store.file
        )
        book.hazards(plan.hazards)
        _say_acknowledged(taken, company.said, bench, book, company.listener)
        company.on_begin(run, plan)
        _say_taken_over(tuple(dict.fromkeys((*wrote, *had))), bench, book, company.listener)
        _take_in_words_of_the_guard(store, run, bench, book, company.listener)
        _say_compared(compared, bench, book, company.listener)
        guard.watch(whole, run, store, bench.clock.true)
        apart = RecheckBook(book, frozenset(again), lambda event: _tell(event, book, company.listener))
        skipped = _run(job, _without_unit(bench) if through else bench, apart, company.listener, company.stop, guard)
        return Night(run, len(conditions), len(conditions) - len(done) - skipped, bench.clock.elapsed_s(), skipped)


def _refuse_missing(missing: Missing, bench: OpenBench, run: str) -> None:
    """Raise for who is not there; a process that was killed has left all on, so what can be reached goes off first."""
    if missing:
        first = next(iter(missing.values()))
        left = unconfirmed(make_safe(bench.places, sleep=bench.clock.sleep))
        if left:
            first.add_note(str(UnsafeBench(left, run)))
        raise first


def _take_in_words_of_the_guard(store: Store, run: str, bench: OpenBench, book: StoreBook, listener: Listener) -> None:
    """What the guard of an earlier session did while the store took nothing becomes events; then its file goes."""
    path = word_file(store.url, run)
    # A session that died at this very place has taken some in.
    known = {(event.at, event.text) for event in store.events(run)}
    for event in words_in(path, bench.clock.now()):
        if (event.at, event.text) not in known:
            _tell(event, book, listener)
    with contextlib.suppress(OSError):  # then it is read again the next time, and known
        path.unlink()


def _say_compared(compared: Compared, bench: OpenBench, book: StoreBook, listener: Listener) -> None:
    for change in compared.changes:
        facts = {"what": change.what, "key": change.key, "was": change.was, "is": change.now}
        _tell(Event(bench.clock.now(), "change accepted", str(change), facts), book, listener)
    _tell(Event(bench.clock.now(), "compared", compared.text), book, listener)


def _tell(event: Event, book: StoreBook, listener: Listener) -> None:
    book.event(event)
    listener(event)


def _run(job: Job, bench: OpenBench, book: RunBook, listener: Listener, stop: StopSwitch, guard: Guarded) -> int:
    """Run the job; returns how many conditions were skipped."""
    clock, log, hear = bench.clock, bench.log, guard.listener(listener)
    guard.noted_in(log)
    log.heard_by(guard.exchanged)
    clock.sleeps_on(guard.clock(clock.true))
    free_mb = heard_disk(job.free_mb, interlocks_of(job.setup, job.planned_s).get("disk space"), log)
    runner = Runner(job, bench.places, clock, book, hear, HeardWishes(stop, log), log.take, free_mb)
    runner.run()
    return runner.skipped
