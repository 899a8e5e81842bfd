"""A table of deviations: where one instrument's words differ from those that its driver sends.

Rule: only what the table can say about itself is checked here. Whether the driver sends a header at all, and whether
the bench stays safe without it, is checked where drivers are known (``bench.deviating``).
"""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from sequences.part_file import FileModel
from sequences.path_entries import NonNegative

_PLACEHOLDER = re.compile(r"\{[^{}]*\}")
_PLACEHOLDERS = ("{value}", "{number}")


def _sendable(text: str) -> str:
    if not text.strip() or not (text.isascii() and text.isprintable()):
        raise ValueError("a message is one line of ASCII text that is not empty")
    if unknown := [found for found in _PLACEHOLDER.findall(text) if found not in _PLACEHOLDERS]:
        raise ValueError(f"{unknown[0]} stands for nothing; a message may hold {{value}} and {{number}}")
    return text


def _one_group(pattern: str) -> str:
    try:
        groups = re.compile(pattern).groups
    except re.error as error:
        raise ValueError(f"the pattern is no regular expression: {error}") from None
    if groups != 1:
        raise ValueError(f"the pattern has {groups} groups, and the one that holds the value is wanted")
    return pattern


Message = Annotated[str, AfterValidator(_sendable)]
Pattern = Annotated[str, AfterValidator(_one_group)]


class CompletionEntry(FileModel):
    """How the end of an operation is noticed where it is not ``*OPC?`` behind the command.

    ``ask`` is sent by itself, every ``every_s``, until the bits of ``mask`` in its reply are ``done``; without a mask
    any reply is the end. Or ``wait_s`` is waited, and nothing asked.
    """

    ask: Message | None = None
    mask: int | None = Field(default=None, ge=1)
    done: int = Field(default=0, ge=0)
    every_s: float = Field(default=0.1, gt=0)
    wait_s: NonNegative | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.ask is None) is (self.wait_s is None):
            raise ValueError("either ask or wait_s says how the end is noticed, one of the two")
        if self.mask is not None and self.ask is None:
            raise ValueError("mask goes with ask")
        if self.done & ~(self.mask or 0):
            raise ValueError("done has bits that mask leaves out")
        return self


class BlockEntry(FileModel):
    """How many numbers come in one reply: as text with commas, or as reals of ``bits``, which byte first."""

    form: Literal["binary", "text"] = "binary"
    bits: Literal[32, 64] = 32
    order: Literal["normal", "swapped"] = "normal"


class HeaderEntry(FileModel):
    """``[header.":A:B"]``: what is different about a header; see ``drivers.deviations.Deviation``.

    A header without a question mark stands for the command and its query, one with it for the query alone: there
    ``missing = true`` is the same as ``"ask"``.
    """

    send: Message | tuple[Message, ...] | None = None
    ask: Message | None = None
    scale: float = 1.0
    decimals: int | None = Field(default=None, ge=0, le=12)
    words: dict[str, Message] = Field(default_factory=dict)
    reads: dict[str, str] = Field(default_factory=dict)
    field: int | None = Field(default=None, ge=1)
    prefix: str = ""
    unit: str = ""
    pattern: Pattern | None = None
    missing: bool | Literal["send", "ask"] = False
    assume: str | None = None
    settle_s: NonNegative = 0.0
    block: BlockEntry | None = None

    @property
    def messages(self) -> tuple[str, ...] | None:
        """What is sent, in order; None for the header itself."""
        return (self.send,) if isinstance(self.send, str) else self.send

    @property
    def not_sent(self) -> bool:
        """Whether the instrument has no such command."""
        return self.missing in (True, "send")

    @property
    def not_asked(self) -> bool:
        """Whether the instrument has no such query."""
        return self.missing in (True, "ask")

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.scale == 0:
            raise ValueError("scale is 0: every value would be sent as 0")
        if self.messages == ():
            raise ValueError('send is empty; a command that the instrument does not have is missing = "send"')
        if self.not_sent and self.send is not None:
            raise ValueError("a command that is missing cannot be sent otherwise")
        if self.not_asked and self.ask is not None:
            raise ValueError("a query that is missing cannot be asked otherwise")
        if self.assume is not None and not self.not_asked:
            raise ValueError("assume goes with a query that is missing")
        if len({word.upper() for word in self.words.values()}) != len(self.words):
            raise ValueError("two words would be sent as the same one, and could not be told apart")
        return self


class DeviationFacts(FileModel):
    """``[deviations]``: what holds for all messages.

    ``identity``, ``event_register`` and ``error_queue`` are false where there is no such query, or the query itself if
    it is another than ``*IDN?``, ``*ESR?`` and ``:SYST:ERR?``.
    """

    describes: str = ""
    operation_complete: Literal["*OPC?"] | CompletionEntry = "*OPC?"
    identity: bool | Message = True
    event_register: bool | Message = True
    error_queue: bool | Message = True
    gap_s: NonNegative = 0.0


class DeviationTable(FileModel):
    """A whole table of deviations."""

    deviations: DeviationFacts = DeviationFacts()
    header: dict[str, HeaderEntry] = Field(default_factory=dict)

    @property
    def has_identity(self) -> bool:
        """Whether the instrument can say who it is."""
        return self.deviations.identity is not False

    @property
    def not_read_back(self) -> tuple[str, ...]:
        """Headers whose value is taken as the one last sent, or as the table assumes."""
        return tuple(name for name, entry in self.header.items() if entry.not_asked)

    @property
    def not_sent(self) -> tuple[str, ...]:
        """Headers that the instrument does not have."""
        return tuple(name for name, entry in self.header.items() if entry.not_sent and not name.endswith("?"))

    def gaps(self) -> tuple[str, ...]:
        """What the table takes away from a run, each as a clause."""
        facts = self.deviations
        found = []
        if facts.identity is False:
            found.append("it has no query for its identity, so another instrument in its place is not noticed")
        if facts.error_queue is False:
            found.append("it has no error queue, so a refused command shows only where a value is read back")
        if facts.event_register is False:
            found.append("it has no event register, so a restart does not show")
        if self.not_sent:
            found.append(f"not sent: {', '.join(self.not_sent)}")
        if self.not_read_back:
            found.append(f"not read back, the value last sent is taken: {', '.join(self.not_read_back)}")
        return tuple(found)
