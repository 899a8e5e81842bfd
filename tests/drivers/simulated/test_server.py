"""The served rig's sockets: messages, clients and their ends, on a clock that the test moves and in one thread.

Nothing waits for real time here: each turn of the server does what there is to do. On a loopback socket what one side
has sent can be read by the other at once.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterator

import pytest

from bench.clocks import SimulatedClock
from drivers.simulated.control import Control
from drivers.simulated.faults import Faults
from drivers.simulated.front_end import LONGEST_MESSAGE
from drivers.simulated.front_ends import served_front_ends
from drivers.simulated.rig import Rig
from drivers.simulated.server import Server

#: A sweep of 200 points at 100 Hz: seconds of the rig's clock.
LONG_SWEEP = ":FREQ:SPAN 0;:BAND 100;:SWE:POIN 200;:INIT;*OPC?"
TURNS = 12


class Client:
    """One connection, and the turns of the server that its messages need."""

    def __init__(self, server: Server, port: int) -> None:
        self._server = server
        self.socket = socket.create_connection(("127.0.0.1", port), 5.0)
        self.turn()

    def turn(self) -> None:
        for _ in range(TURNS):
            self._server.turn()

    def say(self, text: str) -> None:
        self.socket.sendall(text.encode("latin-1"))
        self.turn()

    def hear(self) -> bytes | None:
        """What has come; None when the other side has closed."""
        self.socket.setblocking(False)
        try:
            return self.socket.recv(1 << 20) or None
        except BlockingIOError:
            return b""
        except ConnectionResetError:
            return None
        finally:
            self.socket.settimeout(5.0)

    def ask(self, text: str) -> bytes | None:
        self.say(text + "\n")
        return self.hear()

    def close(self) -> None:
        self.socket.close()
        self.turn()


@pytest.fixture
def faults(rig: Rig) -> Faults:
    """The rig's instruments behind their faults."""
    return Faults(rig, served_front_ends(rig), 1.0)


@pytest.fixture
def server(clock: SimulatedClock) -> Iterator[Server]:
    """A server without outlets."""
    made = Server(clock)
    yield made
    made.close()


Connect = Callable[[str], Client]


@pytest.fixture
def connect(server: Server, rig: Rig, faults: Faults) -> Iterator[Connect]:
    """A new client of an instrument, or of the control line."""
    ports = {place: server.listen(instrument) for place, instrument in faults.instruments.items()}
    ports["control"] = server.listen(Control(rig, faults, server.stop))
    clients: list[Client] = []

    def make(place: str) -> Client:
        clients.append(Client(server, ports[place]))
        return clients[-1]

    yield make
    for client in clients:
        client.socket.close()


def test_a_message_is_answered_at_its_newline_however_it_is_cut(connect: Connect) -> None:
    """TCP keeps no boundaries of what was sent."""
    client = connect("supply")
    client.say("*ID")
    nothing = client.hear()
    client.say("N?\n:VOLT 5\n:VOLT?\n*ES")
    answers = client.hear()
    client.say("E?\n")

    assert nothing == b""
    assert answers == b"NIGHTBENCH,SIMULATED-DC-SUPPLY,0,0.1\n5.000000000E+00\n"
    assert client.hear() == b"0\n"


def test_a_command_is_not_answered(connect: Connect) -> None:
    """And a queue without entries stays so: nobody asked for a reply that is not there."""
    client = connect("supply")

    assert client.ask(":VOLT 5") == b""
    assert client.ask("SYST:ERR?") == b'0,"No error"\n'


def test_each_client_has_its_own_input_and_replies_but_one_instrument(connect: Connect) -> None:
    """Half a message of one is not completed by the other; settings and the error queue are the instrument's."""
    one, other = connect("supply"), connect("supply")
    one.say(":VOLT 3;:VO")
    other.say(":FOO\n:VOLT?\n")
    heard_before = one.hear()
    one.say("LT?\n")

    assert (heard_before, one.hear()) == (b"", b"3.000000000E+00\n")
    assert other.hear() == b"0.000000000E+00\n"
    assert one.ask("SYST:ERR?") == b'-113,"Undefined header"\n'


def test_a_reply_that_waits_for_a_sweep_comes_when_the_clock_is_there(connect: Connect, clock: SimulatedClock) -> None:
    """And not before; the trace is then that of the bench as it is at that time."""
    client = connect("analyzer")
    waiting = client.ask(LONG_SWEEP)
    clock.sleep(1.0)
    client.turn()
    too_early = client.hear()
    clock.sleep(60.0)
    client.turn()

    assert (waiting, too_early) == (b"", b"")
    assert client.hear() == b"1\n"


def test_a_sweep_stops_neither_other_instruments_nor_other_clients(connect: Connect) -> None:
    """One thread serves all, and waits for none."""
    sweeping, supply, onlooker = connect("analyzer"), connect("supply"), connect("analyzer")
    waiting = sweeping.ask(LONG_SWEEP)

    assert waiting == b""
    assert supply.ask(":OUTP?") == b"0\n"
    assert onlooker.ask("STAT:OPER:COND?") == b"8\n"


def test_wait_holds_back_what_follows_it_and_nothing_else(connect: Connect, clock: SimulatedClock) -> None:
    """488.2, 10.39: no command after ``*WAI`` runs before the operation is done, in whatever message it comes."""
    sweeping, onlooker = connect("analyzer"), connect("analyzer")
    sweeping.say(LONG_SWEEP.removesuffix("*OPC?") + "*WAI;:FREQ:CENT?\n*IDN?\n")
    waiting = sweeping.hear()
    seen = onlooker.ask("*STB?")
    clock.sleep(60.0)
    sweeping.turn()

    assert waiting == b""
    assert seen == b"128\n"  # an operation is under way (488.2, 11.2)
    assert sweeping.hear() == b"1.500005000E+09\nNIGHTBENCH,SIMULATED-SPECTRUM-ANALYZER,0,0.1\n"


@pytest.mark.parametrize("how", ["closed", "reset"])
def test_a_client_that_leaves_takes_its_pending_reply_with_it(
    connect: Connect, clock: SimulatedClock, how: str
) -> None:
    """The next one gets the answers to its own questions, and finds no error of somebody else's."""
    first = connect("analyzer")
    first.say(LONG_SWEEP + "\n:FREQ:CE")
    if how == "reset":
        first.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    first.close()
    second = connect("analyzer")
    clock.sleep(60.0)
    second.turn()

    assert second.hear() == b""
    assert second.ask("*IDN?") == b"NIGHTBENCH,SIMULATED-SPECTRUM-ANALYZER,0,0.1\n"
    assert second.ask("SYST:ERR?") == b'0,"No error"\n'


def test_what_a_client_has_said_before_it_left_is_obeyed(connect: Connect, rig: Rig) -> None:
    """Switching off and closing is what a program does that ends in a hurry."""
    client = connect("tone_1")
    client.say(":OUTP ON\n")
    was_on = rig.tones["tone_1"].on
    client.socket.sendall(b":OUTP OFF\n")
    client.close()

    assert (was_on, rig.tones["tone_1"].on) == (True, False)


@pytest.mark.slow
def test_a_client_that_reads_nothing_is_not_listened_to_and_stops_nobody(connect: Connect) -> None:
    """Its replies wait for it, whole and in order; others are served meanwhile."""
    deaf, other = connect("analyzer"), connect("supply")
    count = 400_000
    deaf.socket.setblocking(False)
    sent = 0
    message = b"*IDN?\n"
    for _ in range(count):
        try:
            sent += deaf.socket.send(message)
        except BlockingIOError:
            break
    whole = sent // len(message)
    deaf.socket.settimeout(5.0)
    deaf.turn()
    answered = other.ask(":OUTP?")
    reply = b"NIGHTBENCH,SIMULATED-SPECTRUM-ANALYZER,0,0.1\n"
    heard = bytearray()
    while len(heard) < whole * len(reply):
        more = deaf.hear()
        assert more is not None
        heard += more
        deaf.turn()

    assert answered == b"0\n"
    assert heard == reply * whole


def test_a_message_without_an_end_is_given_up_with_its_error(connect: Connect) -> None:
    """Input buffer overrun (21.8, −363), and the line works on."""
    client = connect("supply")
    client.say("X" * (LONGEST_MESSAGE + 100))

    assert client.ask("\nSYST:ERR?") == b'-363,"Input buffer overrun"\n'


def test_a_taken_port_is_refused(server: Server, faults: Faults) -> None:
    """By the system's own error; nothing is served twice at one port."""
    port = server.listen(faults.instruments["supply"])

    with pytest.raises(OSError, match="in use"):
        server.listen(faults.instruments["analyzer"], number=port)


def test_stopping_closes_everything(connect: Connect, server: Server) -> None:
    """From the control line; clients see the end, the ports can be had again."""
    client, control = connect("supply"), connect("control")
    port = client.socket.getpeername()[1]
    answer = control.ask("stop")
    server.serve()

    assert answer == b'{"stopped": true}\n'
    assert client.hear() is None
    with socket.create_server(("127.0.0.1", port)):
        pass
