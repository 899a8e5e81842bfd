"""VISA link: whatever PyVISA or the library below raises becomes one of our errors."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import pyvisa
from pyvisa import errors
from pyvisa.constants import StatusCode
from pyvisa.resources import Resource

from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, TimedOut
from drivers.visa import VisaLink, open_resource, resource_manager

RESOURCE = "TCPIP0::device.example::5025::SOCKET"


class FailingDevice:
    """A device of pyvisa-sim whose every touch raises, as a library below it would."""

    resource_name: str | None = None
    failure: Exception | None = None

    def write(self, data: bytes) -> None:
        if self.failure is not None:
            raise self.failure

    def read(self) -> tuple[bytes, bool]:
        if self.failure is not None:
            raise self.failure
        return b"\n", True


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[pyvisa.ResourceManager]:
    empty = tmp_path / "empty.yaml"
    empty.write_text('spec: "1.0"\ndevices: {}\nresources: {}\n')
    made = resource_manager(f"{empty}@sim")
    yield made
    made.close()


@pytest.fixture
def device(manager: pyvisa.ResourceManager) -> FailingDevice:
    made = FailingDevice()
    manager.visalib.devices.add_device(RESOURCE, made)  # type: ignore[attr-defined]  # pyvisa-sim's own
    return made


@pytest.fixture
def link(manager: pyvisa.ResourceManager, device: FailingDevice) -> VisaLink:
    return open_resource(manager, RESOURCE, 0.05)


ROWS: list[tuple[Exception, type[InstrumentError]]] = [
    (errors.VisaIOError(StatusCode.error_timeout), TimedOut),
    (errors.VisaIOError(StatusCode.error_resource_not_found), NotThere),
    (errors.VisaIOError(StatusCode.error_invalid_resource_name), NotThere),
    (errors.VisaIOError(StatusCode.error_no_listeners), NotThere),
    (errors.VisaIOError(StatusCode.error_resource_busy), NotThere),
    (errors.VisaIOError(StatusCode.error_resource_locked), NotThere),
    (errors.VisaIOError(StatusCode.error_library_not_found), NotThere),
    (errors.VisaIOError(StatusCode.error_serial_framing), NotUnderstood),
    (errors.VisaIOError(StatusCode.error_serial_overrun), NotUnderstood),
    (errors.VisaIOError(StatusCode.error_serial_parity), NotUnderstood),
    (errors.VisaIOError(StatusCode.error_connection_lost), LinkLost),
    (errors.VisaIOError(StatusCode.error_io), LinkLost),
    (errors.VisaIOError(StatusCode.error_nonsupported_operation), LinkLost),
    (errors.VisaIOError(-1), LinkLost),
    (errors.InvalidSession(), LinkLost),
    (ConnectionRefusedError("refused"), NotThere),
    (ConnectionResetError("reset"), LinkLost),
    (BrokenPipeError("pipe"), LinkLost),
    (OSError("no such port"), LinkLost),
    (ValueError("no driver package"), LinkLost),
    (NotImplementedError("trigger"), LinkLost),
    (Exception("could not connect"), LinkLost),
]


@pytest.mark.parametrize(("failure", "ours"), ROWS, ids=[repr(failure)[:60] for failure, _ in ROWS])
def test_each_failure_becomes_one_of_ours_with_the_resource_and_the_cause(
    link: VisaLink, device: FailingDevice, failure: Exception, ours: type[InstrumentError]
) -> None:
    """What is raised when was seen with pyvisa 1.16 and pyvisa-py 0.8; the rest is from PyVISA's table of codes."""
    device.failure = failure
    for act in (lambda: link.send(b"*IDN?"), link.receive):
        with pytest.raises(InstrumentError) as caught:
            act()

        assert type(caught.value) is ours
        assert caught.value.resource == RESOURCE
        assert caught.value.__cause__ is failure


def test_an_interrupt_is_passed_on_as_it_is(link: VisaLink, device: FailingDevice) -> None:
    """Ctrl-C is no failure of the instrument."""
    device.failure = KeyboardInterrupt()  # type: ignore[assignment]  # not an Exception, on purpose
    with pytest.raises(KeyboardInterrupt):
        link.receive()


def test_a_message_that_leaves_only_in_part_is_a_lost_link(
    manager: pyvisa.ResourceManager, device: FailingDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The instrument waits for the rest of it, and would take the next message for that."""
    monkeypatch.setattr(manager.visalib, "write", lambda session, data: (3, StatusCode.success))
    with pytest.raises(LinkLost, match="3 of 6 bytes"):
        open_resource(manager, RESOURCE, 0.05).send(b"*IDN?")


def test_a_resource_that_opens_and_takes_no_settings_is_not_there(
    manager: pyvisa.ResourceManager, device: FailingDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without its terminations no reply would ever end."""
    failure = errors.VisaIOError(StatusCode.error_nonsupported_attribute)

    def refuse(*arguments: object) -> None:
        raise failure

    monkeypatch.setattr(manager.visalib, "set_attribute", refuse)
    with pytest.raises(NotThere) as caught:
        open_resource(manager, RESOURCE, 0.05)

    assert caught.value.__cause__ is failure


def test_a_resource_that_takes_no_messages_is_not_there(
    manager: pyvisa.ResourceManager, device: FailingDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A whole backplane, for example."""
    monkeypatch.setattr(manager, "open_resource", lambda name, open_timeout: Resource(manager, name))
    with pytest.raises(NotThere, match="takes no messages"):
        open_resource(manager, RESOURCE, 0.05)


def test_an_open_that_fails_names_the_resource(manager: pyvisa.ResourceManager) -> None:
    """So that the bench file can be put right."""
    with pytest.raises(NotThere) as caught:
        open_resource(manager, "not a resource", 0.05)

    assert "not a resource" in str(caught.value)
