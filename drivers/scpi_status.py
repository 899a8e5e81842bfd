"""SCPI status: the standard event register, and which of its bits an error number belongs to. Pure."""

from __future__ import annotations

from enum import IntFlag


class StandardEvent(IntFlag):
    """Bits of the standard event status register, ``*ESR?`` (IEEE 488.2, 11.5.1); reading clears it."""

    OPERATION_COMPLETE = 1
    REQUEST_CONTROL = 2
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    USER_REQUEST = 64
    POWER_ON = 128


_EVENT_OF_HUNDRED = {
    1: StandardEvent.COMMAND_ERROR,
    2: StandardEvent.EXECUTION_ERROR,
    3: StandardEvent.DEVICE_ERROR,
    4: StandardEvent.QUERY_ERROR,
    5: StandardEvent.POWER_ON,
    6: StandardEvent.USER_REQUEST,
    7: StandardEvent.REQUEST_CONTROL,
    8: StandardEvent.OPERATION_COMPLETE,
}


def event_of(error_number: int) -> StandardEvent:
    """Say which event an entry of the error queue belongs to (SCPI-1999 Vol 2, 21.8).

    The hundreds of a negative number name the class; positive numbers are the maker's own device errors. 0 (no error)
    and negative numbers that the standard leaves free belong to none: no bit.
    """
    if error_number > 0:
        return StandardEvent.DEVICE_ERROR
    return _EVENT_OF_HUNDRED.get(-error_number // 100, StandardEvent(0))


def is_query_error(error_number: int) -> bool:
    """Whether an entry only says that a message or its reply was broken off (-4xx)."""
    return event_of(error_number) is StandardEvent.QUERY_ERROR
