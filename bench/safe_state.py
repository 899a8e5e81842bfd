"""The way to the safe state: RF off, then bias off, then chamber to its idle setting.

Each step is tried whatever the one before did; each is confirmed by reading back. Doing it twice is harmless.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bench.places import Places
from drivers.errors import InstrumentError


@dataclass(frozen=True, slots=True)
class SafeStep:
    """One step of the way: what was done, and why it could not be confirmed (empty if it was)."""

    name: str
    problem: str = ""

    @property
    def confirmed(self) -> bool:
        """Whether the instrument read back as safe."""
        return not self.problem


def make_safe(places: Places) -> tuple[SafeStep, ...]:
    """Take all energy away, in order; returns every step with its confirmation. Raises for no instrument."""
    steps: list[SafeStep] = []
    for place, source in places.sources():
        steps.append(_step(f"RF of {place} off", source.make_safe, source.output_is_on))
    if places.noise_source is not None:
        steps.append(_step("noise source off", places.noise_source.make_safe, places.noise_source.output_is_on))
    network_analyzer = places.network_analyzer
    if network_analyzer is not None:
        name = "RF of network_analyzer off"
        steps.append(_step(name, network_analyzer.make_safe, network_analyzer.output_is_on))
    if places.supply is not None:
        steps.append(_step("bias off", places.supply.make_safe, places.supply.output_is_on))
    if places.chamber is not None:
        steps.append(_step("chamber to idle", places.chamber.make_safe, None))
    if places.analyzer is not None:
        steps.append(_step("analyzer to its highest attenuation", places.analyzer.make_safe, None))
    return tuple(steps)


def unconfirmed(steps: tuple[SafeStep, ...]) -> tuple[str, ...]:
    """The steps that could not be confirmed, each with its reason."""
    return tuple(f"{step.name}: {step.problem}" for step in steps if not step.confirmed)


def _step(name: str, act: Callable[[], None], still_on: Callable[[], bool] | None) -> SafeStep:
    try:
        act()
        if still_on is not None and still_on():
            return SafeStep(name, "it reads back as still on")
    except InstrumentError as error:
        return SafeStep(name, str(error))
    except Exception as error:  # noqa: BLE001 - a mistake in one driver must not keep the bias on behind it
        return SafeStep(name, f"{type(error).__name__}: {error}")
    return SafeStep(name)
