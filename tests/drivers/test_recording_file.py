"""Recordings as small text files: to the byte and back, and played to drivers, ours and the guide's."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.conversation import Exchange
from drivers.errors import LinkLost, TimedOut
from drivers.meter import ScpiMeter
from drivers.printable import from_printable, printable
from drivers.recording_file import (
    NotARecording,
    read_recording,
    recorded_line,
    recorded_messages,
    recording_text,
)
from drivers.score import RecordingDiffers

METERS = Path(__file__).parent / "recordings" / "meters.recording.jsonl"
GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"

EXCHANGES = st.builds(
    Exchange,
    st.integers(1, 10**6),
    st.sampled_from(["analyzer", "supply"]),
    st.integers(0, 10**12).map(lambda us: us / 1e6),
    st.binary(max_size=30),
    st.none() | st.binary(max_size=30),
    st.integers(0, 10**9).map(lambda us: us / 1e6),
    st.none() | st.text(max_size=20),
)


@given(st.binary())
def test_bytes_are_printable_ascii_and_back(data: bytes) -> None:
    """Every byte, and nothing that an editor or a mail would change."""
    text = printable(data)
    assert from_printable(text) == data
    assert all(" " <= character <= "~" for character in text)


def test_ordinary_messages_stay_as_they_are() -> None:
    """A file is read by people."""
    assert printable(b':SYST:ERR?\n#212\x00\xff\\"') == ':SYST:ERR?\\n#212\\x00\\xff\\\\"'


@given(st.lists(st.tuples(st.none() | st.integers(0, 99), EXCHANGES), max_size=8))
def test_a_recording_is_the_same_after_a_file(rows: list[tuple[int | None, Exchange]]) -> None:
    """Whole microseconds, bytes, errors and conditions."""
    read = read_recording(recording_text({"unit": "Ω"}, rows))
    assert list(zip(read.conditions, read.exchanges, strict=True)) == rows
    assert read.header["unit"] == "Ω"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1 is no header"),
        ("{}\n", "line 1 is no header: it lacks"),
        ('{"nightbench recording": 99}\n', "form 99 is not known here"),
        ('{"nightbench recording": 1}\n[1, 2]\n', "line 2 is no exchange"),
        (
            '{"nightbench recording": 1}\n[0, "a", 1, 0, "\\\\q", null, 0, null]\n',
            "line 2 is no exchange: .*as this form",
        ),
    ],
)
def test_what_is_no_recording_is_refused_with_its_line(text: str, said: str) -> None:
    """A file that somebody has edited says where."""
    with pytest.raises(NotARecording, match=said):
        read_recording(text)


def test_an_instrument_that_is_not_in_it_is_answered_with_those_that_are() -> None:
    """A misspelt place."""
    with pytest.raises(NotARecording, match="it has current_meter, board_thermometer"):
        recorded_messages(METERS, "meter")


# --- Drivers over it


@pytest.mark.parametrize(
    ("place", "quantity", "value"),
    [("current_meter", "current", 0.1987420599), ("board_thermometer", "temperature", -39.8998368)],
)
def test_the_meters_of_a_demo_night_say_what_they_said(place: str, quantity: str, value: float) -> None:
    """Identity, configuration and one reading, from a file beside this test."""
    meter = ScpiMeter(recorded_messages(METERS, place))

    assert meter.identify().model == "SIMULATED-METER"
    assert meter.drain_errors() == ()
    meter.prepare(quantity)  # type: ignore[arg-type]  # a word of the role, as text
    meter.begin_reading()
    assert meter.finish_reading() == value


def test_a_driver_that_says_something_else_is_told_both() -> None:
    """What was recorded and what is sent; nothing that catches errors of instruments can go on."""
    messages = recorded_messages(METERS, "current_meter")
    with pytest.raises(RecordingDiffers, match=r"recorded: current_meter '\*IDN\?'; sent now: current_meter '\*RST'"):
        messages.tell("*RST")


def test_failures_come_as_they_came() -> None:
    """Of their class, with their words."""
    failures = ["TimedOut: no complete reply in time", "LinkLost: the line broke"]
    rows = [(0, Exchange(1 + at, "supply", at / 4, b"READ?", None, 0.25, text)) for at, text in enumerate(failures)]
    line = recorded_line(read_recording(recording_text({}, rows)), "supply")

    with pytest.raises(TimedOut, match="no complete reply in time"):
        line.send(b"READ?")
    with pytest.raises(LinkLost, match="the line broke"):
        line.send(b"READ?")


def test_the_guides_test_of_a_driver_passes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The recording, the driver and the test that the developers' guide shows, in a folder of their own."""
    shown = re.findall(r"^```(python|json)\n(.*?)^```", GUIDE.read_text("utf-8"), re.M | re.S)
    driver, test, recording = (
        next(block for _, block in shown if words in block)
        for words in ("class RelayBox", "recorded_messages", "nightbench recording")
    )
    (tmp_path / "our_lab_once").mkdir()
    (tmp_path / "our_lab_once" / "relay_box.py").write_text(driver, "utf-8")
    (tmp_path / "relay-box.recording.jsonl").write_text(recording, "utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(str(tmp_path))
    names: dict[str, object] = {}
    exec(compile(test.replace("our_lab.", "our_lab_once."), "guide", "exec"), names)
    called = [made for name, made in names.items() if name.startswith("test_") and callable(made)]
    assert called
    for one in called:
        one()
    sys.modules.pop("our_lab_once.relay_box")
