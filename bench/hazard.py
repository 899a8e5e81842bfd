"""What a hazard is, and what is said beside all of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

NOT_A_SAFETY_DEVICE = (
    "nightbench is not a safety device. Independent hardware limits must keep the set-up safe with this computer off, "
    "hung or wrong. Local codes, the makers' manuals, your employer's rules and licensed or competent persons decide."
)

Severity = Literal["note", "warning", "blocking"]


@dataclass(frozen=True, slots=True)
class Hazard:
    """One hazard. A blocking one refuses to start until it is mended; ``name`` is short and stays the same.

    ``acknowledge``: a person must have done something that this tool cannot see, and says so by the hazard's name.
    """

    severity: Severity
    name: str
    title: str
    cause: str
    consequence: str
    action: str
    source: str
    acknowledge: bool = False

    @property
    def takes(self) -> str:
        """What it takes to start with this hazard, in a clause; empty if nothing."""
        if self.severity == "blocking":
            return "refuses to start until it is mended"
        return f"start only with --acknowledge {self.name}" if self.acknowledge else ""


#: Names of all hazards: kept when wording changes, as they stand in stores and scripts.
HAZARD_NAMES = (
    "limiter", "liquid-nitrogen", "carbon-dioxide", "touch-voltage", "unattended", "hot-surfaces", "warm-surfaces",
    "cold-surfaces", "chilled-surfaces", "condensation", "temperature-margin", "ramp-rate", "powered-unit",
    "supply-margin", "unit-input", "analyzer-input", "network-analyzer-input", "unit-left-in", "static-discharge",
    "disk-space", "clock",
)  # fmt: skip
