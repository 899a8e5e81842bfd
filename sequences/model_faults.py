"""What a model refuses, said in the words of the file and of this project."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal, get_args, get_origin

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from sequences.errors import FaultKind, FileFault, nearest_word
from sequences.toml_tables import Entry, Path, Spot, Tables, toml_text
from sequences.units import plain_number

#: What is wanted where a value has the wrong type, by the model's word for it.
_WANTED = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "finite_number": "a finite number",
    "date_type": "a date such as 2027-05-31",
    "datetime_type": "a date and time such as 2026-11-02T18:30:00Z",
    "timezone_aware": "a date and time with Z or an offset, such as 2026-11-02T18:30:00Z",
    "model_type": "a table",
    "dict_type": "a table",
    "tuple_type": "a list",
}

#: What is allowed where a value of the right type is refused, from the model's bounds.
_ALLOWED: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "greater_than": lambda bound: f"above {plain_number(bound['gt'])}",
    "greater_than_equal": lambda bound: f"{plain_number(bound['ge'])} or more",
    "less_than": lambda bound: f"below {plain_number(bound['lt'])}",
    "less_than_equal": lambda bound: f"{plain_number(bound['le'])} or less",
    "string_too_short": lambda _: "text that is not empty",
    "too_short": lambda _: "at least one entry",
}


def model_faults(error: ValidationError, tables: Tables) -> tuple[FileFault, ...]:
    """Every fault that a model found, one for each place of the file, in its order."""
    by_path: dict[Path, list[ErrorDetails]] = {}
    for details in error.errors(include_url=False):
        by_path.setdefault(_path(details, tables.data), []).append(details)
    faults = []
    for path, found in by_path.items():
        below = any(len(other) > len(path) and other[: len(path)] == path for other in by_path)
        # A union complains once for each of its members; what is wrong inside the one that was meant says more.
        if below or _follows(path, found, tables):
            continue
        faults.append(_fault(path, found, tables))
    return tuple(faults)


def _follows(path: Path, found: list[ErrorDetails], tables: Tables) -> bool:
    """Whether a key is missing, a table empty or its own rule broken since a key is misspelt: that is named already."""
    if found[0]["type"] == "missing":
        return path in tables.meant
    if found[0]["type"] == "too_short":
        return path in tables.entries and bool(tables.entries[path].value)
    return found[0]["type"] == "value_error" and any(meant[:-1] == path for meant in tables.meant)


def _path(details: ErrorDetails, data: Any) -> Path:
    """The error's place, without the names that a model gives to the members of its unions."""
    path: list[str | int] = []
    for step in details["loc"]:
        if isinstance(data, dict) and (key := _key(step, data)) is not None:
            path.append(key)
            data = data[key]
        elif isinstance(data, tuple) and isinstance(step, int) and step < len(data):
            path.append(step)
            data = data[step]
    if details["type"] == "missing":
        path.append(details["loc"][-1])
    return tuple(path)


def _key(step: str | int, data: Mapping[str, Any]) -> str | None:
    """Key of ``data`` that a model means by ``step``: it calls a load of ``100`` by its number, ``100.0``."""
    if step in data:
        return str(step)
    return next((key for key in data if _is_number(key) and _is_number(step) and float(key) == float(step)), None)


def _is_number(text: str | int) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _fault(path: Path, found: list[ErrorDetails], tables: Tables) -> FileFault:
    # A rule of ours that was broken says more than the types that a union would have taken instead.
    first = next((details for details in found if details["type"] == "value_error"), found[0])
    if first["type"] == "missing":
        return _missing(path, tables)
    spot, key, value, annotation = _place(path, tables)
    kind: FaultKind = "not allowed"
    problem = allowed = nearest = ""
    if first["type"] == "value_error":
        kind, problem = "contradiction", str(first["ctx"]["error"])
    elif first["type"] == "literal_error":
        words = _words(annotation)
        allowed = ", ".join(toml_text(word) for word in words)
        nearest = nearest_word(value, filter(_is_text, words)) if isinstance(value, str) else ""
    elif first["type"] in _ALLOWED:
        allowed = _ALLOWED[first["type"]](first["ctx"])
    else:
        kind = "wrong type"
        wanted = dict.fromkeys(_WANTED.get(details["type"], "another kind of value") for details in found)
        allowed = " or ".join(wanted)
    # A table as a whole is not repeated: the message names it.
    shown = "" if path in tables.spots and not _is_short(value) else toml_text(value)
    return FileFault(kind, tables.file, spot, key, shown, allowed, f'"{nearest}"' if nearest else "", problem)


def _is_short(value: Any) -> bool:
    """Whether a table fits into a message: a few keys, none of them a table or, in a longer one, a list."""
    if not isinstance(value, dict):
        return False
    bulky = dict if len(value) <= 3 else dict | list
    return 0 < len(value) <= 8 and not any(isinstance(item, bulky) for item in value.values())


def _missing(path: Path, tables: Tables) -> FileFault:
    name = str(path[-1])
    spot = tables.spots.get(path[:-1], Spot())
    if not spot.table:
        return FileFault("missing key", tables.file, f"[{name}]", problem="the table is missing")
    return FileFault("missing key", tables.file, spot.table, f"{spot.prefix}{name}", problem="the key is missing")


def _place(path: Path, tables: Tables) -> tuple[str, str, Any, Any]:
    """Table, key, value and annotation at ``path``: of the table there, or of the key that holds it."""
    for length in range(len(path), 0, -1):
        entry = tables.entries.get(path[:length])
        if entry is not None:
            return (*_names(entry, path[:length], tables), _item(entry.value, path[length:]), entry.annotation)
        spot = tables.spots.get(path[:length])
        if spot is not None and length == len(path):
            return (*spot.names, None, None)
    return "", "", None, None


def _names(entry: Entry, path: Path, tables: Tables) -> tuple[str, str]:
    inner = tables.spots.get(path)
    if inner is not None:
        return inner.names
    return entry.spot.table, f"{entry.spot.prefix}{entry.key}"


def _item(value: Any, rest: Path) -> Any:
    """The item of a list at which ``rest`` points, or the value itself."""
    for step in rest:
        if isinstance(value, list) and isinstance(step, int) and step < len(value):
            value = value[step]
    return value


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _words(annotation: Any) -> tuple[Any, ...]:
    """What a literal allows, texts and numbers."""
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return tuple(word for member in get_args(annotation) for word in _words(member))
