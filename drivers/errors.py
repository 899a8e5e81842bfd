"""What can go wrong with an instrument.

    InstrumentError
    ├── NotThere        no such resource, connection refused, wrong identity
    ├── TimedOut        no reply in time; the device has been cleared
    ├── LinkLost        the link broke in mid-conversation
    ├── Refused         the instrument put an entry into its error queue (number and text)
    └── NotUnderstood   a reply came that is not what the command promises

Every error carries the instrument's name, its resource string and the message that was in flight.
"""

from __future__ import annotations


class InstrumentError(Exception):
    """Base of all instrument failures.

    Args:
        problem: One sentence that says what happened.
        instrument: Name of the instrument in the bench file.
        resource: VISA resource string.
        message: Text that was sent, or being sent.
    """

    def __init__(self, problem: str, *, instrument: str = "", resource: str = "", message: str = "") -> None:
        super().__init__(problem, instrument, resource, message)
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
    """The connection broke."""


class Refused(InstrumentError):
    """The instrument reported an error of its own.

    Args:
        number: SCPI error number; negative ones are the standard's.
        text: Text that came with it.
    """

    def __init__(
        self, number: int, text: str, *, instrument: str = "", resource: str = "", message: str = ""
    ) -> None:
        super().__init__(f'error {number}, "{text}"', instrument=instrument, resource=resource, message=message)
        self.number = number
        self.text = text


class NotUnderstood(InstrumentError):
    """A reply that cannot be what the command promises: not a number, overload, wrong count, bad block."""
