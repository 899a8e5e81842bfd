"""How often a run tries again after an instrument has failed, and what is said of it. Pure.

Counted for each condition: a night may have many faults that pass, and each completed condition shows that the one
before it has passed. An instrument that is gone for good lets none be completed, so the count runs out.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from drivers.errors import InstrumentError


@dataclass(slots=True)
class Retries:
    """The faults since the last completed condition.

    Args:
        allowed: How many of them may be followed by another attempt; 0 for none.
    """

    allowed: int
    _faults: list[str] = field(default_factory=list)
    _begun: int = 0

    @property
    def attempt(self) -> int:
        """Number of the attempt that the latest fault leads to, from 1; 0 without a fault."""
        return len(self._faults)

    @property
    def attempts_text(self) -> str:
        """How often it has been tried, for people."""
        return "tried once" if self.attempt == 1 else f"tried {self.attempt} times"

    def another(self, fault: InstrumentError) -> bool:
        """Note a fault and say whether another attempt may follow it."""
        self._faults.append(str(fault))
        return len(self._faults) <= self.allowed

    def begin(self) -> None:
        """Another attempt begins."""
        self._begun += 1

    def passed(self) -> None:
        """A condition has been completed: what went wrong before has passed."""
        self._faults.clear()
        self._begun = 0

    def history(self, cause: str) -> str:
        """What led to the end of a run besides its cause: the first fault, and how often it was tried again."""
        if not self._begun:
            return ""
        first = self._faults[0]
        times = "once" if self._begun == 1 else f"{self._begun} times"
        return f"tried again {times}; the first fault was {'the same' if first == cause else first}"
