"""Runs made from an invented truth, through a bench whose errors are drawn from what its file declares.

The arithmetic here goes from the truth to the readings and shares nothing with the code that goes back.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from reports.frames import AXES, RunFacts, RunFrames
from sequences.bench_file import Bench
from sequences.part_file import Part
from sequences.path_losses import PathLosses
from sequences.products import LINES
from sequences.sequence_file import Sequence

FloatArray = NDArray[np.float64]
Truth = dict[str, FloatArray]
Night = tuple[RunFrames, Truth]

POINTS = 40
SPACING_HZ = 1e6
KNOT_HZ = 10e6
CODES = tuple(range(6))

#: Fall of gain and of level over frequency, dB/Hz: steep, so that noise does not decide which frequency is highest.
ROLL_OFF_DB_PER_HZ = 0.02 / 1e6

#: The unit's output resistance.
OUTPUT_OHM = 10.0


def _part(limits: tuple[dict[str, object], ...]) -> Part:
    return Part.model_validate(
        {
            "part": {
                "name": "VIRGA-2",
                "channels": ("A", "B"),
                "input_resistance_ohm": 200.0,
                "loads_ohm": (50.0, 200.0),
                "reference_load_ohm": 200.0,
            },
            "gain_codes": {"codes": CODES, "nominal_gain_db": tuple(24.0 - 0.75 * code for code in CODES)},
            "supply_mode": (_mode("nominal", 5.0, 0, 0.2), _mode("low power", 4.75, 1, 0.16)),
            "absolute_maximum": {
                "supply_v": 5.5,
                "supply_current_a": 0.35,
                "input_level_dbm": 18.0,
                "saturated_output_dbm": 20.0,
                "temperature_c": {"min": -55.0, "max": 110.0},
                "ramp_k_per_min": 10.0,
            },
            "operating": {
                "temperature_c": {"min": -40.0, "max": 85.0},
                "frequency_hz": {"min": 20e6, "max": 150e6},
            },
            "limit": limits,
        }
    )


def _mode(name: str, supply_v: float, word: int, current_a: float) -> dict[str, object]:
    return {
        "name": name,
        "supply_v": supply_v,
        "mode_word": word,
        "typical_current_a": current_a,
        "plausible_current_a": {"min": current_a / 2, "max": current_a * 2},
        "current_limit_a": 0.3,
    }


def _bench() -> Bench:
    ports = itertools.count(5025)

    def place(**facts: object) -> dict[str, object]:
        return {"resource": f"TCPIP0::one.example::{next(ports)}::SOCKET", **facts}

    tone_1, tone_2 = (place(highest_level_dbm=19.0, accuracy={"level_db": 0.25, "setting_db": 0.04}) for _ in range(2))
    analyzer = place(
        noise_dbm_per_hz=-155.0,
        intercept2_dbm=62.0,
        intercept3_dbm=26.0,
        attenuations_db=(0.0, 10.0, 20.0, 30.0),
        bandwidths_hz=(100.0, 1000.0),
        highest_input_dbm=30.0,
        accuracy={"level_db": 0.25, "scale_db_per_10db": 0.03, "flatness_db": 0.12, "attenuator_db": 0.08},
    )
    supply = place(
        highest_voltage_v=20.0,
        highest_current_a=2.0,
        accuracy={"voltage_v": 0.01, "voltage_reading_v": 0.005, "current_a": 1e-3},
    )
    paths = itertools.product(("A", "B"), (("input", None), ("output", 50.0), ("output", 200.0)))
    return Bench.model_validate(
        {
            "bench": {"name": "Nimbus", "visa_library": "@sim", "clock": "simulated"},
            "instrument": {
                "tone_1": tone_1,
                "tone_2": tone_2,
                "analyzer": analyzer,
                "supply": supply,
                "current_meter": place(accuracy={"offset_a": 2e-5, "gain": 5e-4}),
            },
            "path_loss": tuple(
                {
                    "path": path,
                    "channel": channel,
                    "load_ohm": load,
                    "uncertainty_db": 0.06,
                    "loss_db": {"frequency_hz": (1e7, 5e8), "loss_db": (7.0, 7.5) if path == "input" else (11.0, 11.6)},
                }
                for channel, (path, load) in paths
            ),
            "fixture": {"temperature_c": {"min": -50.0, "max": 105.0}, "time_constant_s": 180.0},
        }
    )


def _sequence() -> Sequence:
    return Sequence.model_validate(
        {
            "sequence": {"name": "night", "part": "virga-2.part.toml"},
            "axes": {"tone_level_dbm": (3.0,), "frequency_hz": (60e6,)},
            "tones": {"spacing_hz": SPACING_HZ},
        }
    )


class _Errors:
    """Every error of one bench; ``size`` 0 makes a perfect one."""

    def __init__(
        self, rng: np.random.Generator, bench: Bench, size: float, product_setting: tuple[float, float]
    ) -> None:
        #: Attenuation in dB and bandwidth in Hz at which products are read; no error, but what the errors depend on.
        self.product_setting = product_setting
        analyzer, meter = bench.instrument.analyzer, bench.instrument.current_meter
        source, supply = bench.instrument.tone_1, bench.instrument.supply
        assert analyzer is not None
        assert meter is not None
        assert source is not None
        assert supply is not None
        self._rng, self._size, self._settings = rng, size, dict[tuple[int, float], float]()
        self._source, self._attenuators = source.accuracy, dict[float, float]()
        self._attenuator_db = analyzer.accuracy.attenuator_db
        self.source_level = [self.within(source.accuracy.level_db) for _ in range(2)]
        self.level = self.within(analyzer.accuracy.level_db)
        self.scale = self.within(analyzer.accuracy.scale_db_per_10db)
        self.knots = np.array([self.within(analyzer.accuracy.flatness_db) for _ in range(60)])
        self.phase = {line: rng.uniform(0, 2 * np.pi) for line in LINES}
        self.loss = np.array([rng.normal(0, entry.uncertainty_db / 2) * size for entry in bench.path_loss])
        self.meter_gain, self.meter_offset = self.within(meter.accuracy.gain), self.within(meter.accuracy.offset_a)
        self.voltage = self.within(supply.accuracy.voltage_reading_v)

    def within(self, half_width: float) -> float:
        return float(self._rng.uniform(-half_width, half_width)) * self._size

    def setting(self, source: int, level_dbm: float) -> float:
        key = (source, round(level_dbm, 2))
        if key not in self._settings:
            self._settings[key] = self.within(self._source.setting_db)
        return self._settings[key]

    def attenuator(self, attenuation_db: float) -> float:
        if attenuation_db not in self._attenuators:
            self._attenuators[attenuation_db] = self.within(self._attenuator_db)
        return self._attenuators[attenuation_db]


def _truth(conditions: pd.DataFrame, rng: np.random.Generator) -> Truth:
    """Gain with random code errors, intercepts that fall with code and heat, a current that rises with temperature."""
    code = conditions["gain_code"].to_numpy(dtype=np.float64)
    temperature = conditions["temperature_c"].to_numpy(dtype=np.float64)
    is_low = conditions["supply_mode"].to_numpy(dtype=object) == "low power"
    is_b = conditions["channel"].to_numpy(dtype=object) == "B"
    code_error = rng.uniform(-0.1, 0.1, (2, len(CODES)))[is_b.astype(int), code.astype(int)]
    oip3 = 45.0 - 0.2 * code - 0.01 * (temperature - 25.0) - 5.0 * is_low
    load = conditions["load_ohm"].to_numpy(dtype=np.float64)
    divider = 20 * np.log10(load / (load + OUTPUT_OHM) * (200.0 + OUTPUT_OHM) / 200.0)
    roll_off = ROLL_OFF_DB_PER_HZ * (conditions["frequency_hz"].to_numpy(dtype=np.float64) - 60e6)
    return {
        "gain": 24.0 - 0.75 * code + code_error - 0.003 * (temperature - 25.0) + divider - roll_off,
        "oip3_lower": oip3,
        "oip3_upper": oip3 + 0.4,
        "oip3": oip3,
        "oip2": np.full(len(conditions), 80.0),
        "hd2": np.full(len(conditions), -72.0),
        "hd3": np.full(len(conditions), -90.0),
        "supply_current": np.where(is_low, 0.16, 0.2) * (1 + 4e-4 * (temperature - 25.0)),
        "supply_voltage": np.where(is_low, 4.75, 5.0),
    }


def _source_settings(conditions: pd.DataFrame) -> FloatArray:
    """Settings that give the wanted level at nominal gain: the nearest 0.01 dB."""
    nominal = 24.0 - 0.75 * conditions["gain_code"].to_numpy(dtype=np.float64)
    load = 10 * np.log10(conditions["load_ohm"].to_numpy(dtype=np.float64) / 200.0)
    settings: FloatArray = np.round(conditions["tone_level_dbm"].to_numpy(dtype=np.float64) - nominal + load + 7.05, 2)
    return settings


def _lines_in_load(tones: tuple[FloatArray, FloatArray], truth: Truth, knee_dbm: float) -> dict[str, FloatArray]:
    """A fifth-order term adds an eighth to the third-order products where the tones are at the knee: 1 dB."""
    lower, upper = tones
    bent = 20 * np.log10(1 + (10**0.05 - 1) * 10 ** (((lower + upper) / 2 - knee_dbm) / 10))
    return {
        "tone_lower": lower,
        "tone_upper": upper,
        "im3_lower": 2 * lower + upper - 2 * truth["oip3_lower"] + bent,
        "im3_upper": lower + 2 * upper - 2 * truth["oip3_upper"] + bent,
        "im2_sum": lower + upper - truth["oip2"],
        "hd2": lower + truth["hd2"],
        "hd3": lower + truth["hd3"],
    }


def _own_product(line: str, at_connector: dict[str, FloatArray], attenuation_db: float) -> FloatArray | float:
    lower, upper = at_connector["tone_lower"], at_connector["tone_upper"]
    third, second = 2 * (26.0 + attenuation_db), 62.0 + attenuation_db
    levels: dict[str, FloatArray] = {
        "im3_lower": 2 * lower + upper - third,
        "im3_upper": lower + 2 * upper - third,
        "im2_sum": lower + upper - second,
        "hd2": 2 * lower - second - 6.0206,
        "hd3": 3 * lower - third - 9.5424,
    }
    return levels.get(line, -np.inf)


def _read_line(
    line: str, at_connector: dict[str, FloatArray], frequency_hz: FloatArray, errors: _Errors, rng: np.random.Generator
) -> dict[str, FloatArray]:
    """Power mean and its scatter over ``POINTS`` samples of line, analyzer product and noise, with all errors."""
    attenuation_db, bandwidth_hz = errors.product_setting if not line.startswith("tone") else (30.0, 1000.0)
    level = at_connector[line]
    own = np.asarray(_own_product(line, at_connector, attenuation_db))
    signal = 10 ** (level / 20) + 10 ** (own / 20) * np.exp(1j * errors.phase[line])
    noise_power = 10 ** ((-155.0 + attenuation_db) / 10) * bandwidth_hz
    noise = rng.normal(0, np.sqrt(noise_power / 2), (2, len(level), POINTS))
    power = np.abs(signal[:, None] + noise[0] + 1j * noise[1]) ** 2
    mean = power.mean(axis=1)
    reading = 10 * np.log10(mean)
    position = frequency_hz / KNOT_HZ
    response = np.interp(position, np.arange(len(errors.knots)), errors.knots)
    return {
        f"{line}_level_dbm": reading
        + errors.level
        + errors.scale * (level + 20) / 10
        + response
        + errors.attenuator(attenuation_db),
        f"{line}_scatter_db": 10 / np.log(10) * power.std(axis=1, ddof=1) / np.sqrt(POINTS) / mean,
        f"{line}_attenuation_db": np.full(len(level), attenuation_db),
        f"{line}_bandwidth_hz": np.full(len(level), bandwidth_hz),
        f"{line}_points": np.full(len(level), float(POINTS)),
    }


def _entries(bench: Bench, conditions: pd.DataFrame, path: str) -> NDArray[np.int64]:
    return np.array(
        [
            next(
                number
                for number, entry in enumerate(bench.path_loss)
                if entry.path == path and entry.channel == channel and entry.load_ohm in (None, load)
            )
            for channel, load in zip(conditions["channel"], conditions["load_ohm"], strict=True)
        ]
    )


def _read_once(
    conditions: pd.DataFrame, bench: Bench, truth: Truth, errors: _Errors, rng: np.random.Generator, knee_dbm: float
) -> dict[str, FloatArray]:
    """Readings of one repeat; ``truth`` is given the levels that the sources' errors led to."""
    centre = conditions["frequency_hz"].to_numpy(dtype=np.float64)
    tones_hz = (centre - SPACING_HZ / 2, centre + SPACING_HZ / 2)
    setting = _source_settings(conditions)
    into, out = _entries(bench, conditions, "input"), _entries(bench, conditions, "output")
    load = 10 * np.log10(conditions["load_ohm"].to_numpy(dtype=np.float64) / 200.0)
    tones, inputs = [], []
    for source, frequency in enumerate(tones_hz):
        emitted = setting + errors.source_level[source] + [errors.setting(source, one) for one in setting]
        loss = np.interp(frequency, (1e7, 5e8), (7.0, 7.5)) + errors.loss[into]
        inputs.append(emitted - loss)
        tones.append(emitted - loss + truth["gain"] - load)
    in_load = _lines_in_load((tones[0], tones[1]), truth, knee_dbm)
    truth |= {
        "tones": (tones[0] + tones[1]) / 2,
        "products": (in_load["im3_lower"] + in_load["im3_upper"]) / 2,
        "im3": np.maximum(in_load["im3_lower"] - tones[0], in_load["im3_upper"] - tones[1]),
        "rf_power": sum(10 ** (level / 10 - 3) for level in inputs) - sum(10 ** (level / 10 - 3) for level in tones),
    }
    line_hz = {line: n * tones_hz[0] + m * tones_hz[1] for line, (n, m) in LINES.items()}
    at_connector = {
        line: level - np.interp(line_hz[line], (1e7, 5e8), (11.0, 11.6)) - errors.loss[out]
        for line, level in in_load.items()
    }
    readings: dict[str, FloatArray] = {
        "source_1_level_dbm": setting,
        "source_2_level_dbm": setting,
        "supply_voltage_v": truth["supply_voltage"] + errors.voltage,
        "supply_current_a": truth["supply_current"] * (1 + errors.meter_gain) + errors.meter_offset,
    }
    for line in LINES:
        readings |= _read_line(line, at_connector, line_hz[line], errors, rng)
    return readings


def _long(wide: dict[str, FloatArray], repeat: int) -> pd.DataFrame:
    rows = len(wide["supply_current_a"])
    codes = np.repeat(np.arange(len(wide)), rows)
    return pd.DataFrame(
        {
            "condition": np.tile(np.arange(rows), len(wide)),
            "repeat": np.full(rows * len(wide), repeat),
            "quantity": pd.Categorical.from_codes(codes, categories=pd.Index(list(wide), dtype=object)),
            "value": np.concatenate(list(wide.values())),
        }
    )


@pytest.fixture
def make_night() -> Callable[..., Night]:
    """Makes ``(frames, truth)`` from a seed; truth by condition.

    ``size`` scales the bench's errors, ``product_setting`` is attenuation in dB and bandwidth in Hz for the products,
    ``limits`` go into the part file, ``knee_dbm`` is the tone level at which the third-order products are 1 dB above
    their 3:1 slope, anything else is the values of an axis.
    """

    def make(
        seed: int = 0,
        *,
        size: float = 1.0,
        repeats: int = 1,
        product_setting: tuple[float, float] = (20.0, 100.0),
        knee_dbm: float = np.inf,
        limits: tuple[dict[str, object], ...] = (),
        **axes: tuple[object, ...],
    ) -> Night:
        rng = np.random.default_rng(seed)
        bench = _bench()
        every: dict[str, tuple[object, ...]] = {
            "channel": ("A", "B"),
            "gain_code": CODES,
            "temperature_c": (-40.0, 25.0, 85.0),
            "supply_mode": ("nominal",),
            "load_ohm": (200.0,),
            "tone_level_dbm": (3.0,),
            "frequency_hz": (60e6,),
            **axes,
        }
        rows = list(itertools.product(*(every[axis] for axis in AXES)))
        conditions = pd.DataFrame(rows, columns=list(AXES)).astype({"gain_code": "int64"})
        conditions.index = pd.RangeIndex(len(rows), name="condition")
        conditions["flag"] = pd.Series("", index=conditions.index, dtype="str")
        truth, errors = _truth(conditions, rng), _Errors(rng, bench, size, product_setting)
        parts = [
            _long(_read_once(conditions, bench, truth, errors, rng, knee_dbm), repeat) for repeat in range(repeats)
        ]
        readings = pd.concat(parts, ignore_index=True)
        began = datetime(2026, 11, 2, tzinfo=UTC)
        facts = RunFacts("run-1", "VG2-0001", "Operator", "done", began, None, "0.1.0", len(rows))
        frames = RunFrames(
            facts=facts,
            part=_part(limits),
            bench=bench,
            sequence=_sequence(),
            path_losses=PathLosses.of(bench),
            conditions=conditions,
            readings=readings,
            instruments=pd.DataFrame(),
            events=pd.DataFrame({"at": [], "kind": [], "text": []}),
            hazards=(),
        )
        return frames, truth

    return make
