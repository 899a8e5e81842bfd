"""A served rig for tests: the shipped bench behind sockets, on free ports, with its control line.

``with served_rig() as rig:`` serves it on a thread of this process, ``in_process=False`` by ``nightbench simulate``.
"""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.served_rig import moved_bench, open_rig
from sequences.read_files import Loaded, demo_file, read_bench, read_part

#: Longest that an answer of the control line may take: far more than any does.
_PATIENCE_S = 30.0


class ControlFault(AssertionError):
    """The control line answered with an error."""


@dataclass
class ServedRig:
    """A rig that is being served.

    Attributes:
        bench_file: Bench file whose resources are its ports.
        ports: Port of each instrument, by place.
        control_port: Port of the control line.
        speed: How many times faster than real time it runs.
    """

    bench_file: Path
    ports: dict[str, int]
    control_port: int
    speed: float
    told_to_stop: bool = False

    def control(self, command: str) -> dict[str, Any]:
        """Answer of the control line, such as ``control("fault analyzer silence")``; fails on an error."""
        self.told_to_stop |= command == "stop"
        with (
            socket.create_connection(("127.0.0.1", self.control_port), _PATIENCE_S) as line,
            line.makefile() as replies,
        ):
            line.sendall(command.encode() + b"\n")
            answer: dict[str, Any] = json.loads(replies.readline())
        if "error" in answer:
            raise ControlFault(answer["error"])
        return answer

    def log(self) -> list[tuple[float, str, str]]:
        """Changes of state that matter for safety: rig's seconds, place, words."""
        return [(entry["at_s"], entry["place"], entry["what"]) for entry in self.control("log")["log"]]

    def truth(self) -> dict[str, Any]:
        """What is really so now."""
        return self.control("truth")

    def stop(self) -> None:
        """End it before the ``with`` does; once."""
        self.control("stop")


def edited_bench(bench_edits: Mapping[str, str], speed: float, folder: Path) -> Path:
    """The shipped bench behind sockets with passages replaced, each of which must stand in it once, and its speed."""
    shipped = demo_file("sockets.bench.toml")
    text = shipped.read_text("utf-8")
    for old, new in {"speed = 600": f"speed = {speed:g}", **bench_edits}.items():
        if text.count(old) != 1:
            raise AssertionError(f"{old!r} stands {text.count(old)} times in {shipped.name}")
        text = text.replace(old, new)
    written = folder / "edited.bench.toml"
    written.write_text(text, "utf-8")
    return written


@contextlib.contextmanager
def served_rig(
    bench_edits: Mapping[str, str] | None = None,
    unit: str = "VG2-0007",
    speed: float = 600,
    *,
    in_process: bool = True,
) -> Iterator[ServedRig]:
    """Serve the shipped bench behind sockets, with edits, on free ports; ends with the ``with``."""
    with tempfile.TemporaryDirectory() as name:
        edited = edited_bench(bench_edits or {}, speed, Path(name))
        moved = Path(name) / "served.bench.toml"
        serve = _on_a_thread if in_process else _in_a_process
        with serve(read_bench(edited), unit, speed, moved) as served:
            yield served


@contextlib.contextmanager
def _on_a_thread(loaded: Loaded[Any], unit: str, speed: float, moved: Path) -> Iterator[ServedRig]:
    part = read_part(demo_file("virga-2.part.toml")).model
    opened = open_rig(loaded, part, unit, control=0, free_ports=True)
    moved.write_text(moved_bench(loaded, opened.addresses), "utf-8")
    failures: list[BaseException] = []

    def serve() -> None:
        try:
            opened.server.serve()
        except BaseException as error:  # noqa: BLE001 - handed to the test, which must not pass then
            failures.append(error)

    thread = threading.Thread(target=serve)
    thread.start()
    assert opened.control_port is not None
    try:
        yield ServedRig(
            moved, {place: port for place, (_, port) in opened.addresses.items()}, opened.control_port, speed
        )
    finally:
        opened.server.stop()
        thread.join()
    if failures:
        raise failures[0]


@contextlib.contextmanager
def _in_a_process(loaded: Loaded[Any], unit: str, speed: float, moved: Path) -> Iterator[ServedRig]:
    words = [str(loaded.path), "--unit", unit, "--control", "0", "--free-ports", "--to", str(moved), "--json"]
    command = [sys.executable, "-c", "from bench.cli import main; main()", "simulate", *words]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        if not line:
            raise AssertionError(f"the rig did not start: {process.communicate()[1]}")
        ready = json.loads(line)
        served = ServedRig(moved, ready["ports"], ready["control"], speed)
        yield served
        if not served.told_to_stop:  # a signal to a process that is ending already would be its exit code
            process.terminate()
        _, said = process.communicate(timeout=_PATIENCE_S)
        if process.returncode or said:
            raise AssertionError(f"the rig ended with {process.returncode}: {said}")
    finally:
        process.kill()
        process.communicate()
