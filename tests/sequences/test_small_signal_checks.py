"""What lies between network analyzer and unit, and what a sweep may ask of part and bench."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sequences.de_embedding import DeEmbedding
from sequences.errors import FileFaults, NotCovered, NotServed
from sequences.read_files import Setup, demo_file, parse_bench, parse_setup, read_bench, read_setup

SEQUENCE, PART, BENCH = "small-signal.sequence.toml", "virga-2.part.toml", "nimbus-network.bench.toml"
TOUCHSTONE = ("input-a.s2p", "input-b.s2p", "output-a-200.s2p", "output-b-200.s2p")
HERTZ = np.array([30e6, 61e6])


@pytest.fixture
def edited(tmp_path: Path) -> Callable[[dict[str, str]], Setup]:
    """Reads the shipped files with passages replaced, each in exactly one of them."""

    def read(edits: dict[str, str]) -> Setup:
        texts = {
            name: demo_file(SEQUENCE).with_name(name).read_text("utf-8")
            for name in (SEQUENCE, PART, BENCH, *TOUCHSTONE)
        }
        for old, new in edits.items():
            (holder,) = [name for name, text in texts.items() if old in text]
            texts[holder] = texts[holder].replace(old, new)
        for name, text in texts.items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        return read_setup(tmp_path / SEQUENCE)

    return read


def test_the_shipped_files_fit(edited: Callable[[dict[str, str]], Setup]) -> None:
    """Unchanged, wherever they are copied to."""
    setup = edited({})

    assert setup.sequence.model.measure.small_signal is not None
    assert len(setup.de_embedding.entries) == 4


SWEEP = "small_signal = { frequency_mhz = { from = 30, to = 150, step = 2.5 }, power_dbm = -30, bandwidth_hz = 300 }"


def sweep_with(**changed: str) -> dict[str, str]:
    values = {"frequency_mhz": "[30, 150]", "power_dbm": "-30", "bandwidth_hz": "300"} | changed
    return {SWEEP: f"small_signal = {{ {', '.join(f'{key} = {value}' for key, value in values.items())} }}"}


FAULTS: list[tuple[dict[str, str], str]] = [
    (
        sweep_with(frequency_mhz="[30, 151]"),
        "[measure] small_signal.frequency_hz: found 30 MHz … 151 MHz, allowed 20 MHz … 150 MHz (part operating range)",
    ),
    (
        sweep_with(frequency_mhz="[50, 150]"),
        "[measure] small_signal.frequency_hz: the sweep does not reach 45 MHz of [axes], found 50 MHz … 150 MHz",
    ),
    (sweep_with(frequency_mhz="[60]"), "a sweep needs two or more rising frequencies above 0"),
    (sweep_with(frequency_mhz="[60, 45, 75]"), "a sweep needs two or more rising frequencies above 0"),
    (
        sweep_with(power_dbm="-23"),
        "[measure] small_signal.power_dbm: found -23, allowed -24 dBm or less (the output stays 20 dB below saturation "
        "at a gain of 24 dB)",
    ),
    (
        sweep_with() | {"highest_power_dbm = 10": "highest_power_dbm = -40"},
        "[measure] small_signal.power_dbm: found -30, allowed -40 dBm or less (from the network analyzer)",
    ),
    (
        {"network_channels = { A = 211, B = 212 }": "network_channels = { A = 211 }"},
        "[instrument.channel_switch] network_channels: small_signal needs a route for channel B, found A",
    ),
    (
        {'[[de_embedding]]\npath = "input"\nchannel = "B"': '[[de_embedding]]\npath = "input"\nchannel = "A"'},
        "[[de_embedding]]: input path, channel A, 200 Ω needs exactly one entry for small_signal, found no. 1, no. 2",
    ),
    (
        {'[[de_embedding]]\npath = "input"\nchannel = "B"': '[[de_embedding]]\npath = "input"\nchannel = "C"'},
        "[[de_embedding]]: input path, channel B, 200 Ω needs exactly one entry for small_signal, found none",
    ),
    (
        {"residual_db = -40": "residual_db = -40\nreference_ohm = 75"},
        "[[de_embedding]] no. 1 touchstone: a two-port in another reference, found 50 Ω, allowed 75 Ω, that of the "
        "network analyzer",
    ),
]


@pytest.mark.parametrize(("edits", "text"), FAULTS, ids=[text[:60] for _, text in FAULTS])
def test_what_a_sweep_must_not_ask_for_is_quoted(
    edited: Callable[[dict[str, str]], Setup], edits: dict[str, str], text: str
) -> None:
    """With table, key, what was found and what is allowed."""
    with pytest.raises(FileFaults) as caught:
        edited(edits)

    assert text in str(caught.value)


def test_a_sweep_needs_the_instrument(edited: Callable[[dict[str, str]], Setup]) -> None:
    """A bench that has none is named."""
    bench = demo_file(BENCH).read_text("utf-8")
    entry = bench[bench.index("[instrument.network_analyzer]") : bench.index("[instrument.supply]")]
    with pytest.raises(FileFaults, match=r"this needs \[instrument\.network_analyzer\] in .*nimbus-network"):
        edited({entry: ""})


def test_beside_tones_a_switch_must_change_between_the_two(edited: Callable[[dict[str, str]], Setup]) -> None:
    """Else both would be wired to one port."""
    bench = demo_file(BENCH).read_text("utf-8")
    entry = bench[bench.index("[instrument.channel_switch]") : bench.index("[instrument.code_port]")]
    edits = {entry: "", 'channel = "all"': 'channel = "A"', "two_tone = false": "two_tone = true"}
    with pytest.raises(FileFaults, match=r"beside tones this needs \[instrument\.channel_switch\]"):
        edited(edits)


def test_a_sweep_alone_does_without_a_switch(edited: Callable[[dict[str, str]], Setup]) -> None:
    """One channel, wired for good."""
    bench = demo_file(BENCH).read_text("utf-8")
    entry = bench[bench.index("[instrument.channel_switch]") : bench.index("[instrument.code_port]")]

    assert edited({entry: "", 'channel = "all"': 'channel = "A"'}).bench.model.instrument.channel_switch is None


def test_a_table_that_is_too_short_is_quoted_once(edited: Callable[[dict[str, str]], Setup]) -> None:
    """The entry, how far it reaches, and how far it must."""
    text = demo_file(SEQUENCE).with_name("input-a.s2p").read_text("ascii")
    lines = text.splitlines()
    with pytest.raises(FileFaults) as caught:
        edited({text: "\n".join(lines[:20]) + "\n"})

    assert [str(fault).partition("toml, ")[2] for fault in caught.value.faults] == [
        "[[de_embedding]] no. 1 touchstone: the two-port must be known from 30 MHz … 150 MHz (input path, channel A, "
        "200 Ω), found 10 MHz … 95 MHz"
    ]


# --- Two-ports ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def known() -> DeEmbedding:
    loaded = read_bench(demo_file(BENCH))
    return DeEmbedding.of(loaded.model, loaded.attachments)


def test_a_path_is_served_by_the_entry_that_holds_for_it(known: DeEmbedding) -> None:
    """Whatever the load, where an entry leaves it open."""
    assert known.entry_number("input", "B", 400.0) == 1
    assert known.entry_number("output", "B", 200.0) == 3
    assert known.covered_hz("output", "A", 200.0) == (10e6, 300e6)


def test_a_path_without_an_entry_is_not_served(known: DeEmbedding) -> None:
    """Only 200 Ω has a two-port behind it."""
    with pytest.raises(NotServed):
        known.s_parameters("output", "A", 100.0, HERTZ)


@pytest.mark.parametrize("hertz", [9e6, 301e6, float("nan")])
def test_beyond_its_ends_nothing_is_known_of_a_path(known: DeEmbedding, hertz: float) -> None:
    """Refused, never extrapolated."""
    with pytest.raises(NotCovered):
        known.s_parameters("input", "A", 200.0, np.array([60e6, hertz]))


def test_at_its_points_a_two_port_is_what_the_file_says(known: DeEmbedding) -> None:
    """The second line of the file of channel A's input, in the order S11, S21, S12, S22."""
    line = demo_file(BENCH).with_name("input-a.s2p").read_text("ascii").splitlines()[3]
    numbers = [float(word) for word in line.split()]
    s = known.s_parameters("input", "A", 200.0, np.array(numbers[:1]))[0]

    assert [part for value in s.T.ravel() for part in (value.real, value.imag)] == pytest.approx(numbers[1:], abs=1e-12)


HEAD = "# HZ S RI R 50\n"
BROKEN: list[tuple[str, str]] = [
    (HEAD + "10e6 0 0 1 0 1 0 0 0\n", "two or more points"),
    (HEAD + "10e6 0 0 1 0 1 0 0 0\n10e6 0 0 1 0 1 0 0 0\n", "not a Touchstone two-port"),
    (HEAD + "10e6 0 0 0 0 1 0 0 0\n20e6 0 0 1 0 1 0 0 0\n", "S21 or S12 is zero"),
    (HEAD + "10e6 0 0 1 0 0 0 0 0\n20e6 0 0 1 0 1 0 0 0\n", "S21 or S12 is zero"),
    ("nothing of the kind\n", "not a Touchstone two-port"),
]


@pytest.mark.parametrize(("text", "problem"), BROKEN)
def test_a_file_that_is_no_two_port_is_refused(text: str, problem: str) -> None:
    """By its name, with what is wrong."""
    loaded = read_bench(demo_file(BENCH))
    with pytest.raises(FileFaults, match=problem) as caught:
        DeEmbedding.of(loaded.model, {**loaded.attachments, "input-a.s2p": text})

    assert caught.value.faults[0].file == "input-a.s2p"


def test_a_text_that_is_missing_is_a_fault_of_the_stored_setup() -> None:
    """A store that lost it cannot be derived, and says which."""
    sequence, part, bench = (demo_file(name).read_text("utf-8") for name in (SEQUENCE, PART, BENCH))

    assert parse_bench(bench).attachments == {}
    with pytest.raises(FileFaults, match=r"input-a\.s2p: the text of this Touchstone file is missing"):
        parse_setup(sequence, part, bench)
