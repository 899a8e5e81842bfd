"""Rules across the three files: each fault is quoted as a person reads it."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequences.errors import FaultKind, FileFault, FileFaults
from sequences.read_files import demo_file, read_setup

PART, BENCH, SEQUENCE = "virga-2.part.toml", "nimbus.bench.toml", "quick.sequence.toml"
Change = tuple[str, str]


def _faults(
    folder: Path, changes: dict[str, list[Change]], characteristics: dict[str, str] | None = None
) -> tuple[FileFault, ...]:
    """Faults of the demo's quick sequence with some texts replaced, first occurrence each."""
    for keyword, name in (("part", PART), ("bench", BENCH), ("sequence", SEQUENCE)):
        text = demo_file(name).read_text("utf-8")
        for before, after in changes.get(keyword, []):
            assert before in text, f"{before!r} is not in {name}"
            text = text.replace(before, after, 1)
        (folder / name).write_text(text, "utf-8")
    try:
        read_setup(folder / SEQUENCE, known_characteristics=characteristics)
    except FileFaults as error:
        return error.faults
    return ()


def _texts(folder: Path, faults: tuple[FileFault, ...]) -> list[str]:
    return [str(fault).replace(f"{folder}/", "") for fault in faults]


def test_the_unchanged_files_fit(tmp_path: Path) -> None:
    """The harness itself: no change, no fault."""
    assert _faults(tmp_path, {}) == ()


Case = tuple[str, list[Change], FaultKind, str]

CASES: list[Case] = [
    (
        "sequence",
        [('supply_mode = "nominal"', 'supply_mode = "nominl"')],
        "not allowed",
        'quick.sequence.toml, [axes] supply_mode: found "nominl", allowed "nominal", "low power" (part file).'
        '  Did you mean "nominal"?',
    ),
    (
        "sequence",
        [('channel = "all"', 'channel = ["A", "C"]')],
        "not allowed",
        'quick.sequence.toml, [axes] channel: found "C", allowed "A", "B" (part file)',
    ),
    (
        "sequence",
        [("load_ohm = 200", "load_ohm = 0.05"), ("load_ohm =", "load_kohm =")],
        "not allowed",
        "quick.sequence.toml, [axes] load_kohm: found 50, allowed 100, 150, 200, 400 (part file)",
    ),
    (
        "sequence",
        [("to = 30, step = 5", "to = 35, step = 5")],
        "not allowed",
        "quick.sequence.toml, [axes] gain_code: found 35, allowed 0, 1, 2 … 30 (part file)",
    ),
    (
        "sequence",
        [("[-40, 25, 85]", "[-40, 25, 140]")],
        "beyond rating",
        "quick.sequence.toml, [axes] temperature_c: found 140, allowed -40 … 85 (part operating range)",
    ),
    (
        "part",
        [("temperature_c = { min = -55, max = 110 }", "temperature_c = { min = -55, max = 80 }")],
        "beyond rating",
        "quick.sequence.toml, [axes] temperature_c: found 85, allowed -55 … 80 (part rating)",
    ),
    (
        "bench",
        [("temperature_c = { min = -50, max = 105 }", "temperature_c = { min = -30, max = 105 }")],
        "beyond rating",
        "quick.sequence.toml, [axes] temperature_c: found -40, allowed -30 … 105 (fixture rating)",
    ),
    (
        "bench",
        [("temperature_c = { min = -60, max = 150 }", "temperature_c = { min = -20, max = 150 }")],
        "beyond rating",
        "quick.sequence.toml, [axes] temperature_c: found -40, allowed -20 … 150 (chamber range)",
    ),
    (
        "bench",
        [("limiter_c = 95", "limiter_c = 80")],
        "beyond rating",
        "quick.sequence.toml, [axes] temperature_c: found 85, allowed -273.15 … 80 (below the chamber's limiter)",
    ),
    (
        "bench",
        [("idle_c = 25", "idle_c = 120")],
        "beyond rating",
        "nimbus.bench.toml, [instrument.chamber] idle_c: found 120, allowed -55 … 110 (part rating)",
    ),
    (
        "bench",
        [("ramp_k_per_min = 4", "ramp_k_per_s = 1")],
        "beyond rating",
        "nimbus.bench.toml, [instrument.chamber] ramp_k_per_s: found 60 K/min, allowed 10 K/min or less (part rating)",
    ),
    (
        "sequence",
        [("frequency_mhz = 60", "frequency_mhz = [60, 151]")],
        "beyond rating",
        "quick.sequence.toml, [axes] frequency_mhz: found 151 MHz, allowed 20 MHz … 150 MHz (part operating range)",
    ),
    (
        "part",
        [("supply_v = 5.0", "supply_v = 5.6")],
        "beyond rating",
        "virga-2.part.toml, [[supply_mode]] no. 1 supply_v: found 5.6 V, allowed 5.5 V or less (part rating)",
    ),
    (
        "part",
        [("current_limit_ma = 300", "current_limit_ma = 400")],
        "beyond rating",
        "virga-2.part.toml, [[supply_mode]] no. 1 current_limit_ma: found 400 mA, allowed 350 mA or less (part rating)",
    ),
    (
        "bench",
        [("highest_voltage_v = 20", "highest_voltage_v = 4")],
        "beyond rating",
        "virga-2.part.toml, [[supply_mode]] no. 1 supply_v: found 5 V, allowed 4 V or less (the bench's supply)",
    ),
    (
        "bench",
        [("highest_current_a = 2", "highest_current_ma = 250")],
        "beyond rating",
        "virga-2.part.toml, [[supply_mode]] no. 1 current_limit_ma: found 300 mA, allowed 250 mA or less "
        "(the bench's supply)",
    ),
    (
        "bench",
        [("gain = 0.0005 }", "gain = 0.0005 }\nrange_ma = 200")],
        "beyond rating",
        "virga-2.part.toml, [[supply_mode]] no. 1 plausible_current_ma: found 250 mA, allowed 200 mA or less "
        "(range of the bench's current meter)",
    ),
    (
        "bench",
        [("highest_level_dbm = 19", "highest_level_dbm = 8")],
        "beyond rating",
        "quick.sequence.toml, [axes] tone_level_dbm: tone_1 would have to give 8.78 dBm at channel B, gain code 30, "
        "200 Ω, 3 dBm, 60 MHz, found 3, allowed 8 dBm or less from tone_1",
    ),
    (
        "part",
        [("input_level_dbm = 18", "input_level_dbm = 4")],
        "beyond rating",
        "quick.sequence.toml, [axes] tone_level_dbm: both tones together may put 4.86 dBm into the unit "
        "(with what source and path may be off) at channel A, "
        "gain code 30, 200 Ω, 3 dBm, 60 MHz, found 3, allowed 4 dBm or less (part rating)",
    ),
    (
        "bench",
        [("highest_input_dbm = 30", "highest_input_dbm = 18")],
        "beyond rating",
        "nimbus.bench.toml, [instrument.analyzer] highest_input_dbm: the saturated output of 20 dBm arrives as 8.99 "
        "dBm at channel A, gain code 0, 200 Ω, 3 dBm, 60 MHz, found 18, allowed 8 dBm or less at the analyzer, 10 dB "
        "below its highest input",
    ),
    (
        "bench",
        [("200 = 103, ", "")],
        "no route",
        "quick.sequence.toml, [axes] load_ohm: found 200, allowed 100, 150, 400 ([instrument.load_switch] of "
        "nimbus.bench.toml)",
    ),
    (
        "bench",
        [("channels = { A = 201, B = 202 }", "channels = { A = 201 }")],
        "no route",
        'quick.sequence.toml, [axes] channel: found "B", allowed "A" ([instrument.channel_switch] of '
        "nimbus.bench.toml)",
    ),
    (
        "bench",
        [("channels = { A = 1, B = 2 }", "channels = { A = 1 }")],
        "no route",
        'quick.sequence.toml, [axes] channel: found "B", allowed "A" ([instrument.code_port] of nimbus.bench.toml)',
    ),
    (
        "bench",
        [('path = "output"\nchannel = "A"\nload_ohm = 200', 'path = "output"\nchannel = "A"\nload_ohm = 250')],
        "no path loss",
        "nimbus.bench.toml, [[path_loss]]: output path, channel A, 200 Ω needs exactly one entry, found none",
    ),
    (
        "bench",
        [('path = "output"\nchannel = "A"\nload_ohm = 400', 'path = "output"\nchannel = "A"\nload_ohm = 200')],
        "no path loss",
        "nimbus.bench.toml, [[path_loss]]: output path, channel A, 200 Ω needs exactly one entry, found no. 5, no. 6",
    ),
    (
        "bench",
        [
            (
                "240, 300, 480], loss_db = [10.88, 10.94, 11.01, 11.06, 11.11, 11.20, 11.28, 11.36, 11.57]",
                "165], loss_db = [10.88, 10.94, 11.01, 11.06, 11.11, 11.20, 11.28]",
            ),
            (
                "loss_db = { frequency_mhz = [10, 30, 60, 90, 120, 180, 165]",
                "loss_db = { frequency_mhz = [10, 30, 60, 90, 120, 150, 165]",
            ),
        ],
        "no path loss",
        "nimbus.bench.toml, [[path_loss]] no. 5 loss_db: the loss must be known from 58.5 MHz … 178.5 MHz (output "
        "path, channel A, 200 Ω), found 10 MHz … 165 MHz",
    ),
    (
        "sequence",
        [("spacing_mhz = 1", "spacing_mhz = 50")],
        "not allowed",
        "quick.sequence.toml, [tones] spacing_mhz: a line would fall to -15 MHz, found 50 MHz, allowed less spacing",
    ),
    (
        "sequence",
        [("[-40, 25, 85]", "[-40, 85]")],
        "contradiction",
        "quick.sequence.toml, [sequence] reference_temperature_c: the limit on supply_current_drift needs it among "
        "temperature_c, found 25, allowed -40, 85",
    ),
    (
        "sequence",
        [("[tones]", '[[exclude]]\nwhen = { supply_mode = "low pwer", gain_code = { min = 40 } }\n\n[tones]')],
        "not allowed",
        'quick.sequence.toml, [[exclude]] no. 1 when.supply_mode: found "low pwer", allowed "nominal", "low power" '
        '(part file).  Did you mean "low power"?',
    ),
    (
        "sequence",
        [("[tones]", '[[exclude]]\nwhen = { supply_mode = "nominal" }\n\n[tones]')],
        "not allowed",
        "quick.sequence.toml, [[exclude]]: found no condition that is left, allowed at least one",
    ),
    (
        "part",
        [('where = { supply_mode = "nominal"', 'where = { supply_mode = "nominl"')],
        "not allowed",
        'virga-2.part.toml, [[limit]] no. 1 where.supply_mode: found "nominl", allowed "nominal", "low power" '
        '(part file).  Did you mean "nominal"?',
    ),
    (
        "part",
        [("frequency_mhz = 60, tone_level_dbm = 3, temperature_c = 25", "frequency_mhz = 600, tone_level_dbm = 3")],
        "not allowed",
        "virga-2.part.toml, [[limit]] no. 1 where.frequency_mhz: found 600 MHz, allowed 20 MHz … 150 MHz "
        "(part operating range)",
    ),
    (
        "part",
        [("tone_level_dbm = 3, temperature_c = 25", 'tone_level_dbm = "3", temperature_c = 25')],
        "wrong type",
        'virga-2.part.toml, [[limit]] no. 1 where.tone_level_dbm: found "3", allowed a number',
    ),
]


@pytest.mark.parametrize(("file", "changes", "kind", "text"), CASES, ids=[case[3].split(":")[0] for case in CASES])
def test_a_rule_that_is_broken_is_quoted(
    tmp_path: Path, file: str, changes: list[Change], kind: FaultKind, text: str
) -> None:
    """File, table, key as the file spells it, found, allowed and the nearest word, in one line of its kind."""
    faults = _faults(tmp_path, {file: changes})

    lines = _texts(tmp_path, faults)
    matching = [fault for fault, line in zip(faults, lines, strict=True) if line == text]
    assert [fault.kind for fault in matching] == [kind], "\n".join(lines)


@pytest.mark.parametrize(
    ("place", "axis"),
    [
        ("chamber", "temperature_c: more than one value needs [instrument.chamber]"),
        ("load_switch", "load_ohm: more than one value needs [instrument.load_switch]"),
        ("channel_switch", "channel: more than one value needs [instrument.channel_switch]"),
        ("code_port", "gain_code: more than one value needs [instrument.code_port]"),
        ("code_port", "supply_mode: more than one value needs [instrument.code_port]"),
        ("supply", "supply_mode: more than one value needs [instrument.supply]"),
        ("supply", "supply: this needs [instrument.supply]"),
        ("tone_2", "two_tone: this needs [instrument.tone_2]"),
        ("tone_1", "harmonics: this needs [instrument.tone_1]"),
        ("analyzer", "two_tone: this needs [instrument.analyzer]"),
    ],
)
def test_an_axis_needs_the_instrument_that_sweeps_it(tmp_path: Path, place: str, axis: str) -> None:
    """The bench lacks one place; every axis and measurement that needs it is named."""
    text = demo_file(BENCH).read_text("utf-8")
    start = text.index(f"[instrument.{place}]")
    table = text[start : text.index("\n\n", start)]
    wide = [("load_ohm = 200", "load_ohm = [100, 200]"), ('supply_mode = "nominal"', 'supply_mode = "all"')]

    faults = _faults(tmp_path, {"bench": [(table, "")], "sequence": wide})

    assert any(axis in str(fault) and fault.kind == "no instrument" for fault in faults), _texts(tmp_path, faults)


def test_one_value_needs_no_instrument_to_sweep_it(tmp_path: Path) -> None:
    """A hand-wired bench with a single load, channel, code, mode and temperature is fine."""
    text = demo_file(BENCH).read_text("utf-8")
    removed = []
    for place in ("chamber", "load_switch", "channel_switch", "code_port"):
        start = text.index(f"[instrument.{place}]")
        removed.append((text[start : text.index("\n\n", start)], ""))
    single = [
        ('channel = "all"', 'channel = "A"'),
        ("gain_code = { from = 0, to = 30, step = 5 }", "gain_code = 0"),
        ("[-40, 25, 85]", "25"),
    ]

    assert _faults(tmp_path, {"bench": removed, "sequence": single}) == ()


def test_a_supply_run_needs_no_radio_frequency_instrument_or_path_loss(tmp_path: Path) -> None:
    """Without tones and harmonics no line is measured, so no path has to be known."""
    text = demo_file(BENCH).read_text("utf-8")
    no_losses = [(text[text.index("[[path_loss]]") :], "")]
    measure = [("[tones]", "[measure]\ntwo_tone = false\nharmonics = false\n\n[tones]")]

    assert _faults(tmp_path, {"bench": no_losses, "sequence": measure}) == ()


def test_a_limit_names_a_characteristic_that_exists_in_its_unit(tmp_path: Path) -> None:
    """Known words come from whoever derives them; a unit of another dimension is no misprint of a prefix."""
    known = dict.fromkeys(
        ("gain", "gain_step_error", "cumulative_gain_error", "gain_match", "supply_current_drift", "hd2", "hd3"), "dB"
    )
    known |= {"gain_step": "dB", "gain_range": "dB", "gain_tempco": "dB/K", "output_resistance": "Ω"}
    known |= {
        "mode_power_saving": "%",
        "oip3_low": "dBm",
        "supply_current": "A",
        "supply_current_drift": "%",
        "hd2": "dBc",
        "hd3": "dBm",
    }

    texts = _texts(tmp_path, _faults(tmp_path, {}, known))

    assert next(text for text in texts if "no. 1 " in text).startswith(
        'virga-2.part.toml, [[limit]] no. 1 characteristic: found "oip3", allowed gain, '
    )
    assert all('Did you mean "oip3_low"?' in text for text in texts if "characteristic" in text)
    assert 'virga-2.part.toml, [[limit]] no. 12 unit: found "dBc", allowed a unit like "dBm"' in texts
    assert len(texts) == 4


def test_a_limit_in_an_unknown_unit_is_told_the_known_ones(tmp_path: Path) -> None:
    """Also when nobody says which characteristics there are."""
    (fault,) = _faults(tmp_path, {"part": [('unit = "dBm"', 'unit = "dbm"')]})

    assert (fault.table, fault.key, fault.found, fault.nearest) == ("[[limit]] no. 1", "unit", '"dbm"', '"dBm"')
    assert {"dBm", "mA", "ppm/K", "%"} <= set(fault.allowed.split(", "))


def test_levels_are_judged_on_what_exclusions_leave(tmp_path: Path) -> None:
    """A level that only an excluded condition would need is no fault."""
    loud = [("tone_level_dbm = 3", "tone_level_dbm = [3, 14]")]
    excluded = [("[tones]", "[[exclude]]\nwhen = { tone_level_dbm = 14, gain_code = { min = 20 } }\n\n[tones]")]

    assert {fault.key for fault in _faults(tmp_path, {"sequence": loud})} == {"tone_level_dbm"}
    assert _faults(tmp_path, {"sequence": loud + excluded}) == ()


def test_every_fault_is_reported_at_once(tmp_path: Path) -> None:
    """Faults of different rules and files come together."""
    changes = {
        "sequence": [("[-40, 25, 85]", "[-40, 140]"), ("load_ohm = 200", "load_ohm = 50")],
        "bench": [("idle_c = 25", "idle_c = 200")],
        "part": [("supply_v = 5.0", "supply_v = 6")],
    }

    faults = _faults(tmp_path, changes)

    assert [fault.key for fault in faults] == [
        "load_ohm",
        "temperature_c",
        "supply_v",
        "idle_c",
        "reference_temperature_c",
    ]
