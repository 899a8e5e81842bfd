"""``nightbench check --loopback``: says what it will switch on, and then each trial as it is done."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from bench.cli.findings import GOOD, HINT, KNOW, WRONG, line
from bench.cli.output import Plain, console, side_console

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from bench.loopback import Outcome
    from bench.loopback_levels import Trial
    from bench.loopback_plan import LoopPlan
    from sequences.bench_file import Bench
    from sequences.read_files import Loaded


def planned(loaded: Loaded[Bench], sequence: Path | None, part: Path | None, *, through: bool) -> LoopPlan:
    """The plan of a loopback, judged as a run would be. Raises FileFaults."""
    from bench.loopback_plan import loop_plan
    from sequences.read_files import read_part, read_sequence

    asked = None if sequence is None else read_sequence(sequence)
    if part is None and (sequence is None or asked is None):
        raise typer.BadParameter("give --part or --sequence: levels follow from the part", param_hint="--loopback")
    if part is None and sequence is not None and asked is not None:
        part = sequence.parent / asked.model.sequence.part
    return loop_plan(loaded, read_part(str(part)), asked, through=through)


def run_loopback(plan: LoopPlan, loaded: Loaded[Bench], unit: str, operator: str, *, as_json: bool) -> Outcome:
    """Announce, try, and say how it ended. Raises what ``bench.loopback.loop_back`` raises.

    The bench is locked and guarded as for a run: here, too, something is switched on.
    """
    from bench.assemble import open_bench
    from bench.cli.plan import show_hazards
    from bench.cli.progress import stop_on_signals
    from bench.guarding import guarded
    from bench.locks import Holder, hold_bench
    from bench.loopback import loop_back

    # For machines there is one object at the end; what a person should know goes to standard error.
    out = side_console() if as_json else console()
    out.print()
    for sentence in announcement(plan, unit):
        line(out, KNOW, sentence)
    out.print()
    show_hazards(plan.hazards, to_side=True)
    with (
        hold_bench(loaded.model, Holder.here("loopback", operator=operator)),
        stop_on_signals() as stop,
        guarded(loaded.model) as guard,
        open_bench(loaded, plan.part, unit, through=plan.through) as opened,
    ):
        guard.watch(plan.setup, "", None, opened.clock.true)
        opened.log.heard_by(guard.exchanged)
        opened.clock.sleeps_on(guard.clock(opened.clock.true))
        outcome = loop_back(plan, opened, _reporter(out), lambda trial: show_trial(out, trial), stop)
    show_outcome(out, outcome)
    return outcome


def announcement(plan: LoopPlan, unit: str) -> tuple[str, ...]:
    """What will be switched on, and at what level, before anything is."""
    from sequences.units import quantity_text

    lower, upper = (quantity_text(hertz, "Hz", 9) for hertz in plan.frequencies_hz)
    channels, loads = ", ".join(plan.channels), ", ".join(f"{load:g}" for load in plan.loads_ohm)
    mode = plan.part.modes[plan.condition(plan.channels[0]).supply_mode]
    bias = (
        "with a through in the unit's place; bias stays off"
        if plan.through
        else f"through unit {unit}, biased with {mode.supply_v:g} V and at most {mode.current_limit_a * 1e3:g} mA"
    )
    sentences = [
        f"This loopback switches on each source alone, at up to {plan.highest_source_dbm():.1f} dBm "
        f"(tone_1 at {lower}, tone_2 at {upper}), {bias}.",
        f"It moves the relays of channel {channels} and load {loads} Ω{'' if plan.through else ' and the gain codes'}; "
        "the chamber is stopped. When it is done, and on Ctrl-C, RF goes off, then bias.",
    ]
    if plan.through and "tone_2" in plan.bench.instrument.present:
        together = f"Last, both tones are on together, at up to {plan.residual_source_dbm():.1f} dBm each."
        sentences.insert(1, together)
    return tuple(sentences)


def show_trial(out: Console, trial: Trial) -> None:
    """One line: what, expected, found, verdict; what is wrong gets a second one with what it points to."""
    sign = WRONG if trial.verdict == "WRONG" else GOOD
    line(out, sign, f"{trial.what} {trial.found}, expected {trial.expected}: {trial.verdict}")
    if trial.hint:
        line(out, HINT, trial.hint, "    ")


def show_outcome(out: Console, outcome: Outcome) -> None:
    """What the wrong trials have in common, and that the bench is safe."""
    out.print()
    for cause in outcome.causes:
        line(out, WRONG, cause)
    wrong = sum(trial.verdict == "WRONG" for trial in outcome.trials)
    line(out, GOOD, f"safe state confirmed: {', '.join(outcome.safe)}")
    verdict = (
        f"{wrong} of {len(outcome.trials)} trials are WRONG" if wrong else f"all {len(outcome.trials)} trials are good"
    )
    line(out, WRONG if wrong else GOOD, f"loopback: {verdict}")


def loopback_json(plan: LoopPlan, outcome: Outcome) -> dict[str, Plain]:
    """Everything for machines."""
    return {
        "good": outcome.good,
        "through": plan.through,
        "frequencies_hz": list(plan.frequencies_hz),
        "highest_source_dbm": round(plan.highest_source_dbm(), 2),
        "trials": [
            {
                "what": trial.what,
                "expected": trial.expected,
                "found": trial.found,
                "verdict": trial.verdict,
                "hint": trial.hint,
            }
            for trial in outcome.trials
        ],
        "causes": list(outcome.causes),
        "safe": list(outcome.safe),
    }


def _reporter(out: Console) -> Callable[[str], None]:
    return lambda text: line(out, GOOD, text)
