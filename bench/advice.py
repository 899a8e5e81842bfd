"""What would be right, for an instrument that does not answer: from the failure and the kind of line to a sentence.

A guess that a person can try, never a diagnosis; the failure itself is always told beside it, word for word.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass

from drivers.catalogue import CatalogueError
from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, TimedOut
from sequences.errors import FileFaults
from sequences.instrument_entry import InstrumentEntry
from sequences.resource_strings import FORMS, parse_resource

#: Raw sockets for SCPI are mostly at this port (registered at IANA as scpi-raw, from memory).
SCPI_PORT = 5025


@dataclass(frozen=True, slots=True)
class _Rule:
    """What is said of a failure: of which kind, on which kinds of line, with any of which words in its text."""

    error: type[InstrumentError]
    kinds: tuple[str, ...]
    words: tuple[str, ...]
    text: str


_NETWORK = ("socket", "VXI-11", "HiSLIP", "Modbus")
_ANY = tuple(FORMS)
_UNKNOWN_NAME = ("not known", "getaddrinfo", "no address", "resolution")
_NO_PORT = ("no such file", "could not open", "not found")

#: The first that fits is given. Braces: fields of the instrument's entry, and the form of its resource string.
_RULES: tuple[_Rule, ...] = (
    _Rule(
        NotThere,
        _ANY,
        ("pip install",),
        "install it for the Python that runs nightbench, or name another visa_library under [bench]",
    ),
    _Rule(
        NotThere,
        _NETWORK,
        _UNKNOWN_NAME,
        "no network knows this name: compare it with the instrument's network menu, or give its IP address",
    ),
    _Rule(
        NotThere,
        _NETWORK,
        ("refused",),
        "something is at this address and takes no connections there: is the instrument's remote control switched on, "
        f"and is the port right (raw sockets mostly: {SCPI_PORT})?",
    ),
    _Rule(
        NotThere,
        _NETWORK,
        (),
        "is the instrument on, in this network, and at this address? Nothing but its own menu knows; the form is "
        "{form}",
    ),
    _Rule(
        NotThere,
        ("serial",),
        _NO_PORT,
        "no such port on this machine, or no right to open it: is the cable plugged in, under which name?",
    ),
    _Rule(
        NotThere,
        ("USBTMC",),
        (),
        "is it plugged in and on, and are vendor, product and serial number those that the system lists for it?",
    ),
    _Rule(
        NotThere,
        ("GPIB",),
        (),
        "is it on, is its address the one in its own menu, and is this the adapter's board number?",
    ),
    _Rule(
        TimedOut,
        ("serial",),
        (),
        "the port opens and nothing answers: compare serial_line (baud, parity, flow_control) and terminator with the "
        "instrument's menu",
    ),
    _Rule(
        TimedOut,
        _ANY,
        (),
        "the line opens and nothing answers: does another program hold it, does the instrument want another terminator "
        "than {terminator}, or more time than timeout_s = {timeout_s:g}?",
    ),
    _Rule(
        NotUnderstood,
        _ANY,
        (),
        "something answers that does not speak as this driver expects: is this the right instrument and port, and the "
        "right driver and terminator?",
    ),
    _Rule(
        LinkLost,
        _ANY,
        (),
        "the line breaks: many instruments take one connection at a time, so is another program connected?",
    ),
)


def advice(error: InstrumentError, entry: InstrumentEntry) -> str:
    """What to look at first; empty where the failure says it itself.

    Args:
        error: What opening the line, or the first questions, ended in.
        entry: The instrument in the bench file.
    """
    if isinstance(error.__cause__, CatalogueError | FileFaults):
        return "the instrument was not asked: mend the file, or the driver, first"
    kind, said = parse_resource(entry.resource).kind, error.problem.lower()
    for rule in _RULES:
        told = not rule.words or any(word in said for word in rule.words)
        if isinstance(error, rule.error) and kind in rule.kinds and told:
            return rule.text.format(form=FORMS[kind], terminator=entry.terminator, timeout_s=entry.timeout_s)
    return ""


def library_advice(library: str) -> str:
    """What ``visa_library`` may be, for one that cannot be loaded."""
    here = "installed here" if _is_installed("pyvisa_py") else "which is not installed here"
    return (
        f'visa_library = "{library}" under [bench]: it may be "@py" for pyvisa-py ({here}), "@sim" for the simulated '
        'bench, the path of a maker\'s VISA library, or "" for the one of this system'
    )


def _is_installed(module: str) -> bool:
    return importlib.util.find_spec(module) is not None
