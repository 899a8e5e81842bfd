"""The control line of a served rig: one command in a line, one JSON object in answer.

For tests and for whoever tries a fault at a desk; no driver can come here.
"""

from __future__ import annotations

import json
from collections.abc import Callable

from drivers.simulated.faults import KINDS, FaultError, Faults
from drivers.simulated.rig import Rig

_COMMANDS = "fault PLACE KIND [NUMBER] [@N] [xN]", "fault PLACE none", "faults", "log", "truth", "stop"


class Control:
    """What the control port serves.

    Args:
        rig: The rig.
        faults: Its faults.
        stop: Ends the serving.
    """

    refuses = False

    def __init__(self, rig: Rig, faults: Faults, stop: Callable[[], None]) -> None:
        self._rig = rig
        self._faults = faults
        self._stop = stop

    def line(self) -> ControlLine:
        """A new line to it."""
        return ControlLine(self)

    def answer(self, command: str) -> dict[str, object]:
        """Obey one command. What cannot be is answered with ``error``."""
        match command.split():
            case ["fault", place, "none"]:
                self._faults.heal(place)
                return {"faults": self._faults.active()}
            case ["fault", place, kind, *words]:
                self._faults.switch_on(place, kind, words)
                return {"faults": self._faults.active()}
            case ["faults"]:
                kinds = {name: kind.what for name, kind in KINDS.items()}
                return {"faults": self._faults.active(), "kinds": kinds}
            case ["log"]:
                return {"log": [entry._asdict() for entry in self._rig.journal]}
            case ["truth"]:
                return self._truth()
            case ["stop"]:
                self._stop()
                return {"stopped": True}
        raise FaultError(f"no command {command!r}; there are: {'; '.join(_COMMANDS)}")

    def _truth(self) -> dict[str, object]:
        """What is really so at this instant."""
        rig = self._rig
        operating = rig.operating()
        return {
            "at_s": rig.clock.elapsed_s(),
            "rf_on": {place: tone.on for place, tone in rig.tones.items()},
            "network_rf_on": rig.network_on,
            "noise_on": rig.noise_on,
            "bias_on": rig.bias is None or rig.bias.on,
            "supply_v": operating.terminals.voltage_v,
            "supply_a": operating.terminals.current_a,
            "conditioning": rig.thermal.is_conditioning,
            "air_c": rig.thermal.air_c,
            "board_c": rig.thermal.board_c,
            "die_c": operating.die_c,
            "exceeded": dict(rig.exceeded),
        }


class ControlLine:
    """One connection to the control port."""

    broken = False

    def __init__(self, control: Control) -> None:
        self._control = control
        self._replies: list[bytes] = []

    def receive(self, message: bytes) -> None:
        """Take one command with its NL."""
        try:
            answer = self._control.answer(message.decode("utf-8", "replace"))
        except FaultError as error:
            answer = {"error": str(error)}
        self._replies.append(json.dumps(answer, ensure_ascii=False).encode("utf-8") + b"\n")

    def ready(self) -> bytes | None:
        """The next answer."""
        return self._replies.pop(0) if self._replies else None

    def waits_until_s(self) -> float | None:
        """Never: everything is answered at once."""
        return None

    def holds_input(self) -> bool:
        """Never."""
        return False
