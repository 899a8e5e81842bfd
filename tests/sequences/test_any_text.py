"""Whatever stands in a file, reading it gives a model or named faults, and nothing else."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequences.conditions import expand
from sequences.cross_checks import cross_check
from sequences.errors import FileFault, FileFaults
from sequences.path_losses import PathLosses
from sequences.read_files import demo_file, parse_bench, parse_part, parse_sequence
from sequences.toml_tables import toml_text

NAMES = ("virga-2.part.toml", "nimbus.bench.toml", "quick.sequence.toml", "overnight.sequence.toml")
TEXTS = {name: demo_file(name).read_text("utf-8") for name in NAMES}
PARSERS: dict[str, Callable[[str, str], object]] = {
    "part": parse_part,
    "bench": parse_bench,
    "sequence": parse_sequence,
}

#: Words that only the model library would use; none may reach a person.
FOREIGN = re.compile(
    r"pydantic|validation error|Input should|Extra inputs|valid (number|integer|string)|type=|another kind of value"
    r"|<class|Traceback|ValidatorFunction",
    re.I,
)


def _check(kind: str, text: str) -> None:
    """Read ``text`` and check what comes of it."""
    faults: tuple[FileFault, ...] | None = None
    try:
        PARSERS[kind](text, "a.toml")
    except FileFaults as error:
        faults = error.faults
    assert faults is None or faults
    for fault in faults or ():
        assert str(fault).startswith("a.toml"), fault
        assert not FOREIGN.search(str(fault)), fault
        assert fault.problem or fault.found or fault.allowed, fault


@settings(deadline=None)
@given(kind=st.sampled_from(sorted(PARSERS)), text=st.text())
def test_any_text_is_read_or_named(kind: str, text: str) -> None:
    """Random characters, most of them no TOML."""
    _check(kind, text)


KEYS = sorted(
    {"from", "to", "step", "min", "max", "part", "bench", "sequence", "axes", "limit", "tone_1", "when", "where"}
    | {match for text in TEXTS.values() for match in re.findall(r"\w+(?= *=)", text)}
)
SCALARS = st.one_of(
    st.booleans(),
    st.integers(),
    st.just(2**4000),
    st.floats(),
    st.text(max_size=5),
    st.sampled_from(["all", "A", "nominal", "input", "output", "@sim", "scpi"]),
    st.dates(min_value=date(1900, 1, 1)),
    st.datetimes(min_value=datetime(1900, 1, 1)),  # noqa: DTZ001 - a local date-time of TOML has no zone
    st.times(),
)
TREES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.one_of(st.sampled_from(KEYS), st.text("abc_.", min_size=1)), inner, max_size=4),
    ),
    max_leaves=12,
)


def _toml(value: Any) -> str:
    """Any tree as inline TOML; written here, apart from the package's own text of values."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return hex(value) if value > 2**1000 else str(value)
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(char):08X}" for char in value) + '"'
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_toml(key)} = {_toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    return repr(value)


@settings(max_examples=300, deadline=None)
@given(kind=st.sampled_from(sorted(PARSERS)), tree=st.dictionaries(st.sampled_from(KEYS), TREES, max_size=5))
def test_any_toml_tree_is_read_or_named(kind: str, tree: dict[str, Any]) -> None:
    """Random trees from the words of the files, with every type that TOML has."""
    _check(kind, "\n".join(f"{key} = {_toml(value)}" for key, value in tree.items()))


VALUE = re.compile(r"(?<== )[^\n#]+")
KEY = re.compile(r"\w+(?= =)")


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_any_change_of_one_place_of_a_good_file_is_read_or_named(data: st.DataObject) -> None:
    """One value or key of a demo file becomes something else; what is read is then held against the other files."""
    name = data.draw(st.sampled_from(NAMES))
    text = re.sub(r"(?m)^#.*$", "", TEXTS[name])
    places = [*VALUE.finditer(text), *KEY.finditer(text)]
    place = data.draw(st.sampled_from(places))
    is_key = "=" not in text[: place.start()].rsplit("\n", 1)[-1]
    new = data.draw(st.sampled_from(KEYS)) if is_key else _toml(data.draw(TREES))
    kind = name.split(".")[1]

    changed = text[: place.start()] + new + text[place.end() :]

    _check(kind, changed)
    _check_together(kind, changed)


def _check_together(kind: str, text: str) -> None:
    texts = {"part": TEXTS[NAMES[0]], "bench": TEXTS[NAMES[1]], "sequence": TEXTS[NAMES[2]]} | {kind: text}
    try:
        part, bench = parse_part(texts["part"]).model, parse_bench(texts["bench"]).model
        sequence = parse_sequence(texts["sequence"]).model
        losses = PathLosses.of(bench)
    except FileFaults:
        return
    faults = cross_check(sequence, part, bench, losses)
    for fault in faults:
        assert not FOREIGN.search(str(fault)), fault
    if not faults:
        assert expand(sequence, part, bench)


@settings(deadline=None)
@given(cut=st.integers(0, 4000), name=st.sampled_from(NAMES))
def test_a_file_that_was_cut_off_is_read_or_named(cut: int, name: str) -> None:
    """As a full disk or a broken copy leaves it."""
    _check(name.split(".")[1], TEXTS[name][:cut])


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),
        (60, "60"),
        (60.0, "60"),
        (0.25, "0.25"),
        ('a"b', '"a\\"b"'),
        ({"min": 1, "max": 2}, "{ min = 1, max = 2 }"),
        ([1, "a"], '[1, "a"]'),
        ({}, "{}"),
        (date(2027, 5, 31), "2027-05-31"),
        (time(1, 2), "01:02:00"),
        (list(range(100)), "[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, …"),
    ],
)
def test_a_value_is_shown_as_toml_writes_it(value: object, text: str) -> None:
    """So that a person finds it in the file; long ones are cut."""
    assert toml_text(value) == text
