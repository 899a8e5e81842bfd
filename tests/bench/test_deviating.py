"""Tables of deviations against the drivers that they are for: what is refused, and how it is said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench.assemble import open_bench
from bench.check import check_bench
from bench.deviating import bench_faults, deviations_of, not_read_back, table_faults
from bench.setups import setup_from_files
from drivers.catalogue import DRIVERS
from drivers.errors import InstrumentError, NotThere
from drivers.sent_headers import SENT
from sequences.errors import FileFaults
from sequences.read_files import demo_file, parse_deviations, read_bench, read_part

FILES = ("quick.sequence.toml", "virga-2.part.toml", "nimbus.bench.toml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The demo's files, the second tone source with a table of deviations."""
    for name in FILES:
        text = demo_file(name).read_text("utf-8")
        text = text.replace("[instrument.tone_2]\n", '[instrument.tone_2]\ndeviations = "odd.toml"\n')
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def faults(folder: Path, table: str) -> str:
    (folder / "odd.toml").write_text(table)
    return "\n".join(map(str, bench_faults(read_bench(folder / "nimbus.bench.toml"))))


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('[header.":OUTP:STATE"]\nsend = "X {value}"', 'never sends this header.  Did you mean ":OUTP:STAT"?'),
        ('[header.":SOUR:VOLT:LEV:IMM:AMPL"]\nsend = "X {value}"', "never sends this header"),
        ('[header.":OUTP:STAT"]\nmissing = true', "it is what makes the instrument safe"),
        ('[header.":OUTP:STAT"]\nmissing = "send"', "it is what makes the instrument safe"),
        ('[header.":OUTP:STAT"]\nsend = "RF OFF"', "send must hold {value}"),
        ('[header.":OUTP:STAT?"]\nsend = "X {value}"', "what is sent belongs under :OUTP:STAT"),
        ('[header."*IDN?"]\nmissing = true', "say so in [deviations]"),
        ('[deviations]\nerror_queue = "ERR?"\n[header.":SYST:ERR?"]\nfield = 1', "says already what is asked instead"),
        ("[deviations]\nidentity = false", "serial: it cannot be checked"),
    ],
)
def test_a_table_that_does_not_fit_its_driver_is_refused(folder: Path, table: str, said: str) -> None:
    """Before a run, with what would be right."""
    assert said in faults(folder, table)
    with pytest.raises(FileFaults):
        setup_from_files(folder / "quick.sequence.toml")


@pytest.mark.parametrize(
    "table",
    [
        '[header.":OUTP:STAT"]\nsend = ["KEY", "RF {value}"]\nwords = { 1 = "ON", 0 = "OFF" }\nmissing = "ask"',
        '[header.":SYST:ERR?"]\nfield = 1',
        '[header.":SOUR:FREQ:CW"]\nscale = 1e-6',
        '[deviations]\nidentity = "ID?"\nevent_register = false\nerror_queue = "ERR?"',
    ],
)
def test_a_table_that_fits_is_taken(folder: Path, table: str) -> None:
    """Other words for what makes it safe, another reply to a question that everybody gets, another unit."""
    assert faults(folder, table) == ""


@pytest.mark.parametrize("driver", SENT, ids=lambda driver: driver.__name__)
def test_no_table_can_drop_what_makes_an_instrument_safe(driver: Any) -> None:
    """Every header that ``make_safe`` sends, of every driver."""
    for header in SENT[driver].safe:
        for missing in ("true", '"send"'):
            table = parse_deviations(f'[header."{header}"]\nmissing = {missing}\n')
            found = list(table_faults(table, driver, "scpi"))

            assert any("makes the instrument safe" in fault.problem for fault in found), header


@pytest.mark.parametrize("driver", SENT, ids=lambda driver: driver.__name__)
def test_every_header_that_a_driver_sends_may_have_other_words(driver: Any) -> None:
    """With or without its question mark."""
    for header in SENT[driver].every:
        number = " {number}" if "#" in header else ""
        words = f'ask = "X{number}?"' if header.endswith("?") else f'send = "X{number} {{value}}"'
        table = parse_deviations(f'[header."{header}"]\n{words}\n')

        assert list(table_faults(table, driver, "scpi")) == []


def test_a_query_without_a_command_needs_something_to_assume() -> None:
    """Nothing is ever sent there, so nothing can be taken for what was last sent."""
    supply = DRIVERS["DC supply"]["scpi"]
    text = '[header.":SOUR:VOLT:PROT:TRIP?"]\nmissing = true\n'
    (fault,) = table_faults(parse_deviations(text), supply, "scpi")

    assert "say what to assume" in fault.problem
    assert list(table_faults(parse_deviations(f'{text}assume = "0"\n'), supply, "scpi")) == []


def test_a_driver_with_words_of_its_own_takes_no_table() -> None:
    """Nobody knows what it sends."""

    class Own:
        pass

    (fault,) = table_faults(parse_deviations('[header.":A"]\nsend = "B"\n'), Own, "own:Own")  # type: ignore[arg-type]  # no driver on purpose

    assert "words of its own" in fault.problem


def test_a_class_derived_from_ours_takes_a_table() -> None:
    """What it adds is its own affair."""
    derived: Any = type("Derived", (next(iter(SENT)),), {})

    assert list(table_faults(parse_deviations("[deviations]\ngap_s = 0.1\n"), derived, "own:Derived")) == []


def test_the_queries_that_an_instrument_lacks_are_answered_for_it() -> None:
    """By what reads as unknown, as nothing, as no error."""
    text = "[deviations]\nidentity = false\nevent_register = false\nerror_queue = false\n"
    table = deviations_of(parse_deviations(text).model)

    assert all(table.outgoing(query).messages == () for query in ("*IDN?", "*ESR?", ":SYST:ERR?"))


def test_a_table_that_must_not_be_used_keeps_its_place_closed(folder: Path) -> None:
    """Also where the files are not checked first: a resumed run, a look at the bench."""
    (folder / "odd.toml").write_text('[header.":OUTP:STAT"]\nmissing = true\n')
    bench = read_bench(folder / "nimbus.bench.toml")
    part = read_part(folder / "virga-2.part.toml").model
    missing: dict[str, InstrumentError] = {}
    with open_bench(bench, part, "none", missing=missing) as opened:
        findings = {finding.place: finding for finding in check_bench(bench.model, opened, missing)}

    assert isinstance(missing["tone_2"], NotThere)
    assert "makes the instrument safe" in findings["tone_2"].answer
    assert findings["tone_2"].advice == "the instrument was not asked: mend the file, or the driver, first"
    assert findings["tone_1"].works


def test_check_says_what_a_table_leaves_unchecked(folder: Path) -> None:
    """Beside the instrument, as a warning."""
    (folder / "odd.toml").write_text('[deviations]\nevent_register = false\n[header.":UNIT:POW"]\nmissing = true\n')
    bench = read_bench(folder / "nimbus.bench.toml")
    with open_bench(bench, read_part(folder / "virga-2.part.toml").model, "none") as opened:
        findings = {finding.place: finding for finding in check_bench(bench.model, opened, {})}

    assert findings["tone_2"].works
    assert "by its table of deviations, not sent: :UNIT:POW" in findings["tone_2"].warnings
    assert findings["tone_1"].warnings == ()


def test_a_folder_of_drivers_that_is_not_there_is_named(folder: Path) -> None:
    """As an absolute path, since it is relative to a file that may be anywhere."""
    (folder / "odd.toml").write_text("[deviations]\n")
    path = folder / "nimbus.bench.toml"
    path.write_text(path.read_text("utf-8").replace("[bench]\n", '[bench]\ndrivers = "mine"\n'), encoding="utf-8")
    (fault,) = bench_faults(read_bench(path))

    assert str(fault) == f"{path}, [bench] drivers: there is no folder {folder / 'mine'}"


@pytest.mark.parametrize(
    ("table", "unread"),
    [
        ('[header.":OUTP:STAT?"]\nmissing = true', {"tone_2"}),
        ('[header.":OUTP:STAT"]\nmissing = "ask"', {"tone_2"}),
        ('[header.":OUTP:STAT"]\nask = "RF?"', set()),
        ('[header.":SOUR:POW:LEV:IMM:AMPL"]\nmissing = "ask"', set()),
    ],
)
def test_an_output_that_nobody_can_ask_for_is_known(folder: Path, table: str, unread: set[str]) -> None:
    """Its level is another thing: it is set and not read back, and does no harm while RF is off."""
    assert faults(folder, table) == ""
    assert not_read_back(read_bench(folder / "nimbus.bench.toml")) == unread
