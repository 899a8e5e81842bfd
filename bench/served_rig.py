"""A simulated bench behind sockets: the rig of a bench file, served at the addresses that the file names.

For what speaks to instruments over a network: pyvisa-py here, any program elsewhere on this machine.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

from bench.assemble import clock_of
from bench.errors import BenchError
from bench.simulated_bench import rig_setup
from drivers.simulated.control import Control
from drivers.simulated.faults import Faults
from drivers.simulated.front_ends import served_front_ends
from drivers.simulated.rig import Rig
from drivers.simulated.server import Outlet, Server
from sequences.bench_file import Bench
from sequences.errors import FileFault, FileFaults
from sequences.part_file import Part
from sequences.read_files import Loaded, parse_bench
from sequences.resource_strings import loopback_port

LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class ServedRig:
    """A rig whose ports are open.

    Attributes:
        server: Serves it, once told to.
        rig: What is served.
        addresses: Host and port of each instrument, by place.
        control_port: Port of the control line; None without one.
    """

    server: Server
    rig: Rig
    addresses: dict[str, tuple[str, int]]
    control_port: int | None


def addresses_of(loaded: Loaded[Bench]) -> dict[str, tuple[str, int]]:
    """Where a bench file has its instruments, by place. Raises FileFaults unless all are sockets of this machine."""
    bench, name = loaded.model, str(loaded.path)
    faults: list[FileFault] = []
    if bench.is_in_process:
        problem = "this rig lives in the process of the run and cannot be served"
        faults.append(
            FileFault(
                "not allowed", name, "[bench]", "visa_library", '"@sim"', 'another, such as "@py"', problem=problem
            )
        )
    found = {place: loopback_port(entry.resource) for place, entry in bench.instrument.present.items()}
    elsewhere = [place for place, address in found.items() if address is None]
    if elsewhere:
        # All of one kind, and mended in one go: named once.
        first = elsewhere[0]
        resource = bench.instrument.present[first].resource
        allowed = f"a socket of this machine, such as TCPIP::{LOOPBACK}::5101::SOCKET"
        others = f"; so it is at {', '.join(elsewhere[1:])}" if elsewhere[1:] else ""
        faults.append(
            FileFault("not allowed", name, f"[instrument.{first}]", "resource", f'"{resource}"', f"{allowed}{others}")
        )
    if faults:
        raise FileFaults(faults)
    return {place: address for place, address in found.items() if address is not None}


def open_rig(
    loaded: Loaded[Bench],
    part: Part,
    unit: str,
    *,
    through: bool = False,
    control: int | None = None,
    free_ports: bool = False,
) -> ServedRig:
    """Make the rig of a bench file and open its ports; ``server.serve`` then serves it.

    Args:
        loaded: Bench file.
        part: The part.
        unit: Serial number of the unit on the bench.
        through: A through instead of the unit.
        control: Port of a control line; 0 for a free one, None for none.
        free_ports: Take free ports instead of those that the file names.

    Raises:
        FileFaults: An instrument is not at a socket of this machine.
        BenchError: A port is taken.
    """
    wanted = addresses_of(loaded)
    clock = clock_of(loaded.model)
    speed = loaded.model.bench.speed or 1.0
    rig = Rig(rig_setup(part, loaded, unit, through=through), clock)
    faults = Faults(rig, served_front_ends(rig), speed)
    server = Server(clock, speed)
    addresses: dict[str, tuple[str, int]] = {}
    control_port = None
    try:
        for place, (host, port) in wanted.items():
            number = _listen(server, place, faults.instruments[place], host, 0 if free_ports else port)
            addresses[place] = (host, number)
        if control is not None:
            outlet = Control(rig, faults, server.stop)
            control_port = _listen(server, "control line", outlet, LOOPBACK, control)
    except BenchError:
        server.close()
        raise
    return ServedRig(server, rig, addresses, control_port)


def _listen(server: Server, what: str, outlet: Outlet, host: str, port: int) -> int:
    try:
        return server.listen(outlet, host, port)
    except OSError as error:
        raise BenchError(
            f"{what}: port {port} of {host} cannot be had ({error.strerror or error}); "
            "another program, perhaps another served rig, may have it"
        ) from error


def moved_bench(loaded: Loaded[Bench], addresses: dict[str, tuple[str, int]]) -> str:
    """Text of a bench file like this one whose instruments are at other addresses, to be kept anywhere.

    Files that it names relative to itself are named by their whole path.
    """
    text = loaded.text
    for place, entry in loaded.model.instrument.present.items():
        host, port = addresses[place]
        text = _replaced(text, "resource", entry.resource, f"TCPIP0::{host}::{port}::SOCKET")
    folder = Path(loaded.path).resolve().parent
    named = [("touchstone", entry.touchstone) for entry in loaded.model.path_loss]
    named += [("touchstone", entry.touchstone) for entry in loaded.model.de_embedding]
    named += [("deviations", entry.deviations) for entry in loaded.model.instrument.present.values()]
    named.append(("drivers", loaded.model.bench.drivers))
    for key, name in dict.fromkeys(named):
        if name is not None:
            text = _replaced(text, key, name, str(folder / name))
    moved = parse_bench(text, str(loaded.path)).model
    if {place: loopback_port(entry.resource) for place, entry in moved.instrument.present.items()} != addresses:
        raise BenchError(
            f"{loaded.path}: a resource is written in a way that cannot be replaced; write it in plain quotes"
        )
    return text


def _replaced(text: str, key: str, old: str, new: str) -> str:
    """The text with the value of a key replaced wherever it is ``old``, in either kind of quotes."""
    quoted = f"{re.escape(_quoted(old))}|{re.escape(chr(39) + old + chr(39))}"
    return re.sub(rf"\b({key}\s*=\s*)({quoted})", lambda found: found[1] + _quoted(new), text)


def _quoted(value: str) -> str:
    """A basic string of TOML; JSON's escapes are all TOML's too."""
    return json.dumps(value, ensure_ascii=False)
