"""What is really so on a simulated bench. For tests; no driver can come here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.simulated.amplifier import AmplifierModel, level_dbm
from drivers.simulated.noise import noise_figure_db

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig


class Truth:
    """True values at the clock's instant, for the state that the instruments have been put into."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    @property
    def unit(self) -> AmplifierModel:
        """The specimen, to be asked about any operating point."""
        return self._rig.setup.unit

    def gain_db(self, frequency_hz: float) -> float:
        """Small-signal gain of the connected channel. Raises LookupError when it does not amplify."""
        return self.unit.gain_db(*self._point(), frequency_hz)

    def oip3_dbm(self, frequency_hz: float) -> float:
        """Small-signal OIP3 of the connected channel into the load. Raises LookupError when it does not amplify."""
        return self.unit.oip3_dbm(*self._point(), frequency_hz)

    def noise_figure_db(self) -> float:
        """Noise figure of the connected channel. Raises LookupError when it does not amplify."""
        channel, code, die_c, mode, _ = self._point()
        return noise_figure_db(self.unit, channel, code, die_c, mode)

    def output_1db_dbm(self, frequency_hz: float) -> float:
        """Level in the load of one tone at which the gain is 1 dB below that of a small one; by bisection."""
        channel, code, die_c, mode, load = self._point()

        def output_dbm(input_dbm: float) -> float:
            lines = self.unit.lines_v(channel, code, die_c, mode, load, (input_dbm, frequency_hz), None)
            return level_dbm(abs(lines["tone_lower"]), load)

        small_db = output_dbm(-100.0) + 100.0
        low, high = -100.0, 100.0
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if output_dbm(middle) - middle > small_db - 1.0 else (low, middle)
        return output_dbm(low)

    def line_levels_dbm(self) -> dict[str, float]:
        """True level of each line in the load; −inf for a line that is not there."""
        load = self._rig.load_ohm
        if load is None:
            return {}
        lines = self._rig.load_lines_v(self._rig.operating())
        return {name: level_dbm(abs(voltage), load) for name, voltage in lines.items()}

    @property
    def supply_voltage_v(self) -> float:
        """Voltage at the unit."""
        return self._rig.operating().terminals.voltage_v

    @property
    def supply_current_a(self) -> float:
        """Current into the unit."""
        return self._rig.operating().terminals.current_a

    @property
    def air_c(self) -> float:
        """Air in the chamber."""
        self._rig.advance()
        return self._rig.thermal.air_c

    @property
    def board_c(self) -> float:
        """Board next to the unit."""
        self._rig.advance()
        return self._rig.thermal.board_c

    @property
    def die_c(self) -> float:
        """Die of the unit."""
        return self._rig.operating().die_c

    def drawn_errors(self) -> dict[str, float]:
        """Constant errors of the instruments by name, units on the names; only of instruments on the bench."""
        rig = self._rig
        errors = {f"{place}_level_db": tone.level_error_db for place, tone in rig.tones.items()}
        if rig.setup.analyzer is not None:
            errors["analyzer_level_db"] = rig.analyzer.level_error_db
            errors["analyzer_scale_db_per_10db"] = rig.analyzer.scale_error_db_per_10db
            errors["analyzer_noise_db"] = rig.analyzer.noise_error_db
        if rig.bias is not None:
            errors["supply_voltage_v"] = rig.bias.voltage_error_v
            errors["supply_voltage_reading_v"] = rig.bias.voltage_reading_error_v
            errors["supply_current_a"] = rig.bias.current_reading_error_a
        errors["current_meter_gain"] = rig.meter_gain_error
        errors["current_meter_offset_a"] = rig.meter_offset_a
        errors["board_thermometer_k"] = rig.thermometer_error_k
        errors["chamber_k"] = rig.chamber_error_k
        errors["room_k"] = rig.room_c - rig.setup.room_c
        errors.update({f"path_{index}_db": error for index, error in enumerate(rig.paths.errors_db)})
        return errors

    def _point(self) -> tuple[str, int, float, str, float]:
        operating = self._rig.operating()
        channel, load = self._rig.channel, self._rig.load_ohm
        if channel is None or load is None or operating.mode is None:
            raise LookupError("the unit does not amplify: no bias, no channel or no load")
        return channel, self._rig.code(channel), operating.die_c, operating.mode, load
