"""What is read at a condition: roles in, raw readings out, no arithmetic on them.

Readings are named as ``reports.frames.READINGS`` lists them. The slow meters work while the analyzer sweeps.
"""

from __future__ import annotations

from collections.abc import Callable

from bench.acquisition import NOISE_AT_MOST_DBM, Acquisition, reference_level_dbm
from bench.places import Places
from drivers.errors import NotUnderstood
from drivers.roles import Meter, PowerReading, SpectrumAnalyzer, SweepSetting
from drivers.scpi_text import NotMeasured
from sequences.conditions import Condition
from sequences.part_file import Part
from sequences.path_losses import PathLosses
from sequences.products import HARMONICS, SINGLE, TONES, TWO_TONE_PRODUCTS, line_frequency_hz, output_level_dbm
from sequences.sequence_file import Measure, Sequence

Readings = dict[str, float]

#: Reading of each source's level setting, by place.
SOURCE_READING = {"tone_1": "source_1_level_dbm", "tone_2": "source_2_level_dbm"}

#: Reading of the power meter with that source alone on, by place.
MEASURED_READING = {"tone_1": "source_1_measured_dbm", "tone_2": "source_2_measured_dbm"}


def lines_of(measure: Measure) -> tuple[str, ...]:
    """Lines that a sequence asks for, tones first; none without two tones or harmonics."""
    products = (TWO_TONE_PRODUCTS if measure.two_tone else ()) + (HARMONICS if measure.harmonics else ())
    return TONES + products if products else ()


def needs_analyzer(measure: Measure) -> bool:
    """Whether a sequence reads anything with the analyzer."""
    return bool(lines_of(measure)) or measure.compression or measure.noise


def expected_tone_dbm(condition: Condition, part: Part, sequence: Sequence) -> float:
    """Level of the lower tone in the load if the gain were nominal."""
    if sequence.tones.level_at == "output":
        return condition.tone_level_dbm
    gain_db = part.gain_codes.gain_of[condition.gain_code]
    return output_level_dbm(condition.tone_level_dbm, gain_db, condition.load_ohm, part.part.input_resistance_ohm)


class LineReader:
    """Reads spectral lines with the settings that the acquisition chooses; remembers what the analyzer is set to.

    ``between`` is called before each line of a condition, for what must be looked at meanwhile.
    """

    def __init__(
        self,
        analyzer: SpectrumAnalyzer,
        acquisition: Acquisition,
        part: Part,
        sequence: Sequence,
        path_losses: PathLosses,
        between: Callable[[], None] = lambda: None,
    ) -> None:
        self._between = between
        self._analyzer = analyzer
        self._acquisition = acquisition
        self._part = part
        self._sequence = sequence
        self._path_losses = path_losses
        self._asked: SweepSetting | None = None
        self._standing: SweepSetting | None = None
        self._reference_dbm: float | None = None
        self._lines = lines_of(sequence.measure)

    def read(self, condition: Condition) -> Readings:
        """All lines of the sequence at this condition; the tones come first and set the scale for the rest."""
        readings: Readings = {}
        loss_db = self._path_losses.loss_db("output", condition.channel, condition.load_ohm, condition.frequency_hz)
        tone_dbm = expected_tone_dbm(condition, self._part, self._sequence) - loss_db
        attenuation_db = self._acquisition.attenuation_db(tone_dbm, loss_db)
        self._refer_to(tone_dbm + max(0.0, self._sequence.tones.upper_minus_lower_db))
        for line in self._lines:
            setting = self._acquisition.first_setting(line, tone_dbm, loss_db, attenuation_db)
            frequency_hz = line_frequency_hz(line, condition.frequency_hz, self._sequence.tones.spacing_hz)
            self._between()
            reading, used = self._sweep(frequency_hz, setting)
            slower = self._acquisition.better_setting(line, setting, reading)
            if slower is not None:
                reading, used = self._sweep(frequency_hz, slower)
            readings |= _named(line, reading, used)
            if line in TONES:
                # Products are predicted from the stronger tone: the safe side for the analyzer's setting.
                tone_dbm = reading.level_dbm if line == TONES[0] else max(tone_dbm, reading.level_dbm)
            else:
                self._acquisition.learn(line, tone_dbm, loss_db, reading.level_dbm)
        return readings

    def read_single(self, condition: Condition) -> Readings:
        """The lower tone at this condition, which must be the only one that is on."""
        loss_db = self._path_losses.loss_db("output", condition.channel, condition.load_ohm, condition.frequency_hz)
        tone_dbm = expected_tone_dbm(condition, self._part, self._sequence) - loss_db
        attenuation_db = self._acquisition.attenuation_db(tone_dbm, loss_db)
        self._refer_to(tone_dbm)
        setting = self._acquisition.first_setting(TONES[0], tone_dbm, loss_db, attenuation_db)
        frequency_hz = line_frequency_hz(SINGLE, condition.frequency_hz, self._sequence.tones.spacing_hz)
        reading, used = self._sweep(frequency_hz, setting)
        slower = self._acquisition.better_setting(TONES[0], setting, reading)
        if slower is not None:
            reading, used = self._sweep(frequency_hz, slower)
        return _named(SINGLE, reading, used)

    def read_noise(self, condition: Condition, name: str) -> Readings:
        """Noise at the condition's frequency, at the lowest attenuation: no tone may be on. ``protect`` must follow."""
        self._refer_to(NOISE_AT_MOST_DBM)
        reading, used = self._sweep(condition.frequency_hz, self._acquisition.noise_setting())
        return _named(name, reading, used)

    def protect(self) -> None:
        """Take the attenuation up, before any tone comes on again."""
        self._asked = self._acquisition.protected_setting()
        self._standing = self._analyzer.set_sweep(self._asked)

    def _refer_to(self, strongest_dbm: float) -> None:
        """Set the analyzer's reference level for a strongest line, unless it stands there."""
        wanted_dbm = reference_level_dbm(strongest_dbm)
        if wanted_dbm != self._reference_dbm:
            self._reference_dbm = None  # unknown, if it should be refused
            self._analyzer.set_reference_level(wanted_dbm)
            self._reference_dbm = wanted_dbm

    def _sweep(self, frequency_hz: float, setting: SweepSetting) -> tuple[PowerReading, SweepSetting]:
        if self._standing is None or setting != self._asked:
            self._standing = self._analyzer.set_sweep(setting)
            self._asked = setting
        self._analyzer.begin_power(frequency_hz)
        return self._analyzer.finish_power(), self._standing


def _named(name: str, reading: PowerReading, used: SweepSetting) -> Readings:
    return {
        f"{name}_level_dbm": reading.level_dbm,
        f"{name}_scatter_db": reading.scatter_db,
        f"{name}_attenuation_db": used.attenuation_db,
        f"{name}_bandwidth_hz": used.resolution_bandwidth_hz,
        f"{name}_points": float(used.points),
    }


def read_condition(places: Places, lines: LineReader | None, condition: Condition, measure: Measure) -> Readings:
    """One set of readings: temperatures and current begin, the analyzer works meanwhile, then they finish."""
    readings: Readings = {}
    for meter in (places.current_meter if measure.supply else None, places.board_thermometer):
        if meter is not None:
            meter.begin_reading()
    if lines is not None:
        readings.update(lines.read(condition))
    if measure.supply:
        readings.update(read_supply(places))
    if places.board_thermometer is not None:
        readings["board_temperature_c"] = _finish_board_c(places.board_thermometer)
    if places.chamber is not None:
        readings["air_temperature_c"] = places.chamber.read_air_c()
    return readings


def _finish_board_c(thermometer: Meter) -> float:
    """The board's temperature; what is no number comes from a sensor that is open (SCPI-1999 Vol 1, 7.2.1.4)."""
    try:
        return thermometer.finish_reading()
    except NotUnderstood as error:
        if not isinstance(error.__cause__, NotMeasured):
            raise
        raise NotUnderstood(
            f"the sensor of the board is open or lost: {error.problem}",
            instrument=error.instrument,
            resource=error.resource,
            message=error.message,
        ) from error


def read_supply(places: Places) -> Readings:
    """Voltage from the supply; current from the meter in its line, which must have begun, or from the supply itself."""
    readings: Readings = {}
    if places.supply is not None:
        readings["supply_voltage_v"] = places.supply.read_voltage_v()
    if places.current_meter is not None:
        readings["supply_current_a"] = places.current_meter.finish_reading()
    elif places.supply is not None:
        readings["supply_current_a"] = places.supply.read_current_a()
    return readings


def read_temperatures(places: Places) -> Readings:
    """Air and board, for the soak and the interlocks."""
    readings: Readings = {}
    if places.chamber is not None:
        readings["air_temperature_c"] = places.chamber.read_air_c()
    if places.board_thermometer is not None:
        places.board_thermometer.begin_reading()
        readings["board_temperature_c"] = _finish_board_c(places.board_thermometer)
    return readings
