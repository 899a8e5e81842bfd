"""Where a process of the command line stands, in a file that outlives it: for tests that kill it there.

``python -c "from marked_states import main; main()" FILE run …`` does what ``nightbench run …`` does, and keeps in FILE
how often each state has begun and which it is in now. The file is mapped into memory: a mark costs next to nothing,
needs no other process, and stands there after a kill.

Two accidents that no test can bring over a machine happen to the process alone, when a file lies beside FILE:
``sign-read-only`` makes SQLite find the store read-only, ``sign-hours`` moves the machine's time by what it says.
"""

from __future__ import annotations

import mmap
import struct
import sys
from datetime import datetime, timedelta, tzinfo
from pathlib import Path

from bench.sequencer import Outcome, State, next_state

#: "loading" is before the run itself, "deciding" after it.
STATES = ("loading", *(state.value for state in State), "deciding")

_LAYOUT = struct.Struct(f"<{1 + len(STATES)}I")


class Marks:
    """The marks of one process: the number of the state it is in, then how often each has begun."""

    def __init__(self, path: Path) -> None:
        if not path.exists():
            path.write_bytes(bytes(_LAYOUT.size))
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), _LAYOUT.size)

    def mark(self, state: str) -> None:
        """A state begins."""
        now, *counts = _LAYOUT.unpack(self._map[:])
        now = STATES.index(state)
        counts[now] += 1
        self._map[:] = _LAYOUT.pack(now, *counts)

    @property
    def state(self) -> str:
        """The state that it is, or was at its end, in."""
        return str(STATES[_LAYOUT.unpack(self._map[:])[0]])

    def count(self, state: str) -> int:
        """How often a state has begun."""
        return int(_LAYOUT.unpack(self._map[:])[1 + STATES.index(state)])

    def close(self) -> None:
        """Let the file go."""
        self._map.close()


def _listen_for_signs(folder: Path) -> None:
    import sqlalchemy

    import bench.clocks

    read_only, hours = folder / "sign-read-only", folder / "sign-hours"

    def begin(connection: sqlalchemy.Connection) -> None:
        connection.exec_driver_sql(f"PRAGMA query_only = {'ON' if read_only.exists() else 'OFF'}")

    class Shifted(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]  # of the class that it stands for
            shift = timedelta(hours=float(hours.read_text("utf-8"))) if hours.exists() else timedelta(0)
            return datetime.now(tz) + shift

    sqlalchemy.event.listen(sqlalchemy.Engine, "begin", begin)
    bench.clocks.datetime = Shifted  # type: ignore[attr-defined]  # what the only module that asks for the time asks


def main() -> None:
    """The command line, with marks."""
    import bench.runner as loop
    from bench.cli import main as command_line

    path = Path(sys.argv.pop(1))
    marks = Marks(path)
    _listen_for_signs(path.parent)
    run = loop.Runner.run

    def marked_run(self: loop.Runner) -> None:
        marks.mark("bringing up")
        run(self)
        marks.mark("deciding")

    def marked_step(state: State, outcome: Outcome) -> State:
        after = next_state(state, outcome)
        marks.mark(after.value)
        return after

    loop.Runner.run = marked_run  # type: ignore[method-assign]  # the same, with marks
    loop.next_state = marked_step  # type: ignore[attr-defined]  # imported there, and used by that name
    command_line()
