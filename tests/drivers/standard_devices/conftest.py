"""Instruments written from the standard as pyvisa-sim takes them, and the dialects in which they may reply."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from drivers.messages import Messages
from drivers.visa import open_resource, resource_manager

HERE = Path(__file__).parent

#: Longest wait for a reply. Short: a device of pyvisa-sim answers at once or never.
TIMEOUT_S = 0.1

_NUMBER = re.compile(r'r: "\{:\+\.6E\}"(?:  # (\w+))?')
_RESOURCE = re.compile(r"^resources:\n  (\S+):$", re.MULTILINE)


class StillClock:
    """Time moves only when somebody sleeps."""

    def __init__(self) -> None:
        self.at_s = 0.0

    def now(self) -> datetime:
        return datetime(2026, 11, 2, tzinfo=UTC)

    def elapsed_s(self) -> float:
        return self.at_s

    def sleep(self, duration_s: float) -> None:
        self.at_s += max(duration_s, 0.0)


@pytest.fixture
def still_clock() -> StillClock:
    return StillClock()


@pytest.fixture
def devices() -> dict[str, Any]:
    """Devices of pyvisa-sim that have been opened, by name: ``add_dialogue(query, reply)`` changes what one replies."""
    return {}


@pytest.fixture
def standard_device(
    tmp_path: Path, still_clock: StillClock, devices: dict[str, Any]
) -> Iterator[Callable[..., Messages]]:
    """Open the device of a file by name, once in a test.

    ``number`` is the form of its numbers, with ``UNIT`` for the suffix of the quantity; ``replies`` are fixed ones that
    win over what the file says.
    """
    with contextlib.ExitStack() as opened:

        def begin(name: str, number: str = "{:+.6E}", replies: Mapping[str, str] | None = None) -> Messages:
            text = (HERE / f"{name}.yaml").read_text()
            formed = _NUMBER.sub(lambda found: f'r: "{number.replace("UNIT", found[1] or "")}"', text)
            file = tmp_path / f"{name}.yaml"  # a name of its own: PyVISA keeps one library for each
            file.write_text(formed)
            manager = resource_manager(f"{file}@sim")
            opened.callback(manager.close)
            found = _RESOURCE.search(text)
            assert found is not None
            devices[name] = manager.visalib.devices[found[1]]  # type: ignore[attr-defined]  # pyvisa-sim's own
            for query, reply in (replies or {}).items():
                devices[name].add_dialogue(query, reply)
            link = open_resource(manager, found[1], TIMEOUT_S)
            opened.callback(link.close)
            return Messages(link, name, still_clock)

        yield begin
