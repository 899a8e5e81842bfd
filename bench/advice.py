"""What would be right, for an instrument that does not answer: from the failure and the kind of line to a sentence.

A guess that a person can try, never a diagnosis; the failure itself is always told beside it, word for word.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable

from drivers.catalogue import CatalogueError
from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, TimedOut
from sequences.errors import FileFaults
from sequences.instrument_entry import InstrumentEntry
from sequences.resource_strings import FORMS, parse_resource

#: Raw sockets for SCPI are mostly at this port (registered at IANA as scpi-raw, from memory).
SCPI_PORT = 5025


def advice(error: InstrumentError, entry: InstrumentEntry, visa_library: str) -> str:
    """What to look at first; empty where the failure says it itself.

    Args:
        error: What opening the line, or the first question, ended in.
        entry: The instrument in the bench file.
        visa_library: ``visa_library`` of the bench file.
    """
    kind = parse_resource(entry.resource).kind
    said = error.problem.lower()
    return next((text for fits, text in _rules(error, entry, visa_library, kind, said) if fits()), "")


def _rules(
    error: InstrumentError, entry: InstrumentEntry, visa_library: str, kind: str, said: str
) -> tuple[tuple[Callable[[], bool], str], ...]:
    """Conditions and texts; the first that fits is given."""
    network = kind in ("socket", "VXI-11", "HiSLIP")
    not_there = isinstance(error, NotThere)
    return (
        (
            lambda: isinstance(error.__cause__, CatalogueError | FileFaults),
            "the instrument was not asked: mend the file, or the driver, first",
        ),
        (
            lambda: not_there and "install" in said and visa_library == "@py",
            "install it for the Python that runs nightbench, or name another visa_library under [bench]",
        ),
        (
            lambda: not_there and network and _holds(said, "not known", "getaddrinfo", "no address", "resolution"),
            "no network knows this name: compare it with the instrument's network menu, or give its IP address",
        ),
        (
            lambda: not_there and network and "refused" in said,
            "something is at this address and takes no connections there: is the instrument's remote control switched "
            f"on, and is the port right (raw sockets mostly: {SCPI_PORT})?",
        ),
        (
            lambda: not_there and network,
            "is the instrument on, in this network, and at this address? Nothing but its own menu knows; "
            f"the form is {FORMS[parse_resource(entry.resource).kind]}",
        ),
        (
            lambda: not_there and kind == "serial" and _holds(said, "no such file", "could not open", "not found"),
            "no such port on this machine, or no right to open it: is the cable plugged in, under which name?",
        ),
        (
            lambda: not_there and kind == "USBTMC",
            "is it plugged in and on, and are vendor, product and serial number those that the system lists for it?",
        ),
        (
            lambda: not_there and kind == "GPIB",
            "is it on, is its address the one in its own menu, and is this the adapter's board number?",
        ),
        (
            lambda: isinstance(error, TimedOut) and kind == "serial",
            "the port opens and nothing answers: compare serial_line (baud, parity, flow_control) and terminator with "
            "the instrument's menu",
        ),
        (
            lambda: isinstance(error, TimedOut),
            "the line opens and nothing answers: does another program hold it, does the instrument want another "
            f"terminator than {entry.terminator}, or more time than timeout_s = {entry.timeout_s:g}?",
        ),
        (
            lambda: isinstance(error, NotUnderstood) and error.message == "*IDN?",
            "something answers that does not speak as this driver expects: is this the right instrument and port, and "
            "the right driver and terminator?",
        ),
        (
            lambda: isinstance(error, LinkLost),
            "the line breaks: many instruments take one connection at a time, so is another program connected?",
        ),
    )


def library_advice(library: str) -> str:
    """What ``visa_library`` may be, for one that cannot be loaded."""
    here = "installed here" if _is_installed("pyvisa_py") else "which is not installed here"
    return (
        f'visa_library = "{library}" under [bench]: it may be "@py" for pyvisa-py ({here}), "@sim" for the simulated '
        'bench, the path of a maker\'s VISA library, or "" for the one of this system'
    )


def _is_installed(module: str) -> bool:
    return importlib.util.find_spec(module) is not None


def _holds(said: str, *words: str) -> bool:
    return any(word in said for word in words)
