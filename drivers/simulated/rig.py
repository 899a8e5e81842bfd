"""The simulated bench: one state that all simulated instruments share, so that cause and effect cross between them.

Sources → input path → unit → load → output path → analyzer; supply → unit; chamber air → board → die; ports and
relays → unit. Time comes from the clock, chance from the seed. Front ends change and read this state; drivers reach
only the front ends, and those only with bytes. What is really so, ``truth`` tells the tests.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from drivers.simulated.amplifier import ISOLATION_DB, LINE_ORDERS, peak_v
from drivers.simulated.analyzer import FILTER_REACH, AnalyzerModel, Line, SweepState
from drivers.simulated.bias import OFF, Bias, Terminals
from drivers.simulated.drawing import within
from drivers.simulated.latches import Latch, LatchSetup, ShiftRegister
from drivers.simulated.network import NetworkModel
from drivers.simulated.noise import excess_at_connector_w_per_hz
from drivers.simulated.paths import Paths
from drivers.simulated.power_sensor import PowerSensor
from drivers.simulated.rig_setup import RigSetup, ToneSourceSetup
from drivers.simulated.source_products import input_products_dbm, turned
from drivers.simulated.thermal import Thermal
from drivers.simulated.tone import Tone
from drivers.timing import Clock

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from drivers.simulated.truth import Truth

#: Ramp of a bench without chamber: nothing moves; the number only has to be a rate.
_NO_CHAMBER_K_PER_MIN = 1.0


class JournalEntry(NamedTuple):
    """A change of state that an order rule can speak of."""

    at_s: float
    place: str
    what: str


class Drift(NamedTuple):
    """A fault: something that changes steadily since an instant, in its unit per second."""

    per_s: float
    began_s: float


class Operating(NamedTuple):
    """The unit's bias and temperature at one instant; ``mode`` is None when it does not amplify."""

    terminals: Terminals
    die_c: float
    mode: str | None


class Rig:
    """One bench, one unit, one clock."""

    def __init__(self, setup: RigSetup, clock: Clock) -> None:
        self.setup = setup
        self.clock = clock
        seed = setup.seed
        self.tones = {
            place: Tone(place, entry, seed)
            for place, entry in (("tone_1", setup.tone_1), ("tone_2", setup.tone_2))
            if isinstance(entry, ToneSourceSetup)
        }
        self.bias = Bias(setup.supply, seed) if setup.supply else None
        chamber = setup.chamber
        self.chamber_error_k = within(chamber.temperature_k, seed, "chamber sensor") if chamber else 0.0
        rate = (chamber.ramp_k_per_min if chamber else _NO_CHAMBER_K_PER_MIN) / 60
        self.room_c = setup.room_c + within(setup.room_within_k, seed, "room temperature")
        self.thermal = Thermal(self.room_c, setup.board_time_constant_s, self.chamber_error_k, rate)
        self.paths = Paths(setup.path_losses, seed)
        meter, thermometer = setup.current_meter, setup.board_thermometer
        self.meter_gain_error = within(meter.gain, seed, "current meter gain") if meter else 0.0
        self.meter_offset_a = within(meter.offset_a, seed, "current meter offset") if meter else 0.0
        self.thermometer_error_k = within(thermometer.temperature_k, seed, "thermometer") if thermometer else 0.0
        self.power_sensor = PowerSensor(setup.power_meter, seed) if setup.power_meter else None
        self.closed_loads: set[int] = set()
        self.closed_channels: set[int] = set()
        self.lines: dict[int, int] = {}
        self.words: dict[int, int] = {}
        self.latches = {
            number: Latch(entry) if isinstance(entry, LatchSetup) else ShiftRegister(entry)
            for number, entry in setup.latches.items()
        }
        self.noise_on = False
        self.network_on = False
        self.journal: list[JournalEntry] = []
        self.exceeded: dict[str, float] = {}
        self.drifts: dict[str, Drift] = {}
        self.dead_sensors: dict[str, float] = {}
        self._advanced_to_s = clock.elapsed_s()

    @cached_property
    def analyzer(self) -> AnalyzerModel:
        """The analyzer's inside; only on a bench that has one."""
        if self.setup.analyzer is None:
            raise LookupError("this bench has no analyzer")
        return AnalyzerModel(self.setup.analyzer, self.setup.seed)

    @cached_property
    def network(self) -> NetworkModel:
        """The network analyzer's inside; only on a bench that has one."""
        if self.setup.network_analyzer is None:
            raise LookupError("this bench has no network analyzer")
        return NetworkModel(self.setup.network_analyzer, self.setup.two_ports, self.setup.seed)

    @cached_property
    def truth(self) -> Truth:
        """What is really so. For tests."""
        from drivers.simulated.truth import Truth

        return Truth(self)

    def note(self, place: str, what: str) -> None:
        """Write a change of state into the journal."""
        self.journal.append(JournalEntry(self.clock.elapsed_s(), place, what))

    def advance(self) -> None:
        """Bring the temperatures up to the clock. Call before anything that reads or steers them."""
        now = self.clock.elapsed_s()
        if now > self._advanced_to_s:
            self.thermal.advance(now - self._advanced_to_s)
            self._advanced_to_s = now

    def drifted(self, place: str) -> float:
        """What a drift at a place, switched on as a fault, amounts to by now; 0 without one."""
        drift = self.drifts.get(place)
        return 0.0 if drift is None else drift.per_s * (self.clock.elapsed_s() - drift.began_s)

    # --- What is connected ---------------------------------------------------------------------------------------

    @property
    def load_ohm(self) -> float | None:
        """Load at the output; None when no relay, or more than one, is closed."""
        if not self.setup.load_routes:
            return self.setup.unit.reference_load_ohm
        if len(self.closed_loads) != 1:
            return None
        return self.setup.load_routes.get(next(iter(self.closed_loads)))

    @property
    def channel(self) -> str | None:
        """Channel that sources and analyzer are connected to; None when no relay, or more than one, is closed."""
        if not self.setup.channel_routes:
            return self.setup.unit.channels[0]
        if len(self.closed_channels) != 1:
            return None
        return self.setup.channel_routes.get(next(iter(self.closed_channels)))

    @property
    def network_channel(self) -> str | None:
        """Channel that the network analyzer is connected to; None when no relay, or more than one, is closed."""
        if not self.setup.channel_routes:
            return self.setup.unit.channels[0]
        if len(self.closed_channels) != 1:
            return None
        return self.setup.network_routes.get(next(iter(self.closed_channels)))

    def put_lines(self, port: int, word: int) -> None:
        """Put the lines of a port to a word; a latch of the unit may take what they say."""
        before = dict(self.lines)
        self.lines[port] = word
        if port not in self.latches:
            self.words[port] = word
        for number, latch in self.latches.items():
            latch.moved(before, self.lines)
            self.words[number] = latch.word

    @property
    def mode_word(self) -> int:
        """Word on the mode pins; 0 as long as nothing was written."""
        return self.words.get(self.setup.mode_port, 0) if self.setup.mode_port is not None else 0

    def code(self, channel: str) -> int:
        """Gain code that a channel has taken; a word beyond the table leaves it at the last code."""
        port = next((port for port, name in self.setup.channel_ports.items() if name == channel), None)
        word = self.words.get(port, 0) if port is not None else 0
        codes = self.setup.unit.nominal_gain_db
        return word if word in codes else max(codes)

    # --- What it leads to ----------------------------------------------------------------------------------------

    def operating(self) -> Operating:
        """Bias and die temperature now; notes a rating that is passed and a protection that trips."""
        self.advance()
        unit, word, board_c = self.setup.unit, self.mode_word, self.thermal.board_c
        if self.bias is None:
            name = unit.mode_of_word(word)
            supply_v = unit.modes[name].supply_v if name else 0.0
            die = unit.die_c(board_c, word, supply_v)
            terminals = Terminals(supply_v, unit.supply_current_a(die, word, supply_v), limiting=False)
        else:
            was_on = self.bias.on
            self.bias.extra_current_a = self.drifted("supply")
            terminals = self.bias.terminals(
                lambda voltage: unit.supply_current_a(unit.die_c(board_c, word, voltage), word, voltage)
            )
            if was_on and not self.bias.on:
                self.note("supply", "bias tripped")
        die_c = board_c + unit.thermal_resistance_k_per_w * terminals.voltage_v * terminals.current_a
        self.exceed("supply voltage", terminals.voltage_v, self.setup.ratings.supply_v)
        self.exceed("die temperature", die_c, self.setup.ratings.highest_die_c)
        biased = terminals is not OFF and unit.is_biased(terminals.voltage_v, word)
        return Operating(terminals, die_c, unit.mode_of_word(word) if biased else None)

    def metered_current_a(self) -> float:
        """What the meter in the supply line reads now."""
        metered_a = self.operating().terminals.current_a * (1 + self.meter_gain_error) + self.meter_offset_a
        return metered_a + self.drifted("current_meter")

    def metered_board_c(self) -> float:
        """What the thermometer on the board reads now."""
        self.advance()
        if "board_thermometer" in self.dead_sensors:
            return self.dead_sensors["board_thermometer"]
        return self.thermal.board_c + self.thermometer_error_k + self.drifted("board_thermometer")

    def input_tone(self, place: str, channel: str) -> tuple[float, float] | None:
        """Level in dBm at the channel's input, and frequency in Hz, of one source; None when it is off or absent."""
        tone = self.tones.get(place)
        if tone is None or not tone.on:
            return None
        return tone.emitted_dbm - self.paths.input_db(channel, tone.emitted_hz), tone.emitted_hz

    def check_input(self) -> None:
        """Note when the tones together pass the unit's input rating."""
        channel = self.channel
        if channel is None or self.setup.through:
            return
        tones = [self.input_tone(place, channel) for place in self.tones]
        power_mw = sum(10 ** (tone[0] / 10) for tone in tones if tone is not None)
        if power_mw > 0:
            self.exceed("input level", 10 * math.log10(power_mw), self.setup.ratings.input_level_dbm)

    def load_lines_v(self, operating: Operating) -> dict[str, complex]:
        """Complex peak volts across the load by line; empty when channel or load is not connected."""
        channel, load = self.channel, self.load_ohm
        if channel is None or load is None:
            return {}
        unit, mode, through = self.setup.unit, operating.mode, self.setup.through
        lower, upper = self.input_tone("tone_1", channel), self.input_tone("tone_2", channel)
        tones = {"tone_lower": lower, "tone_upper": upper}
        if through:
            lines = dict.fromkeys(LINE_ORDERS, 0j)
            lines |= {line: complex(peak_v(tone[0], unit.input_resistance_ohm)) for line, tone in tones.items() if tone}
        elif mode is not None:
            lines = unit.lines_v(channel, self.code(channel), operating.die_c, mode, load, lower, upper)
        else:
            return {line: complex(peak_v(tone[0] - ISOLATION_DB, load)) for line, tone in tones.items() if tone}
        for line, level_dbm in input_products_dbm(self, channel).items():
            gain_db = 0.0
            if mode is not None and not through:
                at_hz = self.line_frequency_hz(line)
                gain_db = unit.gain_db(channel, self.code(channel), operating.die_c, mode, load, at_hz)
            lines[line] += turned(self, line, level_dbm, gain_db)
        return lines

    def line_frequency_hz(self, line: str) -> float:
        """Where a line lies for the sources' present settings, Hz."""
        n, m = LINE_ORDERS[line]
        return abs(n * self._tone_hz("tone_1") + m * self._tone_hz("tone_2"))

    def _tone_hz(self, place: str) -> float:
        """Frequency that a source is set to; 0 for a source that is not there, whose lines have no amplitude."""
        tone = self.tones.get(place)
        return tone.emitted_hz if tone else 0.0

    def connector_lines(self, state: SweepState, operating: Operating) -> dict[str, Line]:
        """Lines at the analyzer's connector: both tones, and the products that ``state`` can see."""
        channel, load = self.channel, self.load_ohm
        if channel is None or load is None:
            return {}
        reach_hz = state.span_hz / 2 + FILTER_REACH * state.bandwidth_hz
        per_root_w = 1 / math.sqrt(2 * load)
        lower_hz, upper_hz = self._tone_hz("tone_1"), self._tone_hz("tone_2")
        found = {}
        for name, voltage in self.load_lines_v(operating).items():
            n, m = LINE_ORDERS[name]
            frequency_hz = abs(n * lower_hz + m * upper_hz)
            is_tone = n + m == 1 and n * m == 0
            # A product that is not there still has its place: the analyzer may put its own on it.
            if voltage != 0 if is_tone else abs(frequency_hz - state.centre_hz) <= reach_hz:
                loss_db = self.paths.output_db(channel, load, frequency_hz)
                found[name] = Line(frequency_hz, voltage * (per_root_w * 10 ** (-loss_db / 20)))
        return found

    def sweep(self, state: SweepState) -> tuple[NDArray[np.float64], bool]:
        """One sweep of the analyzer now: samples in dBm of shape (points,), and whether it was overloaded."""
        operating = self.operating()
        lines = self.connector_lines(state, operating)
        powers_w = [abs(lines[name].amplitude) ** 2 if name in lines else 0.0 for name in ("tone_lower", "tone_upper")]
        tones = (_dbm(powers_w[0]), _dbm(powers_w[1]))
        total_dbm = _dbm(sum(powers_w))
        if self.setup.analyzer is not None:
            self.exceed("analyzer input", total_dbm, self.setup.analyzer.highest_input_dbm)
        excess_w_per_hz = excess_at_connector_w_per_hz(self, operating, state.centre_hz)
        met = self.analyzer.add_own_products(lines, tones, state)
        samples = self.analyzer.sweep_dbm(met, state, excess_w_per_hz)
        return samples, self.analyzer.is_overloaded(total_dbm, state)

    def network_sweep(
        self, frequency_hz: NDArray[np.float64], power_dbm: float, bandwidth_hz: float
    ) -> NDArray[np.complex128]:
        """One sweep of the network analyzer now: S-parameters as it reads them, shape (n, 2, 2)."""
        true = self.network.between_ports(self, frequency_hz)
        channel, load_ohm = self.network_channel, self.load_ohm
        if not self.network_on:
            return self.network.read(true * 0, frequency_hz, power_dbm, bandwidth_hz)
        if channel is not None and load_ohm is not None:
            arriving_dbm = power_dbm - self.network.input_loss_db(channel, load_ohm, frequency_hz)
            self.exceed("input level", arriving_dbm, self.setup.ratings.input_level_dbm)
        return self.network.read(true, frequency_hz, power_dbm, bandwidth_hz)

    def exceed(self, rating: str, value: float, limit: float) -> None:
        """Note a rating that is passed, and by how much at most."""
        if value > limit and value > self.exceeded.get(rating, -math.inf):
            self.exceeded[rating] = value


def _dbm(power_w: float) -> float:
    return 10 * math.log10(power_w) + 30 if power_w > 0 else -math.inf
