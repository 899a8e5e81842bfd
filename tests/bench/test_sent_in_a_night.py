"""Every message that the shipped nights send, from their recordings, against the list of headers and the standard."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.job import StopSwitch
from bench.night import Night, start_run, start_through
from bench.places import ROLE_OF_PLACE
from bench.plan import Plan
from bench.recording import VOICES
from bench.setups import setup_from_files
from bench.store.store import Store, open_store
from drivers.catalogue import DRIVERS
from drivers.sent_headers import SENT
from sequences.read_files import Setup, demo_file

#: What every instrument is asked: common commands that are mandatory (IEEE 488.2, 10.12, 10.14, 10.19) and the queue.
ALWAYS = {"*IDN?", "*ESR?", "*OPC?", ":SYST:ERR?"}

#: Header of one program message unit: from the root, short forms of at most four letters, with or without a number
#: (SCPI-1999 Vol 1, 6.2.1, 6.2.4, 6.2.5).
HEADER = re.compile(r"\*[A-Z]{3}\?|(?::[A-Z]{1,4}\d*)+\??")

#: One parameter: a keyword, NRf without a suffix (488.2, 7.7.2), or a channel list (Vol 1, 8.3.2).
PARAMETER = re.compile(r"[A-Z][A-Z0-9]*|-?\d+(?:\.\d+)?(?:E[+-]\d+)?|\(@\d+(?:,\d+)*\)")

NUMBER = re.compile(r"(?<=[A-Z])\d+(?=[:?]|$)")


def _ignore(*what: object) -> None:
    """Nobody listens."""


Start = Callable[[Setup, Store], Night]


def a_unit(setup: Setup, store: Store) -> Night:
    begun: Callable[[str, Plan], None] = _ignore
    return start_run(setup, "VG2-0007", "tests", store, _ignore, StopSwitch(), begun)


def a_through(setup: Setup, store: Store) -> Night:
    return start_through(setup, "tests", store, _ignore, StopSwitch(), _ignore)


@pytest.mark.parametrize(
    ("name", "start"),
    [
        ("quick", a_unit),
        ("quick", a_through),
        pytest.param("overnight", a_unit, marks=pytest.mark.slow),
        pytest.param("small-signal", a_unit, marks=pytest.mark.slow),
        pytest.param("noise", a_unit, marks=pytest.mark.slow),
        pytest.param("compression", a_unit, marks=pytest.mark.slow),
    ],
)
def test_a_night_sends_headers_of_the_list_in_the_form_of_the_standard(name: str, start: Start, tmp_path: Path) -> None:
    """Place by place; nothing goes out that the list does not tell, so nobody's table of deviations lacks a header."""
    setup = setup_from_files(demo_file(f"{name}.sequence.toml"))
    sent: defaultdict[str, set[str]] = defaultdict(set)
    with open_store(str(tmp_path / "night.db")) as store:
        for exchange in store.exchanges(start(setup, store).run):
            if exchange.instrument not in VOICES:
                sent[exchange.instrument].add(exchange.sent.decode("ascii"))
    present = setup.bench.model.instrument.present

    assert sent.keys() <= present.keys()
    assert len(sent) >= 8
    assert {"*IDN?", "*ESR?", ":SYST:ERR?"} <= set().union(*sent.values())
    for place, messages in sent.items():
        listed = SENT[DRIVERS[ROLE_OF_PLACE[place]][present[place].driver]].every | ALWAYS  # type: ignore[index]
        units = {unit for message in messages for unit in message.split(";") if unit}
        for unit in units:
            header, _, parameters = unit.partition(" ")
            assert HEADER.fullmatch(header), unit
            assert NUMBER.sub("#", header) in listed, unit
            for parameter in re.split(r",(?![^(]*\))", parameters) if parameters else ():
                assert PARAMETER.fullmatch(parameter), unit
