"""What can go wrong with an instrument.

    InstrumentError
    ├── NotThere        no such resource, connection refused, wrong identity
    ├── TimedOut        no reply in time; the device has been cleared
    ├── LinkLost        the link broke in mid-conversation, or the instrument has restarted
    ├── Refused         the instrument put an entry into its error queue, or holds another value than it was told
    └── NotUnderstood   a reply came that is not what the command promises

    OutOfTurn           a fault of ours: a message while the reply to an earlier one is still due

Every InstrumentError carries the instrument's name, its resource string and the message that was in flight.
"""

from __future__ import annotations

from drivers.roles import QueueEntry


class InstrumentError(Exception):
    """Base of all instrument failures.

    Args:
        problem: One sentence that says what happened.
        instrument: Name of the instrument in the bench file.
        resource: VISA resource string.
        message: Text that was sent, or being sent.
    """

    def __init__(self, problem: str, *, instrument: str = "", resource: str = "", message: str = "") -> None:
        super().__init__(problem)
        self.problem = problem
        self.instrument = instrument
        self.resource = resource
        self.message = message

    def __str__(self) -> str:
        where = f"{self.instrument} ({self.resource})" if self.resource else self.instrument
        sent = f", message {self.message!r}" if self.message else ""
        return f"{where}{sent}: {self.problem}" if where else f"{self.problem}{sent}"


class NotThere(InstrumentError):
    """The instrument does not answer at its address, or another one does."""


class TimedOut(InstrumentError):
    """No complete reply within the time-out."""


class LinkLost(InstrumentError):
    """The connection broke, or the instrument has restarted: either way its settings cannot be relied on."""


class Refused(InstrumentError):
    """The instrument reported an error of its own, or did not take over a setting.

    Args:
        number: SCPI error number, negative ones are the standard's; 0 when the error queue says nothing.
        text: Text that came with it, or what differs.
        later: Entries that stood behind it in the queue.
    """

    def __init__(
        self,
        number: int,
        text: str,
        *,
        later: tuple[QueueEntry, ...] = (),
        instrument: str = "",
        resource: str = "",
        message: str = "",
    ) -> None:
        problem = f'error {number}, "{text}"' if number else text
        for entry in later:
            problem += f'; then {entry.number}, "{entry.text}"'
        super().__init__(problem, instrument=instrument, resource=resource, message=message)
        self.args = (number, text)  # what pickle hands to __init__; the rest travels in __dict__
        self.number = number
        self.text = text
        self.later = later


class NotUnderstood(InstrumentError):
    """A reply that cannot be what the command promises: not a number, overload, wrong count, bad block."""


class OutOfTurn(RuntimeError):
    """A message was sent while the reply to an earlier one is still due: a fault of the caller, not of the bench."""
