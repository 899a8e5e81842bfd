"""Latches and shift registers in the bench file: what may share a line, and what is said where it may not."""

from __future__ import annotations

import pytest

from sequences.bench_file import CodePortEntry
from sequences.errors import FileFaults
from sequences.read_files import demo_file, parse_bench

HEAD = "channels = { A = 1, B = 2 }\nmode = 3\n"


def code_port(tables: str) -> CodePortEntry:
    """The code port of the demo bench with some tables more."""
    text = demo_file("nimbus.bench.toml").read_text("utf-8")
    assert text.count(HEAD) == 1
    entry = parse_bench(text.replace(HEAD, HEAD + tables)).model.instrument.code_port
    assert entry is not None
    return entry


def strobed(word: int, data_port: int, strobe_port: int, strobe_bit: int, more: str = "") -> str:
    return (
        f"[[instrument.code_port.strobed]]\nword = {word}\ndata_port = {data_port}\n"
        f"strobe_port = {strobe_port}\nstrobe_bit = {strobe_bit}\n{more}\n"
    )


def shifted(word: int, port: int, bits: tuple[int, int, int], more: str = "") -> str:
    data, clock, latch = bits
    return (
        f"[[instrument.code_port.shifted]]\nword = {word}\nport = {port}\nbits = 6\n"
        f"data_bit = {data}\nclock_bit = {clock}\nlatch_bit = {latch}\n{more}\n"
    )


def test_without_tables_every_word_stands_on_the_port_of_its_number() -> None:
    """As it always was."""
    entry = code_port("")

    assert entry.strobed == ()
    assert entry.shifted == ()


def test_strobes_may_share_a_data_port_and_registers_data_and_clock() -> None:
    """As parts have them: one bus, or one data and clock line, and a latch line for each channel."""
    bus = code_port(strobed(1, 4, 5, 0) + strobed(2, 4, 5, 1, 'active = "low"'))
    serial = code_port(shifted(1, 6, (0, 1, 2)) + shifted(2, 6, (0, 1, 3), 'first = "LSB"\nclock = "falling"'))

    assert [(one.word, one.bits, one.active) for one in bus.strobed] == [(1, 8, "high"), (2, 8, "low")]
    assert [(one.first, one.clock, one.latch) for one in serial.shifted] == [
        ("MSB", "rising", "pulse high"),
        ("LSB", "falling", "pulse high"),
    ]


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        (strobed(9, 4, 5, 0), "word 9 is that of no channel and not of the mode pins"),
        (strobed(1, 4, 5, 0) + shifted(1, 6, (0, 1, 2)), "word 1 is described 2 times"),
        (strobed(1, 4, 5, 0) + strobed(2, 4, 5, 0), "bit 0 of port 5 has more than one use"),
        (shifted(1, 6, (0, 1, 2)) + shifted(2, 6, (0, 2, 3)), "bit 2 of port 6 has more than one use"),
        (strobed(1, 4, 4, 0), "port 4 carries whole words"),
        (shifted(1, 3, (0, 1, 2)), "port 3 carries whole words"),
        (shifted(1, 6, (0, 0, 2)), "must be three lines"),
        (shifted(1, 6, (0, 1, 32)), "latch_bit"),
        (shifted(1, 6, (0, 1, 2), 'clock = "rise"'), 'Did you mean "rising"'),
        (shifted(1, 6, (0, 1, 2), "edge = 1"), "unknown key"),
    ],
)
def test_lines_that_cannot_work_are_refused(tables: str, said: str) -> None:
    """Before any line moves: a line with two uses gives a wrong code and no error."""
    with pytest.raises(FileFaults) as found:
        code_port(tables)

    assert said in str(found.value)
