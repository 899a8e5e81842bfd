"""Reading files: every fault is quoted as a person reads it, all of one file at once."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from sequences.errors import FaultKind, FileFault, FileFaults
from sequences.path_entries import LossTable
from sequences.rating_checks import FileNames
from sequences.read_files import (
    demo_file,
    parse_bench,
    parse_part,
    parse_sequence,
    parse_setup,
    read_bench,
    read_part,
    read_sequence,
    read_setup,
)

PART, BENCH, SEQUENCE = "virga-2.part.toml", "nimbus.bench.toml", "quick.sequence.toml"
PARSE: dict[str, Callable[[str, str], object]] = {PART: parse_part, BENCH: parse_bench, SEQUENCE: parse_sequence}


def _changed(name: str, before: str, after: str) -> str:
    text = demo_file(name).read_text("utf-8")
    assert before in text, f"{before!r} is not in {name}"
    return text.replace(before, after, 1)


def _faults(name: str, text: str) -> tuple[FileFault, ...]:
    with pytest.raises(FileFaults) as caught:
        PARSE[name](text, name)
    return caught.value.faults


MHZ = "[10, 30, 60, 90, 120, 180, 240, 300, 480]"
CASES: list[tuple[str, str, str, FaultKind, str]] = [
    (
        SEQUENCE,
        "\ntemperature_c =",
        "\ntemprature_c =",
        "unknown key",
        "[axes] temprature_c: unknown key, allowed channel, gain_code, temperature_c, supply_mode, load_ohm, "
        "tone_level_dbm, frequency_hz.  Did you mean temperature_c?",
    ),
    (
        SEQUENCE,
        "frequency_mhz = 60",
        "frequency_MHz = 60",
        "unknown key",
        "[axes] frequency_MHz: unknown key, allowed channel, gain_code, temperature_c, supply_mode, load_ohm, "
        "tone_level_dbm, frequency_hz.  Did you mean frequency_mhz?",
    ),
    (
        SEQUENCE,
        "[soak]",
        "[soack]",
        "unknown key",
        "soack: unknown table, allowed sequence, axes, exclude, tones, measure, soak, settle.  Did you mean soak?",
    ),
    (
        SEQUENCE,
        "frequency_mhz = 60",
        "frequency_c = 60",
        "wrong unit",
        "[axes] frequency_c: found 60, allowed frequency_hz or frequency_khz or frequency_mhz or frequency_ghz",
    ),
    (
        SEQUENCE,
        "hold_min = 3",
        "hold = 3",
        "wrong unit",
        "[soak] hold: found 3, allowed hold_s or hold_us or hold_ms or hold_min or hold_h",
    ),
    (
        SEQUENCE,
        "hold_min = 3",
        "hold_min = 3\nhold_s = 180",
        "key twice",
        "[soak] hold_s: given twice, hold_min is there as well",
    ),
    (
        SEQUENCE,
        "spacing_mhz = 1",
        "",
        "missing key",
        "[tones] spacing_hz: the key is missing",
    ),
    (
        SEQUENCE,
        "[tones]\nspacing_mhz = 1",
        "",
        "missing key",
        "[tones]: the table is missing",
    ),
    (
        SEQUENCE,
        "hold_min = 3",
        'hold_min = "3"',
        "wrong type",
        '[soak] hold_min: found "3", allowed a number',
    ),
    (
        SEQUENCE,
        "hold_min = 3",
        "hold_min = -3",
        "not allowed",
        "[soak] hold_min: found -3, allowed 0 or more",
    ),
    (
        SEQUENCE,
        "hold_min = 3",
        "hold_min = inf",
        "wrong type",
        "[soak] hold_min: found inf, allowed a finite number",
    ),
    (
        SEQUENCE,
        "spacing_mhz = 1",
        "spacing_mhz = 0",
        "not allowed",
        "[tones] spacing_mhz: found 0, allowed above 0",
    ),
    (
        SEQUENCE,
        "spacing_mhz = 1",
        "spacing_mhz = 1\nupper_minus_lower_db = 30",
        "not allowed",
        "[tones] upper_minus_lower_db: found 30, allowed 20 or less",
    ),
    (
        SEQUENCE,
        "spacing_mhz = 1",
        'spacing_mhz = 1\nlevel_at = "ouput"',
        "not allowed",
        '[tones] level_at: found "ouput", allowed "output", "input".  Did you mean "output"?',
    ),
    (
        SEQUENCE,
        'name = "quick"',
        'name = ""',
        "not allowed",
        '[sequence] name: found "", allowed text that is not empty',
    ),
    (
        SEQUENCE,
        'name = "quick"',
        "name = 3",
        "wrong type",
        "[sequence] name: found 3, allowed text in quotes",
    ),
    (
        SEQUENCE,
        'name = "quick"',
        'name = "quick"\nrepeats = 1.5',
        "wrong type",
        "[sequence] repeats: found 1.5, allowed a whole number",
    ),
    (
        SEQUENCE,
        "[tones]",
        "[measure]\nsupply = 1\n\n[tones]",
        "wrong type",
        "[measure] supply: found 1, allowed true or false",
    ),
    (
        SEQUENCE,
        "[tones]",
        "[measure]\nsupply = false\ntwo_tone = false\nharmonics = false\n\n[tones]",
        "contradiction",
        "[measure]: two_tone, harmonics, supply, compression and noise are all false: nothing is left to measure, "
        "found { supply = false, two_tone = false, harmonics = false }",
    ),
    (
        SEQUENCE,
        "step = 5",
        "step = 7",
        "contradiction",
        "[axes] gain_code: from … to must be a whole number of steps, found { from = 0, to = 30, step = 7 }",
    ),
    (
        SEQUENCE,
        "{ from = 0, to = 30, step = 5 }",
        "[0.5]",
        "contradiction",
        "[axes] gain_code: codes must be whole numbers from 0, found [0.5]",
    ),
    (
        SEQUENCE,
        "{ from = 0, to = 30, step = 5 }",
        '"every"',
        "contradiction",
        '[axes] gain_code: a number, a list, a range { from = …, to = …, step = … } or "all" is wanted, found "every"',
    ),
    (
        SEQUENCE,
        'channel = "all"',
        "channel = [1]",
        "contradiction",
        '[axes] channel: a name, a list of names or "all" is wanted, found [1]',
    ),
    (
        SEQUENCE,
        "[-40, 25, 85]",
        "[]",
        "contradiction",
        "[axes] temperature_c: the list is empty, found []",
    ),
    (
        SEQUENCE,
        "[tones]",
        "[[exclude]]\nwhen = { chanel = 1 }\n\n[tones]",
        "unknown key",
        "[[exclude]] no. 1 when.chanel: unknown key, allowed channel, gain_code, temperature_c, supply_mode, load_ohm, "
        "tone_level_dbm, frequency_hz.  Did you mean channel?",
    ),
    (
        SEQUENCE,
        "[tones]",
        "[[exclude]]\nwhen = { frequency_mhz = { min = 2, max = 1 } }\n\n[tones]",
        "contradiction",
        "[[exclude]] no. 1 when.frequency_mhz: min is above max, found { min = 2, max = 1 }",
    ),
    (
        SEQUENCE,
        "shortest_min = 5",
        "shortest_h = 2",
        "contradiction",
        "[soak]: the shortest soak is longer than the longest, "
        "found { hold_min = 3, shortest_h = 2, longest_min = 90 }",
    ),
    (
        PART,
        "reference_load_ohm = 200",
        "reference_load_ohm = 50",
        "contradiction",
        "[part]: reference_load_ohm 50 is not one of loads_ohm",
    ),
    (
        PART,
        'channels = ["A", "B"]',
        'channels = ["A", "A"]',
        "contradiction",
        "[part]: a channel is named twice in channels",
    ),
    (
        PART,
        "loads_ohm = [100, 150",
        "loads_ohm = [true, 150",
        "wrong type",
        "[part] loads_ohm: found true, allowed a number",
    ),
    (
        PART,
        "step = 0.75 }",
        "step = 1.5 }",
        "contradiction",
        "[gain_codes]: 31 codes but 16 nominal gains",
    ),
    (
        PART,
        'name = "low power"',
        'name = "nominal"',
        "contradiction",
        ": two supply modes share a name",
    ),
    (
        PART,
        "plausible_current_ma = { min = 175, max = 250 }",
        "plausible_current_ma = { min = 350, max = 240 }",
        "contradiction",
        "[[supply_mode]] no. 1 plausible_current_ma: min is above max, found { min = 350, max = 240 }",
    ),
    (
        PART,
        "plausible_current_ma = { min = 175, max = 250 }",
        "plausible_current_ma = 250",
        "wrong type",
        "[[supply_mode]] no. 1 plausible_current_ma: found 250, allowed a table",
    ),
    (
        PART,
        "min = 40.0\n",
        "minn = 40.0\n",
        "unknown key",
        "[[limit]] no. 1 minn: unknown key, allowed characteristic, unit, min, max, typical, where, rule, "
        "guard_band_factor.  Did you mean min?",
    ),
    (
        PART,
        "min = 40.0\n",
        "",
        "contradiction",
        "[[limit]] no. 1: a limit needs min, max or both",
    ),
    (
        BENCH,
        "[instrument.chamber]",
        "[instrument.chambre]",
        "unknown key",
        "[instrument] chambre: unknown key, allowed tone_1, tone_2, noise_source, analyzer, supply, current_meter, "
        "board_thermometer, chamber, load_switch, channel_switch, code_port, network_analyzer, "
        "power_meter.  Did you mean chamber?",
    ),
    (
        BENCH,
        "setting_db = 0.04",
        "seting_db = 0.04",
        "unknown key",
        "[instrument.tone_1.accuracy] seting_db: unknown key, allowed level_db, setting_db.  Did you mean setting_db?",
    ),
    (
        BENCH,
        "calibration_due = 2027-05-31",
        'calibration_due = "31 May 2027"',
        "wrong type",
        '[instrument.tone_1] calibration_due: found "31 May 2027", allowed a date such as 2027-05-31',
    ),
    (
        BENCH,
        "starts = 2026-11-02T18:30:00Z",
        "starts = 2026-11-02T18:30:00",
        "wrong type",
        "[simulation] starts: found 2026-11-02T18:30:00, allowed a date and time with Z or an offset, "
        "such as 2026-11-02T18:30:00Z",
    ),
    (
        BENCH,
        "starts = 2026-11-02T18:30:00Z",
        "starts = 2026-11-02",
        "wrong type",
        "[simulation] starts: found 2026-11-02, allowed a date and time such as 2026-11-02T18:30:00Z",
    ),
    (
        BENCH,
        "attenuations_db = [0, 5, 10, 15, 20, 25, 30, 35, 40]",
        "attenuations_db = []",
        "not allowed",
        "[instrument.analyzer] attenuations_db: found [], allowed at least one entry",
    ),
    (
        BENCH,
        "attenuations_db = [0, 5, 10, 15, 20, 25, 30, 35, 40]",
        "attenuations_db = 10",
        "wrong type",
        "[instrument.analyzer] attenuations_db: found 10, allowed a list",
    ),
    (
        BENCH,
        "{ 100 = 101,",
        "{ 100 = 1.5,",
        "wrong type",
        "[instrument.load_switch.loads] 100: found 1.5, allowed a whole number",
    ),
    (
        BENCH,
        "{ 100 = 101,",
        "{ low = 101,",
        "contradiction",
        "[instrument.load_switch.loads]: the keys must be load resistances in Ω, "
        "found { low = 101, 150 = 102, 200 = 103, 400 = 104 }",
    ),
    (
        BENCH,
        "{ 100 = 101,",
        '{ 100 = 101, "100.0" = 105,',
        "contradiction",
        '[instrument.load_switch.loads]: a load is listed twice, found { 100 = 101, "100.0" = 105, '
        "150 = 102, 200 = 103, 400 = 10 …",
    ),
    (
        BENCH,
        f"frequency_mhz = {MHZ}",
        "frequency_mhz = [10, 30]",
        "contradiction",
        "[[path_loss]] no. 1 loss_db: 2 frequencies but 9 losses, "
        "found { frequency_mhz = [10, 30], loss_db = [7.15, 7.19, 7.23, 7 …",
    ),
    (
        BENCH,
        f"frequency_mhz = {MHZ}",
        "frequency_mhz = [10, 30, 60, 90, 120, 180, 240, 300, 300]",
        "contradiction",
        "[[path_loss]] no. 1 loss_db: a loss table needs two or more points with rising frequency, "
        "found { frequency_mhz = [10, 30, 60, 90, 120, 180, 240, 300, 300 …",
    ),
    (
        BENCH,
        f"{{ frequency_mhz = {MHZ}, loss_db = [7.15, 7.19, 7.23, 7.26, 7.28, 7.33, 7.36, 7.39, 7.47] }}",
        '"7"',
        "wrong type",
        '[[path_loss]] no. 1 loss_db: found "7", allowed a number or a table',
    ),
    (
        BENCH,
        f"frequency_mhz = {MHZ}, ",
        "",
        "missing key",
        "[[path_loss]] no. 1 loss_db.frequency_hz: the key is missing",
    ),
    (
        BENCH,
        'path = "input"\n',
        'path = "input"\ntouchstone = "x.s2p"\n',
        "contradiction",
        "[[path_loss]] no. 1: give either loss_db or touchstone",
    ),
    (
        BENCH,
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 1.15]',
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [0.95, 1.15]',
        "not allowed",
        "[[path_loss]] no. 1 vswr: found 0.95, allowed 1 or more",
    ),
    (
        BENCH,
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 1.15]',
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 30]',
        "not allowed",
        "[[path_loss]] no. 1 vswr: found 30, allowed 20 or less",
    ),
    (
        BENCH,
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 1.15]',
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05]',
        "contradiction",
        "[[path_loss]] no. 1 vswr: give two ratios, of the path's own end and of the instrument's, found [1.05]",
    ),
    (
        BENCH,
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 1.15]',
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 1.1, 1.2]',
        "contradiction",
        "[[path_loss]] no. 1 vswr: give two ratios, of the path's own end and of the instrument's, "
        "found [1.05, 1.1, 1.2]",
    ),
    (
        BENCH,
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 1.15]',
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = 1.2',
        "contradiction",
        "[[path_loss]] no. 1 vswr: give two ratios, of the path's own end and of the instrument's, found 1.2",
    ),
    (
        BENCH,
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 1.15]',
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, inf]',
        "wrong type",
        "[[path_loss]] no. 1 vswr: found inf, allowed a finite number",
    ),
    (
        BENCH,
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, 1.15]',
        'path = "input"\nchannel = "A"\nuncertainty_db = 0.06\nvswr = [1.05, nan]',
        "wrong type",
        "[[path_loss]] no. 1 vswr: found nan, allowed a finite number",
    ),
    (
        BENCH,
        'visa_library = "@sim"',
        'visa_library = "@py"',
        "contradiction",
        ': clock = "simulated" goes only with visa_library = "@sim"; real instruments need "real"',
    ),
]


@pytest.mark.parametrize(("name", "before", "after", "kind", "text"), CASES, ids=[case[4][:60] for case in CASES])
def test_a_fault_is_quoted(name: str, before: str, after: str, kind: FaultKind, text: str) -> None:
    """One change of a demo file gives one fault, with file, table, key, found, allowed and the nearest word."""
    faults = _faults(name, _changed(name, before, after))

    assert [str(fault).removeprefix(name).removeprefix(", ") for fault in faults] == [text]
    assert [fault.kind for fault in faults] == [kind]


@pytest.mark.parametrize(
    ("text", "kind", "message"),
    [
        ("", "broken TOML", "quick.sequence.toml: the file is empty"),
        ("  \n\t\n", "broken TOML", "quick.sequence.toml: the file is empty"),
        (
            "[axes]\ngain_code = 3 4\n",
            "broken TOML",
            "quick.sequence.toml: line 2, column 15: Expected newline or end of document after a statement, "
            "found gain_code = 3 4",
        ),
        (
            "[axes",
            "broken TOML",
            "quick.sequence.toml: at the end of the file: Expected ']' at the end of a table declaration",
        ),
        ("a = " + "9" * 5000, "broken TOML", "quick.sequence.toml: a number has too many digits"),
        ("a = " + "[" * 5000, "broken TOML", "quick.sequence.toml: nested too deeply"),
        ('[part]\nname = "x"\n', "wrong file", "quick.sequence.toml: found a part file, allowed a sequence file"),
    ],
)
def test_a_text_that_is_no_sequence_is_refused(text: str, kind: FaultKind, message: str) -> None:
    """Empty, broken with line and column, absurd, or a file of another kind."""
    (fault,) = _faults(SEQUENCE, text)

    assert (fault.kind, str(fault)) == (kind, message)


def test_huge_integers_are_named_not_printed() -> None:
    """Python would refuse to print them, and no float can hold them."""
    (fault,) = _faults(SEQUENCE, _changed(SEQUENCE, "hold_min = 3", "hold_min = 0x" + "f" * 5000))

    assert (fault.key, fault.found) == ("hold_min", "an integer of 20000 bits")


def test_every_fault_of_a_file_is_reported_at_once() -> None:
    """Spelling, unit, type and range, each once and in the order of discovery."""
    text = _changed(SEQUENCE, "\ntemperature_c =", "\ntemprature_c =")
    for before, after in [
        ("spacing_mhz = 1", "spacing_k = 1"),
        ("hold_min = 3", 'hold_min = "3"'),
        ("longest_min = 90", "longest_min = 0"),
        ('name = "quick"', "name = []"),
    ]:
        text = text.replace(before, after, 1)

    faults = _faults(SEQUENCE, text)

    assert [fault.key for fault in faults] == ["temprature_c", "spacing_k", "name", "hold_min", "longest_min"]


def test_the_exception_carries_its_faults_as_facts() -> None:
    """Programs look at attributes; the text has a line for each fault."""
    with pytest.raises(FileFaults) as caught:
        parse_sequence(_changed(SEQUENCE, "hold_min = 3", "hold_min = -3\nhold = 1"), "night.sequence.toml")

    assert str(caught.value).count("\n") == len(caught.value.faults) - 1 == 1
    assert caught.value.faults[1] == FileFault(
        "not allowed", "night.sequence.toml", "[soak]", "hold_min", found="-3", allowed="0 or more"
    )


def test_keys_take_any_prefix_of_their_unit() -> None:
    """Scaled without decimal noise: at the top of a table, in lists, in intervals, in where, in inline tables."""
    part, bench = read_part(demo_file(PART)).model, read_bench(demo_file(BENCH)).model
    night = read_sequence(demo_file("overnight.sequence.toml")).model

    assert part.modes["nominal"].plausible_current_a.max == 0.25
    assert part.operating.frequency_hz.min == 20e6
    assert part.limit[0].where["frequency_hz"].values == (60e6,)
    assert bench.instrument.current_meter is not None
    assert bench.instrument.current_meter.accuracy.offset_a == 0.00002
    assert bench.fixture.time_constant_s == 180.0
    assert isinstance(bench.path_loss[0].loss_db, LossTable)
    assert bench.path_loss[0].loss_db.frequency_hz[:2] == (10e6, 30e6)
    assert night.axes.frequency_hz == (45e6, 60e6, 75e6)
    assert night.exclude[0].unless["frequency_hz"].values == (60e6,)


def test_prefixes_reach_into_ranges_and_intervals() -> None:
    """A range in MHz has its step in MHz, an interval both its ends."""
    text = _changed(SEQUENCE, "frequency_mhz = 60", "frequency_mhz = { from = 45, to = 75, step = 0.1 }")
    text = text.replace("[tones]", "[[exclude]]\nwhen = { frequency_khz = { min = 50e3 } }\n[tones]")

    sequence = parse_sequence(text).model

    assert sequence.axes.frequency_hz[:2] == (45e6, 45.1e6)
    assert len(sequence.axes.frequency_hz) == 301
    assert sequence.exclude[0].when["frequency_hz"].lowest == 50e6


def test_integers_pass_for_numbers_and_dates_for_dates() -> None:
    """TOML's own types arrive as the model's, without any conversion from text."""
    bench = read_bench(demo_file(BENCH)).model

    assert bench.instrument.tone_1 is not None
    assert bench.instrument.tone_1.calibration_due == date(2027, 5, 31)
    assert type(bench.instrument.tone_1.highest_level_dbm) is float
    assert bench.instrument.load_switch is not None
    assert bench.instrument.load_switch.loads[150.0] == 102


def test_a_loaded_file_keeps_its_text_and_fingerprint() -> None:
    """The fingerprint is that of the text, so a store can prove what a run was made with."""
    path = demo_file(SEQUENCE)

    loaded = read_sequence(path)

    assert loaded.text == path.read_text("utf-8")
    assert loaded.fingerprint == hashlib.sha256(path.read_bytes()).hexdigest()
    assert parse_sequence(loaded.text).fingerprint == loaded.fingerprint
    assert parse_sequence(loaded.text).model == loaded.model


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path: Path) -> None:
    """Some editors put one in front."""
    path = tmp_path / SEQUENCE
    path.write_bytes(b"\xef\xbb\xbf" + demo_file(SEQUENCE).read_bytes())

    assert read_sequence(path).fingerprint == read_sequence(demo_file(SEQUENCE)).fingerprint


@pytest.mark.parametrize(
    ("prepare", "kind", "problem"),
    [
        ("nothing", "no file", "there is no such file.  Did you mean near.toml?"),
        ("folder", "unreadable file", "this is a folder, a file is wanted"),
        ("bytes", "unreadable file", "byte 5 is not UTF-8 text"),
    ],
)
def test_a_file_that_cannot_be_read_is_a_fault(tmp_path: Path, prepare: str, kind: FaultKind, problem: str) -> None:
    """Missing (with the nearest name in its folder), a folder, or not text."""
    path = tmp_path / "nearr.toml"
    (tmp_path / "near.toml").touch()
    if prepare == "folder":
        path.mkdir()
    elif prepare == "bytes":
        path.write_bytes(b"a = \xff\n")

    with pytest.raises(FileFaults) as caught:
        read_sequence(path)

    (fault,) = caught.value.faults
    assert (fault.kind, str(fault)) == (kind, f"{path}: {problem}")


def test_a_name_that_no_file_can_have_is_a_fault() -> None:
    """A zero byte makes the operating system's call itself impossible."""
    with pytest.raises(FileFaults, match="cannot be read"):
        read_part("a\0b")


def _bench_with_touchstone(folder: Path) -> Path:
    text = demo_file(BENCH).read_text("utf-8")
    start = text.index("loss_db = {")
    text = text[:start] + 'touchstone = "cables/in-a.s2p"' + text[text.index("\n", start) :]
    (folder / BENCH).write_text(text, "utf-8")
    for name in (PART, SEQUENCE):
        (folder / name).write_text(demo_file(name).read_text("utf-8"), "utf-8")
    return folder / BENCH


TOUCHSTONE = "# MHz S DB R 50\n10 -20 0 -7 0 -7 0 -20 0\n500 -20 0 -7.5 0 -7.5 0 -20 0\n"


def test_touchstone_files_are_kept_with_the_bench(tmp_path: Path) -> None:
    """Found beside the bench file, kept by the name it uses, and enough to build everything again without a file."""
    bench = _bench_with_touchstone(tmp_path)
    (tmp_path / "cables").mkdir()
    (tmp_path / "cables" / "in-a.s2p").write_text(TOUCHSTONE, "utf-8")

    read = read_setup(tmp_path / SEQUENCE)
    stored = parse_setup(read.sequence.text, read.part.text, read_bench(bench).text, read.bench.attachments)

    assert read.bench.attachments == {"cables/in-a.s2p": TOUCHSTONE}
    assert stored.path_losses.loss_db("input", "A", 200.0, 10e6) == pytest.approx(7.0)
    assert stored.bench.model == read.bench.model
    assert stored.bench.attachments == read.bench.attachments


def test_a_touchstone_file_that_is_not_there_is_a_fault(tmp_path: Path) -> None:
    """Named with its path beside the bench file."""
    _bench_with_touchstone(tmp_path)

    with pytest.raises(FileFaults, match=re.escape(f"{tmp_path / 'cables/in-a.s2p'}: there is no such file")):
        read_setup(tmp_path / SEQUENCE)


def test_a_garbled_touchstone_text_is_a_fault_of_its_name() -> None:
    """From a store as from a folder."""
    text = _changed(BENCH, "loss_db = {", 'touchstone = "in-a.s2p" # {')

    with pytest.raises(FileFaults, match=r"in-a\.s2p"):
        parse_setup(
            demo_file(SEQUENCE).read_text("utf-8"),
            demo_file(PART).read_text("utf-8"),
            text,
            {"in-a.s2p": "garbage"},
        )


def test_a_sequence_names_its_part_and_bench_beside_itself(tmp_path: Path) -> None:
    """Paths inside a file are relative to it, whatever the current folder."""
    (tmp_path / "files").mkdir()
    for name in (PART, BENCH):
        (tmp_path / "files" / name).write_text(demo_file(name).read_text("utf-8"), "utf-8")
    text = _changed(SEQUENCE, f'"{PART}"', f'"files/{PART}"').replace(f'"{BENCH}"', f'"files/{BENCH}"')
    (tmp_path / SEQUENCE).write_text(text, "utf-8")

    setup = read_setup(tmp_path / SEQUENCE)

    assert setup.part.path == tmp_path / "files" / PART
    assert setup.bench.model.bench.name == "Nimbus"


def test_other_files_than_the_named_ones_can_be_given(tmp_path: Path) -> None:
    """--bench and a new part file replace what the sequence names."""
    part, bench = tmp_path / "other.part.toml", tmp_path / "other.bench.toml"
    part.write_text(_changed(PART, 'name = "VIRGA-2"', 'name = "VIRGA-3"'), "utf-8")
    bench.write_text(_changed(BENCH, 'name = "Nimbus"', 'name = "Cirrus"'), "utf-8")

    setup = read_setup(demo_file(SEQUENCE), bench, part)

    assert (setup.part.model.part.name, setup.bench.model.bench.name) == ("VIRGA-3", "Cirrus")


def test_a_sequence_without_a_bench_needs_one_given(tmp_path: Path) -> None:
    """The fault says so; with a bench given the same file is fine."""
    path = tmp_path / SEQUENCE
    path.write_text(_changed(SEQUENCE, f'bench = "{BENCH}"\n', ""), "utf-8")
    (tmp_path / PART).write_text(demo_file(PART).read_text("utf-8"), "utf-8")

    with pytest.raises(FileFaults, match=r"\[sequence\] bench: no bench is named, and none was given"):
        read_setup(path)
    assert read_setup(path, demo_file(BENCH)).bench.path == demo_file(BENCH)


def test_faults_of_part_and_bench_come_together(tmp_path: Path) -> None:
    """One reading tells all that is wrong with both."""
    (tmp_path / SEQUENCE).write_text(demo_file(SEQUENCE).read_text("utf-8"), "utf-8")
    (tmp_path / PART).write_text(_changed(PART, "supply_v = 5.0", "supply_v = 0"), "utf-8")

    with pytest.raises(FileFaults) as caught:
        read_setup(tmp_path / SEQUENCE)

    assert [(Path(fault.file).name, fault.kind) for fault in caught.value.faults] == [
        (PART, "not allowed"),
        (BENCH, "no file"),
    ]


def test_a_stored_setup_is_not_judged_by_later_rules() -> None:
    """Cross checks held when the run began; its report must stay readable."""
    part = _changed(PART, "supply_v = 5.5", "supply_v = 4")
    sequence, bench = (demo_file(name).read_text("utf-8") for name in (SEQUENCE, BENCH))

    setup = parse_setup(sequence, part, bench, names=FileNames(part="kept.part.toml"))

    assert setup.part.path == Path("kept.part.toml")
    with pytest.raises(FileFaults, match=r"kept\.part\.toml.*\[part\]: the table is missing"):
        parse_setup(sequence, "a = 1", bench, names=FileNames(part="kept.part.toml"))
