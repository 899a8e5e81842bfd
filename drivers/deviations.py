"""Where an instrument's words differ from those that our driver sends: translation there and back. Pure.

A driver goes on speaking SCPI. A table of deviations says, header by header, what the instrument is told instead, and
how its reply becomes what the driver expects. ``drivers.deviating_link`` puts it between messages and line.

Rule: what a reply holds is read as the table says or refused with ``Unreadable``; nothing is guessed. A number that
means "no number" is never scaled.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from drivers import scpi_text
from drivers.scpi_text import ByteOrder, RealBits, Unreadable

IDENTITY: Final = "*IDN?"
EVENT_REGISTER: Final = "*ESR?"
ERROR_QUEUE: Final = ":SYST:ERR?"
TO_EVERY_INSTRUMENT: Final = (IDENTITY, EVENT_REGISTER, ERROR_QUEUE)

#: What is answered for an instrument that has no such query: unknown, nothing happened, no error.
WITHOUT: Final = {IDENTITY: "0,0,0,0", EVENT_REGISTER: "0", ERROR_QUEUE: '0,"No error"'}

_COMPLETION: Final = ";*OPC?"
_NUMBER_AT_END_OF_A_WORD = re.compile(r"(\d+)((?::[A-Z:]+)?\??)$")
_CACHED: Final = 4096


@dataclass(frozen=True, slots=True)
class BlockForm:
    """How the instrument sends many numbers: as text with commas, or as reals of ``bits`` in ``order``."""

    kind: Literal["text", "binary"] = "binary"
    bits: RealBits = 32
    order: ByteOrder = "normal"


@dataclass(frozen=True, slots=True)
class Deviation:
    """What is different about one header; everything that is left out is as in the standard.

    Attributes:
        send: Messages to send instead of the command, with ``{value}`` and, for a header that ends in ``#``,
            ``{number}``; None for the header itself.
        ask: Message to send instead of the query; None for the header itself.
        scale: Value sent = value · scale, value read = reply / scale.
        decimals: Digits behind the point of a number that is sent; None for as many as it takes.
        words: Standard word → the instrument's; also read backwards.
        reads: Word of a reply → the standard's, where it is another than the one that was sent.
        field: Which field of a reply with commas counts, from 1.
        prefix, unit: What stands before and behind the value in a reply.
        pattern: Expression whose one group is the value in a reply.
        not_sent: The instrument has no such command.
        not_asked: It has no such query.
        assume: Answer to a query that it does not have, until a value has been sent; None for no answer.
        settle_s: Time that it is left alone after the command.
        block: Form of a reply of many numbers.
        is_identity: The reply is a name, and becomes the four fields of an identity.
    """

    send: tuple[str, ...] | None = None
    ask: str | None = None
    scale: float = 1.0
    decimals: int | None = None
    words: Mapping[str, str] = field(default_factory=dict)
    reads: Mapping[str, str] = field(default_factory=dict)
    field: int | None = None
    prefix: str = ""
    unit: str = ""
    pattern: str = ""
    not_sent: bool = False
    not_asked: bool = False
    assume: str | None = None
    settle_s: float = 0.0
    block: BlockForm | None = None
    is_identity: bool = False

    @property
    def changes_reply(self) -> bool:
        """Whether a reply has to be looked into."""
        plain = self.scale == 1.0 and self.field is None and self.block is None and not self.is_identity
        return not plain or bool(self.words or self.reads or self.prefix or self.unit or self.pattern)


@dataclass(frozen=True, slots=True)
class Completion:
    """How the end of an operation is noticed.

    Attributes:
        ask: Query that is sent; with ``joined`` behind the command in one message, else by itself.
        mask: Bits of its reply that count; None if any reply is the end.
        done: What these bits are at the end.
        every_s: Time between two queries.
        wait_s: Time that is simply waited; None to ask.
    """

    ask: str = "*OPC?"
    joined: bool = True
    mask: int | None = None
    done: int = 0
    every_s: float = 0.1
    wait_s: float | None = None


@dataclass(frozen=True, slots=True)
class Outgoing:
    """What one message of a driver becomes.

    Attributes:
        messages: What is sent, in order; none if the instrument has no such command.
        name: The driver's header without its question mark.
        value: What the driver sends with it.
        is_query: Whether the driver waits for a reply.
        completes: Whether the driver waits for the operation's end.
        deviation: What is different about the header; None for nothing.
    """

    messages: tuple[str, ...]
    name: str
    value: str
    is_query: bool
    completes: bool
    deviation: Deviation | None


class Deviations:
    """One instrument's table.

    Args:
        headers: Deviation by header: ``:A:B`` for command and query, ``:A:B?`` for the query alone, ``:A:B#`` for a
            header that ends in a number.
        completion: How the end of an operation is noticed.
        gap_s: Time between two messages.
    """

    def __init__(
        self, headers: Mapping[str, Deviation], completion: Completion | None = None, gap_s: float = 0.0
    ) -> None:
        self.headers = dict(headers)
        self.completion = completion or Completion()
        self.gap_s = gap_s
        self._found: dict[str, tuple[Deviation | None, str]] = {}

    def outgoing(self, message: str) -> Outgoing:
        """Translate a driver's message."""
        command = message.removesuffix(_COMPLETION)
        completes = command != message
        header, _, value = command.partition(" ")
        deviation, number = self._find(header)
        is_query = header.endswith("?")
        name = header.removesuffix("?")
        if deviation is None:
            texts: tuple[str, ...] = (command,)
        elif is_query:
            texts = () if deviation.not_asked else (_query(deviation, command, value, number),)
        else:
            texts = () if deviation.not_sent else _commands(deviation, header, value, number)
        if completes and self.completion.joined and texts:
            texts = (*texts[:-1], f"{texts[-1]};{self.completion.ask}")
        return Outgoing(texts, name, value, is_query, completes, deviation)

    def _find(self, header: str) -> tuple[Deviation | None, str]:
        found = self._found.get(header)
        if found is None:
            found = self._look_up(header)
            if len(self._found) >= _CACHED:
                self._found.clear()
            self._found[header] = found
        return found

    def _look_up(self, header: str) -> tuple[Deviation | None, str]:
        for name in dict.fromkeys((header, header.removesuffix("?"))):
            if name in self.headers:
                return self.headers[name], ""
        numbered = _NUMBER_AT_END_OF_A_WORD.search(header)
        if numbered is not None:
            stem = f"{header[: numbered.start()]}#{numbered[2]}"
            for name in dict.fromkeys((stem, stem.removesuffix("?"))):
                if name in self.headers:
                    return self.headers[name], numbered[1]
        return None, ""


def _query(deviation: Deviation, command: str, value: str, number: str) -> str:
    if deviation.ask is None:
        return command
    return deviation.ask.replace("{value}", deviation.words.get(value, value)).replace("{number}", number)


def _commands(deviation: Deviation, header: str, value: str, number: str) -> tuple[str, ...]:
    sent = _value_sent(deviation, value)
    if deviation.send is None:
        return (f"{header} {sent}" if sent else header,)
    return tuple(text.replace("{value}", sent).replace("{number}", number) for text in deviation.send)


def _value_sent(deviation: Deviation, value: str) -> str:
    for word, own in deviation.words.items():
        if word.upper() == value.upper():
            return own
    if deviation.scale == 1.0 and deviation.decimals is None:
        return value
    return ",".join(_number_sent(deviation, part) for part in value.split(","))


def _number_sent(deviation: Deviation, text: str) -> str:
    try:
        number = scpi_text.parse_number(text)
    except Unreadable:
        return text  # a word such as MAX
    if deviation.decimals is None:
        return scpi_text.format_number(number * deviation.scale)
    return f"{round(number * deviation.scale, deviation.decimals) + 0.0:.{deviation.decimals}f}"  # + 0.0: never -0.0


def incoming(deviation: Deviation, reply: bytes, bits: RealBits = 32) -> bytes:
    """Translate a reply into what the driver expects.

    Args:
        deviation: What is different about the query's header.
        reply: Reply as it came.
        bits: Size of one number in the block that the driver expects.

    Raises:
        Unreadable: The reply is not as the table says.
    """
    if deviation.block is not None:
        return _block(deviation, deviation.block, reply, bits)
    try:
        text = reply.decode("ascii").strip()
    except UnicodeDecodeError:
        raise Unreadable(f"{reply!r} is not ASCII text") from None
    for step in _STEPS:
        text = step(deviation, text)
    return text.encode("ascii")


def _taken_field(deviation: Deviation, text: str) -> str:
    if deviation.field is None:
        return text
    parts = text.split(",")
    if len(parts) < deviation.field:
        raise Unreadable(f"{text!r} has no field {deviation.field}")
    return parts[deviation.field - 1].strip()


def _stripped(deviation: Deviation, text: str) -> str:
    if not text.upper().startswith(deviation.prefix.upper()):
        raise Unreadable(f"{text!r} does not begin with {deviation.prefix!r}")
    text = text[len(deviation.prefix) :].strip()
    if not deviation.unit:
        return text
    if not text.upper().endswith(deviation.unit.upper()):
        raise Unreadable(f"{text!r} does not end in {deviation.unit!r}")
    return text[: -len(deviation.unit)].strip()


def _matched(deviation: Deviation, text: str) -> str:
    if not deviation.pattern:
        return text
    found = re.search(deviation.pattern, text)
    if found is None or found[1] is None:
        raise Unreadable(f"{text!r} does not fit the pattern {deviation.pattern!r}")
    return found[1].strip()


def _word_read(deviation: Deviation, text: str) -> str:
    for word, standard in (*deviation.reads.items(), *((own, word) for word, own in deviation.words.items())):
        if word.upper() == text.upper():
            return standard
    return text


def _rescaled(deviation: Deviation, text: str) -> str:
    if deviation.scale == 1.0:
        return text
    return ",".join(_number_read(part, deviation.scale) for part in text.split(","))


def _number_read(text: str, scale: float) -> str:
    try:
        return repr(scpi_text.parse_number(text) / scale)
    except scpi_text.NotMeasured:
        return text


def _named(deviation: Deviation, text: str) -> str:
    """One name is a model's; fewer fields than four are filled with ``0`` for unknown (IEEE 488.2, 10.14)."""
    if not deviation.is_identity:
        return text
    fields = [part.strip() or "0" for part in text.split(",", 3)]
    fields = ["0", *fields] if len(fields) == 1 else fields
    return ",".join((fields + ["0"] * 3)[:4])


_STEPS: Final[tuple[Callable[[Deviation, str], str], ...]] = (
    _taken_field,
    _stripped,
    _matched,
    _word_read,
    _rescaled,
    _named,
)


def _block(deviation: Deviation, form: BlockForm, reply: bytes, bits: RealBits) -> bytes:
    if form.kind == "text":
        values = scpi_text.parse_numbers(reply.decode("ascii", errors="replace"))
    else:
        values = scpi_text.parse_reals(scpi_text.parse_block(reply), form.bits, form.order)
    content = struct.pack(f">{len(values)}{'f' if bits == 32 else 'd'}", *(value / deviation.scale for value in values))
    count = str(len(content))
    return f"#{len(count)}{count}".encode("ascii") + content
