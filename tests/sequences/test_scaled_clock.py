"""The bench file's clock that runs faster than real time: only for a rig that is served on this machine."""

from __future__ import annotations

import pytest

from sequences.errors import FileFaults
from sequences.read_files import demo_file, parse_bench

TEXT = demo_file("sockets.bench.toml").read_text("utf-8")
SPEED = "speed = 600 # times faster than real time: a soak of ten minutes takes a second\n"
FIRST = "TCPIP0::127.0.0.1::5101::SOCKET"
SIMULATION = TEXT[TEXT.index("[simulation]") : TEXT.index("# --- Path losses")]


def fault_of(*changes: tuple[str, str]) -> str:
    text = TEXT
    for before, after in changes:
        assert text.count(before) == 1
        text = text.replace(before, after)
    with pytest.raises(FileFaults) as caught:
        parse_bench(text, "bench")
    return str(caught.value)


def test_a_scaled_clock_needs_its_speed() -> None:
    """There is no usual one."""
    assert fault_of((SPEED, "")).startswith(
        'bench, [bench]: clock = "scaled" needs speed, such as speed = 600: how many times faster than real time, found'
    )


@pytest.mark.parametrize("clock", ["real", "simulated"])
def test_a_speed_goes_with_no_other_clock(clock: str) -> None:
    """It would be believed to do something."""
    fault = fault_of(('clock = "scaled"', f'clock = "{clock}"'))

    assert f'speed goes only with clock = "scaled", and clock is "{clock}"' in fault


@pytest.mark.parametrize("speed", ["0", "-1", "inf", "nan"])
def test_a_speed_is_a_number_above_zero(speed: str) -> None:
    """Time passes, and forwards."""
    assert "[bench] speed: found" in fault_of((SPEED, f"speed = {speed}\n"))


@pytest.mark.parametrize(
    "resource",
    [
        "TCPIP0::tone-1.nimbus.example::5025::SOCKET",
        "TCPIP0::192.0.2.1::5101::SOCKET",
        "TCPIP0::127.0.0.1::INSTR",
        "GPIB0::7::INSTR",
    ],
)
def test_a_scaled_clock_with_an_instrument_elsewhere_is_refused(resource: str) -> None:
    """A real instrument would not keep pace: its waits would end far too early. Named with its place."""
    assert fault_of((FIRST, resource)) == (
        f'bench: clock = "scaled" is for a rig served on this machine, and tone_1 is at {resource}: '
        'real instruments need "real", a served one TCPIP::127.0.0.1::port::SOCKET'
    )


def test_a_scaled_clock_without_a_simulation_is_refused() -> None:
    """The table says that nothing here is real."""
    text = TEXT.replace(SIMULATION, "")
    with pytest.raises(FileFaults, match=r'clock = "scaled" is for a simulated bench, and there is no \[simulation\]'):
        parse_bench(text, "bench")


def test_a_scaled_clock_in_the_process_of_the_run_is_refused() -> None:
    """There the clock jumps."""
    fault = fault_of(('visa_library = "@py"', 'visa_library = "@sim"'))

    assert 'clock = "scaled" is for a rig that is served; visa_library = "@sim" needs "simulated"' in fault


def test_a_bench_behind_sockets_counts_as_simulated() -> None:
    """Its report says so, and its hazards are nobody's; at the real clock it is taken for real."""
    scaled = parse_bench(TEXT).model
    real = parse_bench(TEXT.replace(SPEED, "").replace('clock = "scaled"', 'clock = "real"')).model

    assert (scaled.is_simulated, scaled.is_in_process) == (True, False)
    assert (real.is_simulated, real.is_in_process) == (False, False)
