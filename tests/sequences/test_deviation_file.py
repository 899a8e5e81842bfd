"""Tables of deviations as a person writes them: what is taken, and what is answered to a mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequences.errors import FileFaults
from sequences.read_files import deviation_gaps, deviation_tables, parse_bench, parse_deviations, read_bench

BENCH = """
[bench]
name = "two sources"
[instrument.tone_1]
deviations = "odd.toml"
resource = "TCPIP0::one.example::5025::SOCKET"
highest_level_dbm = 19
accuracy = { level_db = 0.3, setting_db = 0.05 }
[instrument.tone_2]
deviations = "odd.toml"
resource = "TCPIP0::two.example::5025::SOCKET"
highest_level_dbm = 19
accuracy = { level_db = 0.3, setting_db = 0.05 }
[fixture]
temperature_c = { min = -50, max = 105 }
time_constant_min = 3
"""


def test_everything_that_a_table_can_say_is_taken() -> None:
    """With units of the reader's choice, one message or several."""
    table = parse_deviations(
        """
[deviations]
describes = "a source"
operation_complete = { ask = "BUSY?", mask = 5, done = 4, every_ms = 20 }
identity = "WHO?"
event_register = false
error_queue = false
gap_ms = 5

[header.":A"]
send = ["REMOTE", "A {value}"]
ask = "A?"
scale = -1000
decimals = 3
words = { DBM = "dBm", 1 = "ON" }
reads = { ENABLED = "1" }
field = 2
prefix = "A="
unit = "mV"
pattern = "([-0-9.]+)"
settle_ms = 100
block = { form = "text", bits = 64, order = "swapped" }

[header.":B#"]
send = "B{number} {value}"

[header.":C"]
missing = true
assume = "3"
"""
    ).model

    assert table.deviations.gap_s == 0.005
    assert table.header[":A"].messages == ("REMOTE", "A {value}")
    assert table.header[":A"].settle_s == 0.1
    assert table.header[":B#"].messages == ("B{number} {value}",)
    assert (table.not_sent, table.not_read_back, table.has_identity) == ((":C",), (":C",), True)


@pytest.mark.parametrize(
    ("text", "place", "said"),
    [
        ('[header.":A"]\nsent = "B"', '[header.":A"] sent', "Did you mean send?"),
        ('[headers.":A"]\nsend = "B"', "headers", "Did you mean header?"),
        ('[header.":A"]\nsend = "B {valu}"', '[header.":A"] send', "{valu} stands for nothing"),
        ('[header.":A"]\nsend = ""', '[header.":A"] send', "one line of ASCII text"),
        ('[header.":A"]\nsend = "B\\nC"', '[header.":A"] send', "one line of ASCII text"),
        ('[header.":A"]\nsend = []', '[header.":A"]', 'missing = "send"'),
        ('[header.":A"]\nscale = 0', '[header.":A"]', "every value would be sent as 0"),
        ('[header.":A"]\npattern = "a+"', '[header.":A"] pattern', "0 groups"),
        ('[header.":A"]\npattern = "(a"', '[header.":A"] pattern', "no regular expression"),
        ('[header.":A"]\nmissing = true\nsend = "B"', '[header.":A"]', "cannot be sent otherwise"),
        ('[header.":A"]\nmissing = "ask"\nask = "B?"', '[header.":A"]', "cannot be asked otherwise"),
        ('[header.":A"]\nmissing = "both"', '[header.":A"] missing', '"both"'),
        ('[header.":A"]\nassume = "1"', '[header.":A"]', "goes with a query that is missing"),
        ('[header.":A"]\nwords = { 1 = "on", 0 = "ON" }', '[header.":A"]', "could not be told apart"),
        ('[header.":A"]\ndecimals = -1', '[header.":A"] decimals', "0 or more"),
        ('[header.":A"]\nblock = { bits = 16 }', '[header.":A".block] bits', "allowed 32, 64"),
        ("[deviations]\noperation_complete = {}", "[deviations.operation_complete]", "either ask or wait_s"),
        ("[deviations]\noperation_complete = { wait_s = 1, mask = 1 }", "operation_complete", "mask goes with ask"),
        ('[deviations]\noperation_complete = { ask = "B?", done = 1 }', "operation_complete", "mask leaves out"),
        ("[deviations]\nidentity = 3", "[deviations] identity", "3"),
    ],
)
def test_a_mistake_is_answered_with_its_place(text: str, place: str, said: str) -> None:
    """In the words of the file."""
    with pytest.raises(FileFaults) as caught:
        parse_deviations(text, "odd.toml")

    assert str(caught.value).startswith("odd.toml")
    assert place in str(caught.value)
    assert said in str(caught.value)


def test_a_table_is_read_with_its_bench_and_kept_as_text(tmp_path: Path) -> None:
    """Relative to the bench file, once for two instruments."""
    (tmp_path / "odd.toml").write_text('[header.":UNIT:POW"]\nmissing = true\n')
    (tmp_path / "two.bench.toml").write_text(BENCH)
    bench = read_bench(tmp_path / "two.bench.toml")

    assert list(bench.attachments) == ["odd.toml"]
    assert list(deviation_tables(bench)) == ["tone_1", "tone_2"]
    again = parse_bench(bench.text, "two.bench.toml", bench.attachments)
    assert {place: table.model for place, table in deviation_tables(again).items()} == {
        place: table.model for place, table in deviation_tables(bench).items()
    }


def test_a_mistake_in_a_table_is_found_when_its_bench_is_read(tmp_path: Path) -> None:
    """Once, though two instruments name it."""
    (tmp_path / "odd.toml").write_text('[header.":UNIT:POW"]\nmising = true\n')
    (tmp_path / "two.bench.toml").write_text(BENCH)
    with pytest.raises(FileFaults) as caught:
        read_bench(tmp_path / "two.bench.toml")

    assert len(caught.value.faults) == 1
    assert f"{tmp_path / 'odd.toml'}" in str(caught.value)


def test_a_table_that_is_not_there_is_named(tmp_path: Path) -> None:
    """As any other file."""
    (tmp_path / "two.bench.toml").write_text(BENCH)
    with pytest.raises(FileFaults, match=r"odd\.toml: there is no such file"):
        read_bench(tmp_path / "two.bench.toml")


def test_a_bench_without_the_text_of_its_table_says_so() -> None:
    """A store that has lost it must not drive an instrument in the wrong words."""
    with pytest.raises(FileFaults, match=r"\[instrument\.tone_1\] deviations: odd\.toml did not come"):
        deviation_tables(parse_bench(BENCH))


def test_another_file_in_the_place_of_a_table_is_named(tmp_path: Path) -> None:
    """Its kind, and what was wanted."""
    (tmp_path / "odd.toml").write_text(BENCH)
    (tmp_path / "two.bench.toml").write_text(BENCH)
    with pytest.raises(FileFaults, match="found a bench file, allowed a table of deviations"):
        read_bench(tmp_path / "two.bench.toml")


def test_what_a_table_takes_away_is_said_in_clauses() -> None:
    """Each for a person; nothing where only words differ."""
    everything = parse_bench(
        BENCH,
        attachments={
            "odd.toml": "[deviations]\nidentity = false\nerror_queue = false\nevent_register = false\n"
            '[header.":UNIT:POW"]\nmissing = true\n[header.":X?"]\nmissing = true\nassume = "0"\n'
        },
    )
    nothing = parse_bench(BENCH, attachments={"odd.toml": '[header.":UNIT:POW"]\nsend = "U {value}"\n'})

    assert deviation_gaps(nothing) == {}
    assert deviation_gaps(everything)["tone_2"] == (
        "it has no query for its identity, so another instrument in its place is not noticed",
        "it has no error queue, so a refused command shows only where a value is read back",
        "it has no event register, so a restart does not show",
        "not sent: :UNIT:POW",
        "not read back, the value last sent is taken: :UNIT:POW, :X?",
    )
