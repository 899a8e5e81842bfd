"""Exchanges that were committed together as one compressed block of bytes, and back.

A block of today is one byte that names the form, and under zlib, column by column as a column is much like itself and
unlike its neighbours:

- the count, 4 bytes, little-endian;
- times in whole microseconds as signed integers of 8 bytes, little-endian: first the waits from the end of the one
  before, then the durations. Of all of them first every lowest byte, then every second, and so on, most of them 0;
- lines, as many as the count for each of: instrument, step of its number from the one before (nothing for 1), what was
  sent, what came, error. A reply and an error have "=" before them, so that an empty one is not none. A line feed in
  them is "\\n" and a backslash "\\\\".

A block is read without any other, so that nothing that happens to one costs another. Those of before schema 0007 have
no byte of form: they are JSON lines under zlib, whose first byte is no form of today.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterable, Sequence

from drivers.conversation import Exchange

#: Form of the blocks that are written.
_COLUMNS = b"\x02"

#: Measured on the 217,993 exchanges and waits of the demo: a whole pack at level 1 takes 0.89 µs for each and leaves
#: 2.53 MB of all, 3 0.87 µs and 2.46, 4 0.96 µs and 2.37, 6 1.06 µs and 2.33.
_LEVEL = 4

#: A window of 4 kB leaves no more than the usual one of 32, as a condition's text is 6 kB long, and takes less memory.
_WINDOW_BITS, _MEMORY = 12, 7

#: How the count is written, how wide a time is, and how many columns of lines there are.
_COUNT = struct.Struct("<I")
_WIDTH = 8
_LINES = 5


def pack(exchanges: Iterable[Exchange]) -> bytes:
    """Bytes that ``unpack`` turns into exchanges that are equal if their times are whole microseconds."""
    rows = list(exchanges)
    if not rows:
        return _COLUMNS
    # Whole columns at a time: this is done for every exchange of a run while it goes on.
    numbers, instruments, at_s, sent, received, duration_s, errors = zip(*rows, strict=True)
    names = "\n".join(instruments)
    columns = (
        _bytes(names)
        if names.count("\n") < len(rows) and "\\" not in names
        else _joined(list(map(_bytes, instruments))),
        _steps(numbers, instruments),
        _joined(sent),
        _joined([b"" if reply is None else b"=" + reply for reply in received]),
        _joined([b"" if error is None else b"=" + _bytes(error) for error in errors]),
    )
    head = _COUNT.pack(len(rows)) + _times(at_s, duration_s)
    packer = zlib.compressobj(_LEVEL, zlib.DEFLATED, _WINDOW_BITS, _MEMORY)
    return _COLUMNS + packer.compress(head + b"\n".join(columns)) + packer.flush()


def _steps(numbers: Sequence[int], instruments: Sequence[str]) -> bytes:
    """How far each number is from the one before of its instrument."""
    last: dict[str, int] = {}
    lines = []
    for number, instrument in zip(numbers, instruments, strict=True):
        step = number - last.get(instrument, 0)
        last[instrument] = number
        lines.append("" if step == 1 else str(step))
    return "\n".join(lines).encode()


def _times(at_s: Sequence[float], duration_s: Sequence[float]) -> bytes:
    """Waits and durations, byte by byte of their microseconds."""
    import numpy as np  # a store that is only listed does not need it

    whole_us = np.rint(np.array((at_s, duration_s)) * 1e6).astype("<i8")
    whole_us[0, 1:] -= whole_us[0, :-1] + whole_us[1, :-1]
    return whole_us.view(np.uint8).reshape(-1, _WIDTH).T.tobytes()


def _joined(values: Sequence[bytes]) -> bytes:
    """One line for each."""
    text = b"\n".join(values)
    # Looking once over all of them is far cheaper than looking at each, and what must be escaped is rare.
    if b"\\" in text or text.count(b"\n") >= len(values):
        return b"\n".join(map(_escaped, values))
    return text


def unpack(payload: bytes) -> tuple[Exchange, ...]:
    """Inverse of ``pack``; raises ValueError if the payload is not one of its results."""
    if payload == _COLUMNS:
        return ()
    is_columns = payload[:1] == _COLUMNS
    try:
        content = zlib.decompress(payload[1:] if is_columns else payload)
        return _of_columns(content) if is_columns else _of_json(content)
    except (zlib.error, struct.error, TypeError, ValueError) as error:
        raise ValueError(f"not a block of exchanges: {error}") from error


def _of_columns(content: bytes) -> tuple[Exchange, ...]:
    (count,) = _COUNT.unpack_from(content)
    times_end = _COUNT.size + 2 * _WIDTH * count
    begun_s, lasted_s = _seconds(content[_COUNT.size : times_end])
    lines = content[times_end:].split(b"\n")
    if len(lines) != _LINES * count:
        raise ValueError(f"{len(lines)} lines for {count} exchanges")
    named, steps, sent, received, errors = (lines[at * count : (at + 1) * count] for at in range(_LINES))
    # One object for each name and message: a night has a million exchanges and few different ones.
    names = {name: _text(name) for name in set(named)}
    messages = {line: _plain(line) for line in set(sent)}
    last: dict[bytes, int] = {}
    numbers = []
    for name, step in zip(named, steps, strict=True):
        last[name] = number = last.get(name, 0) + (int(step) if step else 1)
        numbers.append(number)
    return tuple(
        Exchange(
            number,
            names[name],
            at_s,
            messages[line],
            _plain(reply[1:]) if reply else None,
            duration_s,
            _text(error[1:]) if error else None,
        )
        for number, name, at_s, line, reply, duration_s, error in zip(
            numbers, named, begun_s, sent, received, lasted_s, errors, strict=True
        )
    )


def _seconds(times: bytes) -> tuple[list[float], list[float]]:
    """Inverse of ``_times``."""
    import numpy as np

    planes = np.frombuffer(times, np.uint8).reshape(_WIDTH, -1)
    gaps_us, lasted_us = np.ascontiguousarray(planes.T).view("<i8").reshape(2, -1)
    begun_us = gaps_us.cumsum() + lasted_us.cumsum() - lasted_us
    return (begun_us / 1e6).tolist(), (lasted_us / 1e6).tolist()


def _escaped(data: bytes) -> bytes:
    """The same without a line feed."""
    return data.replace(b"\\", b"\\\\").replace(b"\n", b"\\n")


def _plain(line: bytes) -> bytes:
    """Inverse of ``_escaped``."""
    if b"\\" not in line:
        return line
    return b"\\".join(part.replace(b"\\n", b"\n") for part in line.split(b"\\\\"))


def _bytes(text: str) -> bytes:
    # Any text that Python can hold: an error may quote what came over the wire.
    return text.encode("utf-8", "surrogatepass")


def _text(line: bytes) -> str:
    return _plain(line).decode("utf-8", "surrogatepass")


def _of_json(text: bytes) -> tuple[Exchange, ...]:
    return tuple(_exchange(*json.loads(line)) for line in text.split(b"\n") if line)


def _exchange(
    number: int, instrument: str, at_s: float, sent: str, received: str | None, duration_s: float, error: str | None
) -> Exchange:
    reply = None if received is None else received.encode("latin-1")
    return Exchange(number, instrument, at_s, sent.encode("latin-1"), reply, duration_s, error)
