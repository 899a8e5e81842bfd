"""A bench whose outputs are on when the run begins: somebody left it so, or the mains came back."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from bench.assemble import OpenBench, open_bench
from bench.bring_up import WakeUp, bring_up
from bench.errors import UnsafeBench
from bench.recording import VOICES
from bench.safe_state import found_on, make_safe, unconfirmed
from drivers.errors import TimedOut
from sequences.conditions import expand
from sequences.read_files import Setup

UNIT = "VG2-0007"


@pytest.fixture
def setup(make_setup: Callable[..., Setup]) -> Setup:
    made: Setup = make_setup({})
    return made


@pytest.fixture
def opened(setup: Setup) -> Iterator[OpenBench]:
    """The shipped bench, with everything on that can be."""
    with open_bench(setup.bench, setup.part.model, UNIT) as bench:
        for output in (bench.places.tone_1, bench.places.tone_2, bench.places.noise_source, bench.places.supply):
            assert output is not None
            output.switch_output(on=True)
        assert bench.places.chamber is not None
        bench.places.chamber.set_target_c(85.0)
        bench.places.chamber.switch_conditioning(on=True)
        bench.log.take()
        yield bench


def brought_up(setup: Setup, opened: OpenBench) -> list[str]:
    reports: list[str] = []
    conditions = tuple(expand(setup.sequence.model, setup.part.model, setup.bench.model))
    bring_up(WakeUp(opened.places, setup.part.model, setup.bench.model, conditions, opened.clock, {}), reports.append)
    return reports


def test_bring_up_says_what_it_found_on_and_switches_it_off_before_it_sets_anything(
    setup: Setup, opened: OpenBench
) -> None:
    """Only questions go out before the commands that take energy away, RF first, bias last, then the chamber."""
    reports = brought_up(setup, opened)
    heard = [exchange for exchange in opened.log.take() if exchange.instrument not in VOICES]
    sent = [(exchange.instrument, exchange.sent.decode()) for exchange in heard]
    commands = [(place, text) for place, text in sent if text and not text.endswith("?")]

    assert (
        "safe state: RF and bias off, confirmed by reading back; found on: tone_1, tone_2, noise_source, supply"
        in reports
    )
    assert commands[:5] == [
        ("tone_1", ":OUTP:STAT 0"),
        ("tone_2", ":OUTP:STAT 0"),
        ("noise_source", ":OUTP:STAT 0"),
        ("supply", ":OUTP:STAT 0"),
        ("chamber", ":OUTP:STAT 0"),
    ]


def test_what_is_off_is_not_told_of(setup: Setup, opened: OpenBench) -> None:
    """An ordinary evening."""
    assert unconfirmed(make_safe(opened.places, sleep=opened.clock.sleep)) == ()
    reports = brought_up(setup, opened)

    assert "safe state: RF and bias off, confirmed by reading back" in reports


def test_one_that_does_not_say_is_not_called_on_and_fails_to_be_confirmed(
    setup: Setup, opened: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others are still told to be off."""

    def silent() -> bool:
        raise TimedOut("no complete reply in time", instrument="supply")

    monkeypatch.setattr(opened.places.supply, "output_is_on", silent)

    assert found_on(opened.places) == ("tone_1", "tone_2", "noise_source")
    with pytest.raises(UnsafeBench, match="bias off"):
        brought_up(setup, opened)
    assert found_on(opened.places) == ()
