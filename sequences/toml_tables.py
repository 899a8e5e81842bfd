"""From the tables of a TOML file to what its model takes: keys respelt to the model's units, lists made tuples.

What stands where is remembered under the model's names, so that a fault found later is reported in the file's own
words. Rule: a key is taken as it is, with another prefix of its unit, or not at all; nothing is guessed.
"""

from __future__ import annotations

import re
import types
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel

from sequences.conditions import AXIS_NAMES
from sequences.errors import FaultKind, FileFault, nearest_word
from sequences.units import scaled, spellings, split_key
from sequences.values import Matcher

#: Names of fields and numbers of list items from the top of a file: ``("limit", 2, "where", "gain_code")``.
Path = tuple[str | int, ...]

_SAME = Decimal(1)
_LONGEST_TEXT = 60
#: A key that TOML takes without quotes (TOML 1.0.0, "Keys").
_BARE = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class Spot:
    """A table as a message names it; ``prefix`` is what comes before its keys, inside ``[[…]]``."""

    table: str = ""
    prefix: str = ""

    def inside(self, key: str) -> Spot:
        """The table under ``key``."""
        if not self.table:
            return Spot(f"[{_key(key)}]")
        if self.table.startswith("[["):
            return Spot(self.table, f"{self.prefix}{key}.")
        return Spot(f"{self.table[:-1]}.{_key(key)}]")

    def item(self, key: str, index: int) -> Spot:
        """Table number ``index`` (from 0) of the tables ``key``."""
        if not self.table:
            return Spot(f"[[{key}]] no. {index + 1}")
        return Spot(self.table, f"{self.prefix}{key} no. {index + 1}.")

    @property
    def names(self) -> tuple[str, str]:
        """Table and key that name this table as a whole."""
        return self.table, self.prefix.removesuffix(".")


@dataclass(frozen=True, slots=True)
class Entry:
    """One key as it is written: its table, its spelling, its value and what the model takes there."""

    spot: Spot
    key: str
    value: Any
    annotation: Any


class Tables:
    """One file's tables, read for one model.

    Attributes:
        data: What the model takes, keys and values in its units.
        entries: Each key that was taken, by path.
        spots: Each table that was taken, by path.
        meant: Fields whose key was misspelt: reported already, so not missing as well.
        faults: What was wrong with keys.
    """

    def __init__(self, file: str, raw: Mapping[str, Any], model: type[BaseModel]) -> None:
        self.file = file
        self.entries: dict[Path, Entry] = {}
        self.spots: dict[Path, Spot] = {}
        self.meant: set[Path] = set()
        self.faults: list[FileFault] = []
        self.data = self._model(raw, model, (), Spot(), _SAME)

    @property
    def spelt(self) -> dict[tuple[str, str], str]:
        """Key as the file spells it by table and key of the model, where the two differ."""
        return {
            (entry.spot.table, f"{entry.spot.prefix}{path[-1]}"): f"{entry.spot.prefix}{entry.key}"
            for path, entry in self.entries.items()
            if entry.key != path[-1]
        }

    def _model(
        self, raw: Mapping[str, Any], model: type[BaseModel], path: Path, spot: Spot, factor: Decimal
    ) -> dict[str, Any]:
        annotations = {info.alias or name: info.annotation for name, info in model.model_fields.items()}
        return self._table(raw, annotations, path, spot, factor)

    def _table(
        self, raw: Mapping[str, Any], annotations: Mapping[str, Any], path: Path, spot: Spot, factor: Decimal
    ) -> dict[str, Any]:
        self.spots[path] = spot
        taken: dict[str, Any] = {}
        for key, value in raw.items():
            found = self._field_of(key, value, annotations, path, spot)
            if found is None:
                continue
            name, own_factor = found
            here = (*path, name)
            if name in taken:
                problem = f"given twice, {self.entries[here].key} is there as well"
                self._fault("key twice", spot, key, problem=problem)
                continue
            self.entries[here] = Entry(spot, key, value, annotations[name])
            # Only a Span's ends have no unit of their own: they are in that of the key that holds them.
            taken[name] = self._value(value, annotations[name], here, (spot, key), own_factor * factor)
        return taken

    def _field_of(
        self, key: str, value: Any, annotations: Mapping[str, Any], path: Path, spot: Spot
    ) -> tuple[str, Decimal] | None:
        """Field that ``key`` spells and what its number is multiplied by, or a fault and None."""
        if key in annotations:
            return key, _SAME
        stem, unit = split_key(key)
        for name in annotations:
            own_stem, own_unit = split_key(name)
            if own_unit is None or own_stem not in (stem, key):
                continue
            if unit is not None and own_stem == stem and unit.dimension == own_unit.dimension:
                return name, unit.size / own_unit.size
            self.meant.add((*path, name))
            self._fault("wrong unit", spot, key, toml_text(value), " or ".join(spellings(name)))
            return None
        by_spelling = {spelling: name for name in annotations for spelling in spellings(name)}
        nearest = nearest_word(key, by_spelling)
        if nearest:
            self.meant.add((*path, by_spelling[nearest]))
        is_table = isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))
        unknown = "unknown table" if is_table and not path else "unknown key"
        self._fault("unknown key", spot, key, allowed=", ".join(annotations), nearest=nearest, problem=unknown)
        return None

    def _value(self, raw: Any, annotation: Any, path: Path, where: tuple[Spot, str], factor: Decimal) -> Any:
        spot, key = where
        for option in _options(annotation):
            if isinstance(raw, dict) and _is_model(option):
                return self._model(raw, option, path, spot.inside(key), factor)
            if isinstance(raw, dict) and get_origin(option) is dict:
                return self._mapping(raw, get_args(option)[1], path, spot.inside(key))
            if isinstance(raw, list) and get_origin(option) is tuple and _is_model(get_args(option)[0]):
                return tuple(
                    self._item(item, get_args(option)[0], (*path, index), spot.item(key, index))
                    for index, item in enumerate(raw)
                )
        return _leaf(raw, factor)

    def _item(self, raw: Any, model: type[BaseModel], path: Path, spot: Spot) -> Any:
        return self._model(raw, model, path, spot, _SAME) if isinstance(raw, dict) else _leaf(raw, _SAME)

    def _mapping(self, raw: dict[str, Any], inner: Any, path: Path, spot: Spot) -> dict[str, Any]:
        """A table with keys of its own: axis names for matchers, else whatever a person named."""
        names: Iterable[str] = AXIS_NAMES if inner is Matcher else raw
        return self._table(raw, dict.fromkeys(names, inner), path, spot, _SAME)

    def _fault(
        self,
        kind: FaultKind,
        spot: Spot,
        key: str,
        found: str = "",
        allowed: str = "",
        nearest: str = "",
        problem: str = "",
    ) -> None:
        name = f"{spot.prefix}{key}"
        self.faults.append(FileFault(kind, self.file, spot.table, name, found, allowed, nearest, problem))


def _key(key: str) -> str:
    """A key as TOML writes it."""
    return key if _BARE.fullmatch(key) else _toml(key)


def toml_text(value: Any) -> str:
    """A value as TOML writes it, cut at ``_LONGEST_TEXT`` characters."""
    text = _toml(value)
    return text if len(text) <= _LONGEST_TEXT else f"{text[: _LONGEST_TEXT - 2]} …"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        # Python refuses to write out very long integers, which TOML can give in hexadecimal.
        return str(value) if value.bit_length() < 1000 else f"an integer of {value.bit_length()} bits"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(key)} = {_toml(item)}" for key, item in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    return f"[{', '.join(map(_toml, value))}]"


def _options(annotation: Any) -> tuple[Any, ...]:
    """Members of a union, or the annotation alone; wrappers and None taken off."""
    if get_origin(annotation) is Annotated:
        return _options(get_args(annotation)[0])
    if get_origin(annotation) in (Union, types.UnionType):
        return tuple(option for member in get_args(annotation) for option in _options(member))
    return () if annotation is type(None) else (annotation,)


def _is_model(option: Any) -> bool:
    return isinstance(option, type) and issubclass(option, BaseModel)


def _leaf(raw: Any, factor: Decimal) -> Any:
    """A value that is no table of the model: numbers scaled at any depth, lists made tuples."""
    if isinstance(raw, bool):
        return raw
    if isinstance(raw, int):
        # No float holds it: infinity is refused later wherever a number is wanted.
        if raw.bit_length() > 1000:
            return float("inf")
        return raw if factor == _SAME else scaled(raw, factor)
    if isinstance(raw, float):
        return raw if factor == _SAME else scaled(raw, factor)
    if isinstance(raw, list):
        return tuple(_leaf(item, factor) for item in raw)
    if isinstance(raw, dict):
        return {key: _leaf(item, factor) for key, item in raw.items()}
    return raw
