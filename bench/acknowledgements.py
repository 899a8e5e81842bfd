"""Whether a run may start with its hazards: blocking ones refuse, others ask a person to say their name.

Only real benches ask (see ``hazards``). Acknowledging is for the session that it is given to: whoever resumes a run
says the names again, as it is another hour and perhaps another person.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path

from bench.errors import HazardsRefused
from bench.hazard import HAZARD_NAMES, Hazard
from bench.hazards import gravest_first
from bench.machine_hazards import Machine, machine_hazards
from bench.plan import Plan


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """Names of hazards that a person has acknowledged, and who; ``by`` may be empty only if there is no name."""

    names: tuple[str, ...] = ()
    by: str = ""


NOTHING = Acknowledged()


def accept(found: tuple[Hazard, ...], said: Acknowledged) -> tuple[Hazard, ...]:
    """Hazards of ``found`` that have been acknowledged. Raises HazardsRefused if the run must not start.

    A known name that this run does not have is harmless: the same list of names may serve several sequences.
    """
    for name in said.names:
        if name not in HAZARD_NAMES:
            near = get_close_matches(name, HAZARD_NAMES, n=1, cutoff=0.0)[0]
            raise HazardsRefused(f"no hazard is called {name!r}; the nearest is {near}", (name,))
    blocking = [hazard for hazard in found if hazard.severity == "blocking"]
    if blocking:
        told = "\n".join(f"  {hazard.name}: {hazard.cause}. To mend it: {hazard.action}" for hazard in blocking)
        vain = [hazard.name for hazard in blocking if hazard.name in said.names]
        also = f"\nIt does not help to acknowledge {', '.join(vain)}." if vain else ""
        raise HazardsRefused(
            f"not started, nothing was switched on: hazards that must be mended first\n{told}{also}",
            tuple(hazard.name for hazard in blocking),
        )
    missing = [hazard for hazard in found if hazard.acknowledge and hazard.name not in said.names]
    if missing:
        told = "\n".join(f"  {hazard.name}: {hazard.cause}. Before that: {hazard.action}" for hazard in missing)
        options = " ".join(f"--acknowledge {hazard.name}" for hazard in missing)
        raise HazardsRefused(
            f"not started, nothing was switched on: hazards that a person must acknowledge\n{told}\n"
            f"If that has been done: {options}",
            tuple(hazard.name for hazard in missing),
        )
    taken = tuple(hazard for hazard in found if hazard.acknowledge)
    if taken and not said.by.strip():
        raise HazardsRefused("hazards are acknowledged by a person: say who with --operator NAME", ())
    return taken


def with_machine(plan: Plan, file: Path | None, newest: datetime | None = None) -> Plan:
    """The plan with the hazards of this computer, whose store is ``file``; see ``Machine.here``."""
    own = machine_hazards(plan.setup, plan.conditions, Machine.here(file, newest))
    return replace(plan, hazards=gravest_first([*plan.hazards, *own]))
