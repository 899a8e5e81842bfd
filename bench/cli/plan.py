"""``nightbench plan``: what a sequence will do, how long, and what could go wrong."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.options import BenchFile, Json, PartFile, SequenceFile
from bench.cli.output import Plain, console, duration_text, print_json, table_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.hazard import Hazard
    from bench.interlocks import Interlock
    from bench.plan import Evening, Plan
    from sequences.part_file import Limit
    from sequences.sequence_file import SequenceFacts


def plan(sequence: SequenceFile, bench: BenchFile = None, part: PartFile = None, as_json: Json = False) -> None:
    """Show what a sequence will do, how long, and its hazards.

    Nothing is opened and nothing switched on.

    Example: nightbench plan my.sequence.toml --bench my.bench.toml
    """
    from bench.acknowledgements import with_machine
    from bench.plan import make_plan
    from bench.setups import setup_from_files

    setup = setup_from_files(sequence, bench, part)
    made = with_machine(make_plan(setup), Path.cwd())
    if as_json:
        print_json(plan_json(made))
        return
    show_plan(made)
    show_hazards(made.hazards)


def plan_json(made: Plan) -> dict[str, Plain]:
    """The answer for machines."""
    from bench.hazard import NOT_A_SAFETY_DEVICE
    from bench.interlock_rules import interlocks_of

    return {
        "conditions": len(made.conditions),
        "estimate_s": round(made.estimate.total_s, 1),
        "dry_out_c": made.opening.dry_out_c if made.opening is not None and made.dries_out else None,
        "shares_s": {cause: round(seconds, 1) for cause, seconds in made.estimate.by_cause_s.items()},
        "order": [
            {**condition.as_dict(), "finish_s": round(finish_s, 1)}
            for condition, finish_s in zip(made.conditions, made.estimate.finish_s, strict=True)
        ],
        "window": _window_json(made),
        "not_tested": [limit_text(limit) for limit in made.unmet_limits()],
        "watch_every_s": made.setup.bench.model.bench.watch_every_s,
        "interlocks": [interlock_json(rule) for rule in interlocks_of(made.setup, made.estimate.total_s).values()],
        "hazards": [hazard_json(hazard) for hazard in made.hazards],
        "to_start": {
            "mend": [hazard.name for hazard in made.hazards if hazard.severity == "blocking"],
            "acknowledge": [hazard.name for hazard in made.hazards if hazard.acknowledge],
        },
        "safety": NOT_A_SAFETY_DEVICE,
    }


def _window_json(made: Plan) -> Plain:
    from bench.assemble import clock_of
    from bench.plan import evening

    found = evening(made, clock_of(made.setup.bench.model).now())
    if found is None:
        return None
    return {
        "begins": found.begins.isoformat(),
        "closes": found.closes.isoformat(),
        "ends": None if found.ends is None else found.ends.isoformat(),
        "done_when_it_closes": found.done,
        "fits": found.ends is not None and found.ends <= found.closes,
    }


def interlock_json(rule: Interlock) -> dict[str, Plain]:
    """An interlock for machines; an end that its range has not is null, as is the range that a supply mode brings."""
    watch, of_mode = rule.watch, rule.name.startswith("mode ")
    ends = [None if of_mode or not math.isfinite(end) else end for end in (watch.lowest, watch.highest)]
    return {
        "name": rule.name,
        "lowest": ends[0],
        "highest": ends[1],
        "unit": watch.unit,
        "reason": watch.reason,
        "polls": rule.polls,
        "persistence_s": rule.persistence_s,
        "action": rule.action,
    }


def limit_text(limit: Limit) -> str:
    """A limit in one line: characteristic, sides, and the conditions that it holds for."""
    from reports.summary import where_text

    sides = [
        f"{side} {value:g} {limit.unit}"
        for side, value in (("min", limit.min), ("max", limit.max))
        if value is not None
    ]
    return f"{limit.characteristic} {', '.join(sides)} ({where_text(limit.where) or 'all conditions'})"


def hazard_json(hazard: Hazard) -> dict[str, Plain]:
    """A hazard for machines."""
    return {
        "severity": hazard.severity,
        "name": hazard.name,
        "title": hazard.title,
        "cause": hazard.cause,
        "consequence": hazard.consequence,
        "action": hazard.action,
        "source": hazard.source,
        "acknowledge": hazard.acknowledge,
        "takes": hazard.takes,
    }


def show_plan(made: Plan) -> None:
    """The plan for people: a line per temperature and mode, then the sum and the finish time."""
    from rich.text import Text

    from bench.assemble import clock_of
    from bench.plan import evening

    now = clock_of(made.setup.bench.model).now()
    tonight = evening(made, now)
    begins = now if tonight is None else tonight.begins
    out = console()
    facts = made.setup.sequence.model.sequence
    out.print(f"[bold]{facts.name}[/] on bench {made.setup.bench.model.bench.name}, part {_part_name(made)}")
    out.print(
        table_of(
            "",
            ("Temperature", "Supply mode", "Conditions", "Done after"),
            _blocks(made),
            right="Temperature,Conditions,Done after",
        )
    )
    shares = ", ".join(f"{cause} {duration_text(seconds)}" for cause, seconds in made.estimate.by_cause_s.items())
    out.print(f"{len(made.conditions)} conditions, about [bold]{duration_text(made.estimate.total_s)}[/] ({shares})")
    out.print(f"Begun {_clock_text(begins)}, the last condition is done {_clock_text(made.finishes(begins))}.")
    out.print(_return_text(made, begins))
    for line in _window_texts(made, tonight, now):
        out.print(line)
    out.print(_fault_text(facts))
    out.print(f"{_watch_text(made)}\n")
    unmet = made.unmet_limits()
    if unmet:
        out.print(Text(f"{len(unmet)} limits of the part cannot be decided by this sequence:", style="bold"))
        for limit in unmet:
            out.print(Text(f"  {limit_text(limit)}"))
        out.print()


def _return_text(made: Plan, begins: datetime) -> str:
    """How the chamber comes back to the room's temperature."""
    opens, rule = made.safe_to_open(begins), made.opening
    if opens is None or rule is None:
        has_chamber = made.setup.bench.model.instrument.chamber is not None
        text = "Nothing will say when the chamber is safe to open: the bench file does not want a dry-out."
        return text if has_chamber else "There is no chamber that would have to return to room temperature."
    dry = ""
    if made.dries_out:
        dry = f"dries out at {rule.dry_out_c:g} °C for {duration_text(rule.hold_s + rule.lag_s)} and "
    return f"Then the chamber {dry}returns to {rule.idle_c:g} °C: safe to open about {_clock_text(opens)}."


def show_hazards(found: tuple[Hazard, ...], *, to_side: bool = False) -> None:
    """Hazards for people, with the standing text that this is no safety device.

    On the side, that is before something that has been allowed to start, it is not said what a start would take.
    """
    from rich.padding import Padding
    from rich.text import Text

    from bench.cli.output import side_console
    from bench.hazard import NOT_A_SAFETY_DEVICE

    out = side_console() if to_side else console()
    out.print(Text("Hazards", style="bold"))
    for hazard in found:
        grave = hazard.severity == "blocking" or hazard.acknowledge
        head = Text(f"{hazard.severity.upper()}: ", style="bold red" if grave else "bold yellow")
        head.append(f"{hazard.title} ({hazard.name}). ", style="bold default")
        told = (f"{hazard.cause}; {hazard.consequence}", hazard.action, f"source: {hazard.source}")
        sentences = [*told, hazard.takes] if hazard.takes and not to_side else told
        head.append(" ".join(f"{text[0].upper()}{text[1:]}." for text in sentences), style="default")
        out.print(Padding(head, (0, 0, 0, 2)))
    out.print(Padding(Text(NOT_A_SAFETY_DEVICE, style="italic"), (1, 0, 1, 2)))
    if not to_side:
        _show_what_it_takes(found)


def _show_what_it_takes(found: tuple[Hazard, ...]) -> None:
    """What a run with these hazards needs, ready to be pasted; nothing where it needs nothing."""
    mended = [hazard.name for hazard in found if hazard.severity == "blocking"]
    named = [hazard.name for hazard in found if hazard.acknowledge]
    if mended:
        console().print(f"To be mended before a run starts: {', '.join(mended)}", soft_wrap=True)
    if named:
        options = " ".join(f"--acknowledge {name}" for name in named)
        console().print(f"When all of it has been done, a run starts with: --operator NAME {options}", soft_wrap=True)


def _part_name(made: Plan) -> str:
    return made.setup.part.model.part.name


def _window_texts(made: Plan, found: Evening | None, now: datetime) -> Iterator[str]:
    """How the run lies in its window; a warning if it does not fit."""
    window = made.setup.sequence.model.sequence.window
    if window is None or found is None:
        return
    begins, closes = (f"{window.local(at):%a %d %b %H:%M}" for at in (found.begins, found.closes))
    waits = "at once" if found.begins == now else f"when it opens, {begins}"
    yield f"Window {window}: the run begins {waits}; it closes {closes}."
    count = f"{found.done} of {len(made.conditions)} conditions are done by then"
    if found.ends is None:
        yield f"[bold]WARNING: the run does not fit: {count}, and it stops. Resume goes on with the rest.[/]"
    elif found.ends > found.closes:
        ends = f"{window.local(found.ends):%a %d %b %H:%M}"
        yield f"[bold]WARNING: the run does not fit: {count}. It goes on at the next opening, ends {ends} or later.[/]"


def _fault_text(facts: SequenceFacts) -> str:
    """What the run does when an instrument fails; the estimate reckons with no fault."""
    if facts.on_fault == "trip":
        return "When an instrument fails, the run trips."
    return (
        f"When an instrument fails, the run is made safe, waits {duration_text(facts.retry_after_s)}, soaks again and "
        f"repeats the condition, up to {facts.retries} times for each; every one of these takes time besides."
    )


def _watch_text(made: Plan) -> str:
    """How often the interlocks look, and which of them the bench file has made stricter."""
    bench = made.setup.bench.model
    stricter = ", ".join(entry.name for entry in bench.interlock)
    return (
        f"Interlocks look at the bench every {bench.bench.watch_every_s:g} s, in every wait and between readings; an "
        "exchange that is going on, such as a sweep, comes on top."
        + (f" Stricter by the bench file: {stricter}." if stricter else "")
    )


def _clock_text(at: datetime) -> str:
    return at.astimezone().strftime("%a %d %b %H:%M")


def _blocks(made: Plan) -> list[tuple[str, str, str, str]]:
    """One row for each stretch of conditions that share temperature and supply mode."""
    rows: list[tuple[str, str, str, str]] = []
    count = 0
    last = len(made.conditions) - 1
    for index, condition in enumerate(made.conditions):
        count += 1
        following = made.conditions[index + 1] if index < last else None
        here = condition.temperature_c, condition.supply_mode
        if following is None or (following.temperature_c, following.supply_mode) != here:
            finish = duration_text(made.estimate.finish_s[index])
            rows.append((f"{condition.temperature_c:g} °C", condition.supply_mode, str(count), finish))
            count = 0
    return rows
