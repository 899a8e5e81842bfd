"""Who has a bench, and who writes a run: locks of the operating system, which vanish with the process that holds them.

A bench is its instruments: each one's resource string, in its canonical form, is a lock of its own, so that two bench
files that share one instrument cannot be used at once either. A run is its id. All locks of a machine lie in one folder
that every user of it can write; a program on another machine that reaches the same instrument is not seen.

The lock is the operating system's (``flock``; on Windows ``msvcrt.locking``), not the file: a file whose lock is free
but that still names a holder was left by one that died. No library: those that were looked at empty the file when they
open it, and with it the name of who holds it.
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import json
import os
import platform
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from bench.clocks import RealClock
from bench.errors import BenchError, BenchInUse, RunInUse
from sequences.resource_strings import parse_resource

if TYPE_CHECKING:
    from sequences.bench_file import Bench

#: Environment variable that names another folder for locks, such as one that several accounts without a common
#: temporary folder share.
FOLDER_VARIABLE = "NIGHTBENCH_LOCKS"

#: Byte that Windows locks: behind the text, which can then be read by others (locked bytes cannot).
_LOCKED_BYTE = 1 << 30

#: How long whoever wants a bench waits for a guard that is making it safe. Ours: several times what that takes.
GUARD_PATIENCE_S = 15.0
_LOOK_AGAIN_S = 0.1

#: How often a lock is tried again that somebody may only be looking at, and after how long. Ours: a look is shorter.
_LOOKS, _LOOKED_AT_S = 5, 0.005

Purpose = Literal["run", "check", "loopback", "guard"]


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lock.

    Attributes:
        purpose: What for.
        run: Id of the run, empty for a check.
        operator: As given with the run.
        user, host, pid: Account, machine and process.
        since: When it was taken, UTC, to the second, for people.
    """

    purpose: str
    run: str = ""
    operator: str = ""
    user: str = "?"
    host: str = "?"
    pid: int = 0
    since: str = "?"

    @classmethod
    def here(cls, purpose: Purpose, run: str = "", operator: str = "") -> Holder:
        """This process, from now on."""
        since = RealClock().now().strftime("%Y-%m-%d %H:%M:%S UTC")
        return cls(purpose, run, operator, _user(), platform.node(), os.getpid(), since)

    def __str__(self) -> str:
        what = f"run {self.run[:8]}" if self.purpose == "run" else f"the guard of run {self.run[:8]}"
        what = what if self.run else f"a {self.purpose}"
        operator = f"operator {self.operator}, " if self.operator else ""
        return f"{what} ({operator}user {self.user} on {self.host}, process {self.pid}) since {self.since}"


@dataclass(frozen=True, slots=True)
class Pen:
    """Who writes a run (``is_held``), or died doing so."""

    holder: Holder
    is_held: bool


#: What is said where a lock is held and the file does not say by whom (yet).
_UNKNOWN = Holder("program that has not said its name")


class _Held(Exception):
    """The lock is another's."""

    def __init__(self, holder: Holder) -> None:
        super().__init__(str(holder))
        self.holder = holder


def lock_folder() -> Path:
    """Folder of the locks of this machine."""
    named = os.environ.get(FOLDER_VARIABLE)
    if named:
        return Path(named)
    if sys.platform == "win32":
        return Path(os.environ.get("PROGRAMDATA", tempfile.gettempdir())) / "nightbench" / "locks"
    # Not the account's own temporary folder, as an instrument is the same for every account; and one that outlives a
    # restart, so that a run that lost its power is named too.
    return Path("/var/tmp/nightbench-locks")


@contextmanager
def hold_bench(bench: Bench, holder: Holder) -> Iterator[tuple[Holder, ...]]:
    """Hold every instrument of a bench until the end of the block; a rig in this process needs no lock.

    Yields those who held one before and died. A guard that is making the bench safe is waited for.

    Raises:
        BenchInUse: Another process, or another run of this one, has one of the instruments.
        BenchError: The folder of the locks cannot be used.
    """
    if bench.is_in_process:
        yield ()
        return
    places = {_key_of(entry.resource): place for place, entry in reversed(bench.instrument.present.items())}
    with ExitStack() as stack:
        # Always in one order, so that of two at once one gets all.
        yield tuple(dict.fromkeys(_each(places, bench.bench.name, holder, stack)))


def writer_of(run: str) -> Holder | None:
    """Who writes a run at this computer now; None for nobody. Raises BenchError."""
    pen = pen_of(run)
    return pen.holder if pen is not None and pen.is_held else None


def pen_of(run: str) -> Pen | None:
    """Who writes a run at this computer, or died doing so; None if its lock names nobody. Raises BenchError.

    Nothing is written: who held it and died stays named in it.
    """
    path = _file_of(_key_of_run(run))
    try:
        number = os.open(path, _FLAGS)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise BenchError(f"lock {path} of run {run} cannot be read: {error.strerror or error}") from error
    try:
        is_held, holder = not _lock(number), _read(number)
    finally:
        os.close(number)
    return Pen(holder or _UNKNOWN, is_held) if is_held or holder is not None else None


def wishes_of(run: str) -> Path:
    """File in the folder of the locks through which others speak to whoever writes a run."""
    return _path_of(_key_of_run(run)).with_suffix(".wishes")


@contextmanager
def hold_run(run: str, holder: Holder) -> Iterator[tuple[Holder, ...]]:
    """Hold the pen of a run until the end of the block. Yields who held it before and died.

    Raises:
        RunInUse: Another process, or another thread of this one, is writing it.
        BenchError: The folder of the locks cannot be used.
    """
    with ExitStack() as stack:
        try:
            before = stack.enter_context(_locked(_key_of_run(run), holder))
        except _Held as held:
            raise RunInUse(run, str(held.holder)) from None
        yield () if before is None else (before,)


def _each(places: Mapping[str, str], name: str, holder: Holder, stack: ExitStack) -> Iterator[Holder]:
    clock = RealClock()
    for key in sorted(places):
        while True:
            try:
                before = stack.enter_context(_locked(key, holder))
            except _Held as held:
                if held.holder.purpose == "guard" and clock.elapsed_s() < GUARD_PATIENCE_S:
                    clock.sleep(_LOOK_AGAIN_S)
                    continue
                raise BenchInUse(name, places[key], key, str(held.holder)) from None
            if before is not None:
                yield before
            break


def _key_of(resource: str) -> str:
    read = parse_resource(resource)
    device = read.canonical.removeprefix("ASRL")
    # Serial adapters have several names in /dev, all links to one.
    return f"ASRL{Path(device).resolve()}" if read.kind == "serial" and device.startswith("/") else read.canonical


@contextmanager
def _locked(key: str, holder: Holder) -> Iterator[Holder | None]:
    """Hold one lock. Yields who held it before and died. Raises _Held, or BenchError."""
    path = _path_of(key)
    try:
        number = _opened(path)
    except OSError as error:
        raise BenchError(f"lock {path} of {key} cannot be used: {error.strerror or error}") from error
    try:
        before = _read(number)
        _write(number, json.dumps({"of": key, **asdict(holder)}, ensure_ascii=False).encode())
        try:
            yield before
        finally:
            _write(number, b"")  # whoever finds a name in it knows that its holder died
            # In a sticky folder another account's file cannot be removed; empty, it does no harm. On Windows an open
            # file cannot be removed either.
            with contextlib.suppress(OSError):
                path.unlink()
    finally:
        os.close(number)


def _key_of_run(run: str) -> str:
    return f"run {run}"


def _path_of(key: str) -> Path:
    return _folder() / _file_of(key).name


def _file_of(key: str) -> Path:
    return lock_folder() / f"{hashlib.sha256(key.encode()).hexdigest()[:32]}.lock"


def _folder() -> Path:
    folder = lock_folder()
    try:
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            # For every account, as the temporary folder itself: each removes only its own files.
            folder.chmod(0o1777)
    except OSError as error:
        raise BenchError(
            f"the folder of the locks, {folder}, cannot be made: {error.strerror or error}; "
            f"name another one that all accounts of this machine share in {FOLDER_VARIABLE}"
        ) from error
    return folder


def _opened(path: Path) -> int:
    """An open file whose lock is ours. Raises _Held, or OSError."""
    while True:
        number = _open(path)
        try:
            if not (_lock(number) or _lock_in_a_moment(number)):
                raise _Held(_read(number) or _UNKNOWN)  # noqa: TRY301 - the file is closed in one place
            if _is_still(path, number):
                return number
        except BaseException:
            os.close(number)
            raise
        # Its holder has let go and removed it since it was opened: this lock would be no one's any more.
        os.close(number)


def _lock_in_a_moment(number: int) -> bool:
    """Whoever only looks who holds a lock has it for an instant."""
    clock = RealClock()
    for _ in range(_LOOKS):
        clock.sleep(_LOOKED_AT_S)
        if _lock(number):
            return True
    return False


_FLAGS = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)


def _open(path: Path) -> int:
    while True:
        # Opened without making it first: Linux forbids "open or make" for another account's file in a sticky folder
        # (proc_sys_fs(5), protected_regular).
        with contextlib.suppress(FileNotFoundError):
            return os.open(path, _FLAGS)
        with contextlib.suppress(FileExistsError):
            number = os.open(path, _FLAGS | os.O_CREAT | os.O_EXCL, 0o666)
            if sys.platform != "win32":
                os.fchmod(number, 0o666)  # for every account, whatever the mask of this one is
            return number


def _is_still(path: Path, number: int) -> bool:
    try:
        there = path.stat()
    except FileNotFoundError:
        return False
    return os.path.samestat(there, os.fstat(number))


if sys.platform == "win32":
    import msvcrt

    def _lock(number: int) -> bool:
        os.lseek(number, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _lock(number: int) -> bool:
        try:
            # flock, not lockf: it belongs to the open file, so that two runs of one process exclude each other too.
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def _read(number: int) -> Holder | None:
    os.lseek(number, 0, os.SEEK_SET)
    text = os.read(number, 1 << 16)
    if not text:
        return None
    try:
        found = json.loads(text)
        return Holder(**{key: found[key] for key in Holder.__dataclass_fields__})
    except (ValueError, TypeError, KeyError):
        return _UNKNOWN  # half written, by a holder that died at it or is at it


def _write(number: int, text: bytes) -> None:
    os.ftruncate(number, 0)
    os.lseek(number, 0, os.SEEK_SET)
    os.write(number, text)


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # an account without a name, as in containers
        return "?"
