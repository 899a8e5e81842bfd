"""The columns that a run leaves in: name, meaning, unit, kind, what a missing value means, source of the definition.

Rule for names: a column whose values have one unit ends in it (``temperature_c``, ``oip3_dbm``); a column whose values
have several, such as ``value`` of a long table, has a column ``unit`` beside it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from reports.characteristics import CHARACTERISTICS
from reports.wording import difference_unit
from sequences.products import LOOKS, NOISE, NOISE_HOT, SINGLE

Kind = Literal["text", "word", "number", "whole number", "time"]

OURS = "nightbench, no other source"
_GUM = "JCGM 100:2008"

#: Unit → how a name ends in it.
SUFFIXES = {
    "dBm": "dbm", "dBc": "dbc", "dB": "db", "dB/K": "db_per_k", "°": "deg", "°C": "c", "Ω": "ohm", "%": "percent",
    "ppm/K": "ppm_per_k", "A": "a", "V": "v", "W": "w", "s": "s", "Hz": "hz",
}  # fmt: skip

BOUND_WORDS = {0: "measured", 1: "at least", -1: "at most"}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table that leaves the tool.

    Attributes:
        name: As it stands in the file.
        meaning: One sentence.
        unit: Of its values; empty for none, or where the column ``unit`` says it.
        kind: "word" is a text of few different values.
        missing: What an empty field means; empty if the column has none.
        source: Where the definition is from.
    """

    name: str
    meaning: str
    unit: str = ""
    kind: Kind = "text"
    missing: str = ""
    source: str = OURS


def named(word: str, unit: str) -> str:
    """``word`` with its unit at the end: ``oip3_dbm``. Raises KeyError for a unit that no characteristic has."""
    return f"{word}_{SUFFIXES[unit]}" if unit else word


_AXIS_COLUMNS = (
    Column("channel", "channel of the part", kind="word", source="part file"),
    Column("gain_code", "gain code that was set", kind="whole number", source="part file"),
    Column("temperature_c", "temperature of the unit's surroundings that was asked for", "°C", "number"),
    Column("supply_mode", "supply mode", kind="word", source="part file"),
    Column("load_ohm", "differential load at the output", "Ω", "number", source="part file"),
    Column("tone_level_dbm", "level in the load that each tone was set for", "dBm", "number"),
    Column("frequency_hz", "frequency between both tones", "Hz", "number"),
)
AXIS_NAMES = tuple(column.name for column in _AXIS_COLUMNS)
_CONDITION = Column("condition", "number of the condition in the run", kind="whole number")
_REPEAT = Column("repeat", "number of the repeat within the condition, from 0", kind="whole number")
_FLAG = Column("flag", "what a reader must know of the condition", missing="nothing to know")
_CHARACTERISTIC = Column("characteristic", "which figure, a word of this dictionary", kind="word")
_UNIT = Column(
    "unit", "unit of the row's values", kind="word", missing="a pure number", source="SI Brochure, 9th edition"
)
_STANDARD = Column(
    "standard_uncertainty", "standard uncertainty of value, in unit (a difference: dB for dBm and dBc)", kind="number",
    source=f"{_GUM}, 5",
)  # fmt: skip
_EXPANDED = Column(
    "expanded_uncertainty", "expanded uncertainty U of value for about 95.45 %, in unit (a difference: dB for dBm)",
    kind="number", source=f"{_GUM}, 6 and G.4",
)  # fmt: skip
_DOF = Column(
    "dof", "effective degrees of freedom of the standard uncertainty; inf: not limited", kind="number",
    source=f"{_GUM}, G.4",
)  # fmt: skip
_BOUND = Column(
    "bound", "measured; at least, at most: value is only a bound that the true one does not pass", kind="word"
)
_VALUE = Column("value", "best estimate, in unit", kind="number", source="definition of the row's word")

_READING = (
    Column("quantity", "what was read, a word of this dictionary", kind="word"),
    Column("value", "what the instrument answered, in unit, untouched", kind="number", source="reading"),
)

_DECISION_COLUMNS = (
    Column("limit", "number of the limit in the part file, from 1", kind="whole number", source="part file"),
    _CHARACTERISTIC,
    replace(_UNIT, meaning="unit of the limit and of the row's values"),
    Column("where", "conditions that the limit holds for", missing="all", source="part file"),
    Column("min", "lowest value allowed, in unit", kind="number", missing="no such limit", source="part file"),
    Column("max", "highest value allowed, in unit", kind="number", missing="no such limit", source="part file"),
    Column("typical", "typical value, decides nothing, in unit", kind="number", missing="none", source="part file"),
    Column("decision", "outcome", kind="word", source="ILAC-G8:09/2019"),
    Column("worst_value", "value at the worst condition, in unit", kind="number", missing="not tested"),
    Column("worst_bound", f"of worst_value: {_BOUND.meaning}", kind="word", missing="not tested"),
    replace(_EXPANDED, meaning="expanded uncertainty U of worst_value, about 95.45 %, in unit", missing="not tested"),
    Column(
        "margin", "distance from worst_value to the nearer limit, negative beyond it, in unit", kind="number",
        missing="not tested",
    ),
    Column(
        "conformity_probability", "smallest probability that the true value keeps the limit", kind="number",
        missing="not tested", source="JCGM 106:2012, 7",
    ),
    Column("worst_condition", "number of the worst condition", kind="whole number", missing="not tested"),
    *(replace(axis, name=f"worst_{axis.name}", meaning=f"at the worst condition: {axis.meaning}", missing="not tested")
      for axis in _AXIS_COLUMNS),
    Column("conditions", "how many conditions the limit was held against", kind="whole number"),
    Column("bounded", "how many of these only bound the figure", kind="whole number"),
    Column("undecided", "how many of the bounded ones do not suffice to decide", kind="whole number"),
    Column("skipped", "how many conditions of the limit were left out after failing", kind="whole number"),
    Column("rule", "decision rule", kind="word", source="ILAC-G8:09/2019"),
    Column(
        "guard_band_factor", "r of the guard band w = r·U; 0 without one", kind="number", source="ILAC-G8:09/2019"
    ),
)  # fmt: skip

_CASCADE = {
    "cascade": Column("cascade", "name of the cascade", kind="word", source="part file"),
    "quantity": Column("quantity", "which figure of the cascade; level_1, … : level behind each stage", kind="word"),
    "value": replace(_VALUE, meaning="prediction, in unit"),
    "measured": Column("measured", "measured value, in unit", kind="number", missing="not measured"),
    "measured_expanded_uncertainty": Column(
        "measured_expanded_uncertainty", "U of measured", kind="number", missing="not measured", source=_EXPANDED.source
    ),
    "difference": Column("difference", "measured less predicted", "dB", "number", "not measured"),
    "difference_expanded_uncertainty": Column(
        "difference_expanded_uncertainty", "U of difference, common errors cancelled", "dB", "number", "not measured",
        _EXPANDED.source,
    ),
}  # fmt: skip

#: Tables whose columns are the same for every run.
FIXED: dict[str, tuple[Column, ...]] = {
    "characteristics": (
        _CHARACTERISTIC, _CONDITION, *_AXIS_COLUMNS, _VALUE, _STANDARD, _EXPANDED, _DOF, _BOUND, _UNIT, _FLAG,
    ),
    "readings": (_CONDITION, *_AXIS_COLUMNS, _REPEAT, *_READING, _UNIT),
    "conditions": (
        _CONDITION, *_AXIS_COLUMNS, Column("state", "complete, or skipped after failing in every attempt", kind="word"),
        _FLAG, Column("reason", "why it was skipped", missing="it is complete"),
    ),
    "decisions": _DECISION_COLUMNS,
    "events": (
        Column("at", "when, in UTC", kind="time", source="ISO 8601-1"),
        Column("kind", "what kind of event", kind="word"),
        Column("text", "what happened"),
    ),
    "curves": (
        _CONDITION, *_AXIS_COLUMNS, _REPEAT, Column("sweep_frequency_hz", "frequency of the sweep", "Hz", "number"),
        *(
            Column(f"s{ports}_{part}", f"{words} part of S{ports}, between the analyzer's own ports", kind="number",
                   source="K. Kurokawa, 1965 (from memory, not seen)")
            for ports in ("11", "21", "12", "22") for part, words in (("re", "real"), ("im", "imaginary"))
        ),
    ),
}  # fmt: skip


def of_characteristics(words: Iterable[str]) -> tuple[Column, ...]:
    """Columns of the table with a row for each condition and three columns for each of ``words``."""
    found = [_CONDITION, *_AXIS_COLUMNS, _FLAG]
    for word in words:
        definition, missing = CHARACTERISTICS[word], "not derived at this condition"
        meaning = f"{definition.title}: {definition.formula}"
        found += [
            Column(named(word, definition.unit), meaning, definition.unit, "number", missing, definition.source),
            Column(
                named(f"{word}_u", difference_unit(definition.unit)), f"expanded uncertainty U of {word}",
                difference_unit(definition.unit), "number", missing, _EXPANDED.source,
            ),
            Column(f"{word}_bound", f"of {word}: {_BOUND.meaning}", "", "word", missing),
        ]  # fmt: skip
    return tuple(found)


def of_readings(units: Iterable[tuple[str, str]]) -> tuple[Column, ...]:
    """Columns of the table with a row for each condition and repeat, and a column for each quantity, unit given."""
    read = (
        Column(name, reading_meaning(name), unit, "number", "not read at this condition", "reading")
        for name, unit in units
    )
    return (_CONDITION, *_AXIS_COLUMNS, _REPEAT, *read)


def of_cascades(names: Iterable[str]) -> tuple[Column, ...]:
    """Columns of a run's cascades: ``gain_code_1`` … for as many stages as there are."""
    usual = {column.name: column for column in (*_AXIS_COLUMNS, _STANDARD, _EXPANDED, _DOF, _BOUND, _UNIT)} | _CASCADE
    return tuple(usual[name] if name in usual else _stage(name) for name in names)


def _stage(name: str) -> Column:
    stage = name.removeprefix("gain_code_")
    return Column(name, f"gain code of stage {stage}", "", "whole number", "the cascade has fewer stages", "part file")


_LOOK_WORDS = {
    "tone_lower": "lower tone f1", "tone_upper": "upper tone f2", "im3_lower": "third-order product 2·f1 − f2",
    "im3_upper": "third-order product 2·f2 − f1", "im2_sum": "second-order product f1 + f2", "hd2": "harmonic 2·f1",
    "hd3": "harmonic 3·f1", SINGLE: "single tone f1", NOISE: "noise without a tone",
    NOISE_HOT: "noise with the noise source on",
}  # fmt: skip
_LOOK_KINDS = {
    "level_dbm": "level at the analyzer's connector",
    "scatter_db": "standard uncertainty of the level's mean",
    "attenuation_db": "the analyzer's input attenuation",
    "bandwidth_hz": "the analyzer's resolution bandwidth",
    "points": "samples in the mean",
}
_OTHER_READINGS = {
    "source_1_level_dbm": "setting of the lower tone's source, as read back",
    "source_2_level_dbm": "setting of the upper tone's source, as read back",
    "source_1_measured_dbm": "power meter's reading with the lower tone's source alone",
    "source_2_measured_dbm": "power meter's reading with the upper tone's source alone",
    "supply_voltage_v": "voltage of the supply",
    "supply_current_a": "current in the supply line",
    "board_temperature_c": "temperature of the board",
    "air_temperature_c": "temperature of the chamber's air, by its own sensor",
    "sensor_temperature_c": "temperature near the unit, by the chamber's second sensor",
    "small_signal_power_dbm": "power at the network analyzer's port",
    "small_signal_bandwidth_hz": "the network analyzer's resolution bandwidth",
}


def reading_meaning(quantity: str) -> str:
    """What a quantity of ``READINGS`` is. Raises KeyError for another."""
    if quantity in _OTHER_READINGS:
        return _OTHER_READINGS[quantity]
    look = max((name for name in LOOKS if quantity.startswith(f"{name}_")), key=len)
    return f"{_LOOK_WORDS[look]}: {_LOOK_KINDS[quantity.removeprefix(f'{look}_')]}"
