"""Thermal chamber over Modbus. Which register holds what is the maker's choice: a table says so.

Rules: a register is written only if it holds something else, as set points may lie in a memory that wears out (common
practice, no source); nothing is written in a loop; what is written is read back. Modbus has no identity that every
controller answers, and no error queue.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

from drivers.errors import NotUnderstood, Refused
from drivers.modbus_registers import BadNumber, BitKind, NumberRegister, RegisterKind
from drivers.roles import Identity, QueueEntry

LOWEST_C: Final = -200.0
HIGHEST_C: Final = 400.0
"""Beyond any chamber: an unsigned reading of −40.0 °C would be 6513.6 °C. Ours."""


class Line(Protocol):
    """What the driver needs of a line; ``drivers.modbus_line`` has the real one."""

    def read_words(self, kind: RegisterKind, address: int, count: int) -> tuple[int, ...]:
        """Registers."""
        ...

    def read_bit(self, kind: BitKind, address: int) -> bool:
        """One bit."""
        ...

    def write_words(self, address: int, words: tuple[int, ...], *, urgent: bool = False) -> None:
        """Holding registers."""
        ...

    def write_bit(self, address: int, *, on: bool, urgent: bool = False) -> None:
        """One coil."""
        ...

    def wrong(self, problem: str) -> NotUnderstood:
        """The error for a reply that cannot be true."""
        ...

    def refused(self, text: str, number: int = 0) -> Refused:
        """The error for what the unit does not hold."""
        ...


@dataclass(frozen=True, slots=True)
class RunSwitch:
    """A coil, or a holding register with one word for on and one for off."""

    address: int
    is_coil: bool
    on: int = 1
    off: int = 0


@dataclass(frozen=True, slots=True)
class Alarm:
    """A bit that is 1 when something is wrong; ``bit`` counts from the least significant of a register."""

    text: str
    address: int
    kind: BitKind | RegisterKind
    bit: int = 0


@dataclass(frozen=True, slots=True)
class ChamberRegisters:
    """Where everything is; None for what the chamber does not let be set."""

    air: NumberRegister
    set_point: NumberRegister
    run: RunSwitch
    ramp: NumberRegister | None = None
    low_limit: NumberRegister | None = None
    high_limit: NumberRegister | None = None
    alarms: tuple[Alarm, ...] = ()


class ModbusChamber:
    """A thermal chamber."""

    def __init__(self, line: Line, registers: ChamberRegisters) -> None:
        self._line = line
        self._registers = registers
        self._idle: tuple[int, ...] | None = None

    def identify(self) -> Identity:
        """Read the air, which proves that it is there; who it is Modbus does not tell."""
        self.read_air_c()
        return Identity("0", "Modbus chamber", "0", "0")

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        """It keeps no queue: what it would not do, it said at once."""
        return ()

    def make_safe(self) -> None:
        """Send it to its idle temperature, or stop it where nobody has said what that is; awaits no reply."""
        run, set_point = self._registers.run, self._registers.set_point
        if self._idle is not None:
            self._line.write_words(set_point.address, self._idle, urgent=True)
        elif run.is_coil:
            self._line.write_bit(run.address, on=False, urgent=True)
        else:
            self._line.write_words(run.address, (run.off,), urgent=True)

    def prepare(self, ramp_k_per_min: float, lowest_c: float, highest_c: float, idle_c: float) -> None:
        """Set ramp rate and the chamber's own limits where it lets them be set; note where ``make_safe`` sends it."""
        registers = self._registers
        self._idle = self._words("idle", registers.set_point, idle_c)
        for name, register, value in (
            ("ramp", registers.ramp, ramp_k_per_min),
            ("low limit", registers.low_limit, lowest_c),
            ("high limit", registers.high_limit, highest_c),
        ):
            if register is not None:
                self._set(name, register, value)

    def set_target_c(self, temperature_c: float) -> None:
        """Set the air temperature to reach and check that the chamber took it; returns at once."""
        self._set("set point", self._registers.set_point, temperature_c)

    def target_c(self) -> float:
        """Read back the air temperature that it is to reach."""
        return self._temperature_c("set point", self._registers.set_point)

    def switch_conditioning(self, *, on: bool) -> None:
        """Start or stop heating and cooling and check that it did."""
        run = self._registers.run
        if self.conditioning_is_on() is on:
            return
        if run.is_coil:
            self._line.write_bit(run.address, on=on)
        else:
            self._line.write_words(run.address, (run.on if on else run.off,))
        if self.conditioning_is_on() is not on:
            raise self._line.refused(f"it is {'off' if on else 'on'} still")

    def conditioning_is_on(self) -> bool:
        """Read back whether the chamber heats and cools."""
        run = self._registers.run
        if run.is_coil:
            return self._line.read_bit("coil", run.address)
        (word,) = self._line.read_words("holding", run.address, 1)
        if word not in (run.on, run.off):
            raise self._line.wrong(f"register {run.address} holds {word}, neither {run.on} (on) nor {run.off} (off)")
        return word == run.on

    def read_air_c(self) -> float:
        """Air temperature in °C."""
        return self._temperature_c("air", self._registers.air)

    def alarms(self) -> tuple[str, ...]:
        """Texts of the alarm bits that are 1."""
        return tuple(alarm.text for alarm in self._registers.alarms if self._is_up(alarm))

    def _is_up(self, alarm: Alarm) -> bool:
        if alarm.kind == "coil" or alarm.kind == "discrete":
            return self._line.read_bit(alarm.kind, alarm.address)
        (word,) = self._line.read_words(alarm.kind, alarm.address, 1)
        return bool(word >> alarm.bit & 1)

    def _set(self, name: str, register: NumberRegister, value: float) -> None:
        words = self._words(name, register, value)
        if self._line.read_words(register.kind, register.address, register.count) == words:
            return
        self._line.write_words(register.address, words)
        held = self._line.read_words(register.kind, register.address, register.count)
        if held != words:
            raise self._line.refused(f"{name}: it holds {self._value(name, register, held):g} instead of {value:g}")

    def _temperature_c(self, name: str, register: NumberRegister) -> float:
        words = self._line.read_words(register.kind, register.address, register.count)
        value = self._value(name, register, words)
        if not LOWEST_C <= value <= HIGHEST_C:
            raise self._line.wrong(
                f"{name} reads {value:g} °C; check address, type, word order and scale of its register"
            )
        return value

    def _words(self, name: str, register: NumberRegister, value: float) -> tuple[int, ...]:
        try:
            return register.words(value)
        except BadNumber as error:
            raise self._line.refused(f"{name}: {error}") from error

    def _value(self, name: str, register: NumberRegister, words: tuple[int, ...]) -> float:
        try:
            return register.value(words)
        except BadNumber as error:
            raise self._line.wrong(f"{name}: {error}") from error
