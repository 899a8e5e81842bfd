"""What the events of a run say, in words and numbers. Pure."""

from __future__ import annotations

from bench.events import Facts
from drivers.errors import InstrumentError
from sequences.conditions import Condition


def add_unwritten(error: BaseException, second: BaseException) -> None:
    """Note at the error that ended a run that its end could not be written down."""
    error.add_note(f"the end of the run could not be written down: {second}")


def facts_of(error: InstrumentError | None) -> Facts:
    """Which instrument failed, at which message, and how; nothing if none did."""
    if error is None:
        return {}
    return {
        "instrument": error.instrument,
        "message": error.message,
        "cause": f"{type(error).__name__}: {error.problem}",
    }


def short(condition: Condition) -> str:
    """What a person wants to know of a condition while a run goes on."""
    return (
        f"{condition.temperature_c:g} °C, {condition.supply_mode}, {condition.load_ohm:g} Ω, "
        f"{condition.channel} code {condition.gain_code}"
    )
